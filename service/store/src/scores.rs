//! Risk: life models and the scores of components. Written once, never changed.

use chrono::{DateTime, NaiveDate, Utc};
use diesel::{
    ExpressionMethods, OptionalExtension, QueryDsl, Queryable, RunQueryDsl, Selectable,
    SelectableHelper,
};
use hotspell_domain::{BranchId, ComponentId, RunId};
use serde_json::Value;

use crate::columns::{RawId, RawInstant, RawText, naive};
use crate::record::{appended, listing};
use crate::schema::{risk_models, scores};
use crate::{AnyConnection, StoreError};

appended! {
    /// The risk of one component as one run saw it.
    scores, ScoreRecord, NewScore, insert, insert_many {
        /// The run.
        run_id: RunId as RawId,
        /// The part.
        component_id: ComponentId as RawId,
        /// The day on which the part was taken to work.
        as_of: NaiveDate,
        /// Chosen days and the probability of failure until each.
        horizon: Value as RawText,
        /// Probability of failure until the end of the season.
        p_season: f64,
        /// Lower bound of it.
        p_season_low: f64,
        /// Upper bound of it.
        p_season_high: f64,
        /// Exposure gathered, in the model's weighted run hours.
        heat_age: f64,
        /// Exposure expected until the end of the season, in the same unit.
        expected_heat_left: f64,
        /// Why, in order of weight.
        reasons: Value as RawText,
    }
}

listing! {
    scores, ScoreRecord, list,
    /// Which scores.
    ScoreFilter {
        /// Of this run.
        run: RunId => |run| scores::run_id.eq(run.0),
        /// By this computation or a later one.
        run_from: RunId => |run| scores::run_id.ge(run.0),
        /// Of this part.
        component: ComponentId => |component| scores::component_id.eq(component.0),
        /// Of one of these parts.
        components: Vec<ComponentId> => |components| scores::component_id
            .eq_any(components.iter().map(|id| id.0).collect::<Vec<i64>>()),
        /// At least so likely to fail in the season.
        p_season_from: f64 => |p| scores::p_season.ge(*p),
    }
}

/// The components of a run most likely to fail in the season, most likely first.
///
/// # Errors
/// Those of the database.
pub fn top(
    conn: &mut AnyConnection,
    branch: BranchId,
    run: RunId,
    limit: i64,
) -> Result<Vec<ScoreRecord>, StoreError> {
    Ok(scores::table
        .filter(scores::branch_id.eq(branch.0))
        .filter(scores::run_id.eq(run.0))
        .order((scores::p_season.desc(), scores::component_id))
        .limit(limit)
        .select(ScoreRecord::as_select())
        .load(conn)?)
}

/// A stored life model.
#[derive(Debug, Clone, PartialEq, Queryable, Selectable)]
#[diesel(table_name = risk_models)]
pub struct RiskModelRecord {
    /// The run that made it.
    #[diesel(deserialize_as = RawId)]
    pub run_id: RunId,
    /// The model.
    #[diesel(deserialize_as = RawText)]
    pub model: Value,
    /// When it was made.
    #[diesel(deserialize_as = RawInstant)]
    pub created_at: DateTime<Utc>,
}

/// Keeps the model that a run made.
///
/// # Errors
/// [`StoreError::Conflict`] when the run has one already.
pub fn insert_model(
    conn: &mut AnyConnection,
    branch: BranchId,
    run: RunId,
    model: &Value,
    now: DateTime<Utc>,
) -> Result<(), StoreError> {
    diesel::insert_into(risk_models::table)
        .values((
            risk_models::branch_id.eq(branch.0),
            risk_models::run_id.eq(run.0),
            risk_models::model.eq(model.to_string()),
            risk_models::created_at.eq(naive(now)),
        ))
        .execute(conn)?;
    Ok(())
}

/// The newest model of the branch.
///
/// # Errors
/// Those of the database.
pub fn latest_model(
    conn: &mut AnyConnection,
    branch: BranchId,
) -> Result<Option<RiskModelRecord>, StoreError> {
    Ok(risk_models::table
        .filter(risk_models::branch_id.eq(branch.0))
        .order(risk_models::id.desc())
        .select(RiskModelRecord::as_select())
        .first(conn)
        .optional()?)
}
