//! Risk: life models and the scores of components. Written once, never changed.

use std::collections::HashMap;

use chrono::{DateTime, NaiveDate, Utc};
use diesel::dsl::{exists, not};
use diesel::{
    BoolExpressionMethods, ExpressionMethods, JoinOnDsl, OptionalExtension, QueryDsl, Queryable,
    RunQueryDsl, Selectable, SelectableHelper,
};
use hotspell_domain::{
    BranchId, ComponentClass, ComponentId, RunId, SiteId, TechnicianId, UnitId, VisitState,
};
use serde_json::Value;

use crate::columns::{RawId, RawInstant, RawText, naive};
use crate::listing::listing;
use crate::record::appended;
use crate::schema::{components, risk_models, scores, sites, units, visits};
use crate::sorting::{in_order, sort_keys};
use crate::{AnyConnection, SortedPage, StoreError};

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
        /// Of this part.
        component: ComponentId => |component| scores::component_id.eq(component.0),
        /// Of one of these parts, by this computation or a later one. The sum keeps SQLite from
        /// walking through all scores since then by the risk list's index: few parts have few.
        parts_since: (Vec<ComponentId>, RunId) => |since| scores::component_id
            .eq_any(since.0.iter().map(|id| id.0).collect::<Vec<i64>>())
            .and((scores::run_id + 0_i64).ge(since.1.0)),
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

/// Which scores are looked at.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Scoring {
    /// Those of one run.
    Run(RunId),
    /// The newest of each part that is in service, since this scoring of the whole branch: single
    /// homes are scored again when something happens there.
    InForceSince(RunId),
}

/// Which scores are ranked.
#[derive(Debug, Clone, Default)]
pub struct RankingFilter {
    /// Of parts of this class.
    pub class: Option<ComponentClass>,
    /// Of parts at one of these homes, at most [`crate::BOUND_VALUES`].
    pub sites: Option<Vec<SiteId>>,
    /// Of this part.
    pub component: Option<ComponentId>,
    /// At least so likely to fail in the season.
    pub p_season_from: Option<f64>,
    /// Surely in service on this day already.
    pub installed_by: Option<NaiveDate>,
    /// At homes to which somebody, or nobody, comes.
    pub coming: Option<Coming>,
}

/// Who comes to a home next, by its open visits that have a day.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Coming {
    /// This technician.
    By(TechnicianId),
    /// Nobody: no open visit has a day.
    Nobody,
}

/// How likely a part fails: a score without its reasons, which are most of its bytes.
#[derive(Debug, Clone, PartialEq, Queryable, Selectable)]
#[diesel(table_name = scores)]
pub struct ScoredChance {
    /// The score's number.
    pub id: i64,
    /// The run.
    #[diesel(deserialize_as = RawId)]
    pub run_id: RunId,
    /// The part.
    #[diesel(deserialize_as = RawId)]
    pub component_id: ComponentId,
    /// The day on which the part was taken to work.
    pub as_of: NaiveDate,
    /// Chosen days and the probability of failure until each, as JSON.
    pub horizon: String,
    /// Probability of failure until the end of the season.
    pub p_season: f64,
}

/// The chances of every part by this computation and later ones, in no order: a branch has tens of
/// thousands, which a database would sort on disk.
///
/// # Errors
/// Those of the database.
pub fn chances_since(
    conn: &mut AnyConnection,
    branch: BranchId,
    run: RunId,
) -> Result<Vec<ScoredChance>, StoreError> {
    Ok(scores::table
        .filter(scores::branch_id.eq(branch.0))
        .filter(scores::run_id.ge(run.0))
        .select(ScoredChance::as_select())
        .load(conn)?)
}

/// Why a part is likely to fail: a score without its curve, its reasons as they are stored.
#[derive(Debug, Clone, PartialEq, Queryable, Selectable)]
#[diesel(table_name = scores)]
pub struct ScoredReasons {
    /// The part.
    #[diesel(deserialize_as = RawId)]
    pub component_id: ComponentId,
    /// Probability of failure until the end of the season.
    pub p_season: f64,
    /// Why, in order of weight, as JSON.
    pub reasons: String,
}

/// The reasons of some parts, at most [`crate::BOUND_VALUES`], by this computation and later ones, in the
/// order in which they were scored.
///
/// # Errors
/// Those of the database.
pub fn reasons_since(
    conn: &mut AnyConnection,
    branch: BranchId,
    parts: &[ComponentId],
    run: RunId,
) -> Result<Vec<ScoredReasons>, StoreError> {
    let parts: Vec<i64> = parts.iter().map(|part| part.0).collect();
    Ok(scores::table
        .filter(scores::branch_id.eq(branch.0))
        .filter(scores::component_id.eq_any(parts))
        // The sum for SQLite, as in `ScoreFilter::parts_since`.
        .filter((scores::run_id + 0_i64).ge(run.0))
        .order(scores::id)
        .select(ScoredReasons::as_select())
        .load(conn)?)
}

/// The day as of which a run scored; nothing if it has no score.
///
/// # Errors
/// Those of the database.
pub fn as_of(
    conn: &mut AnyConnection,
    branch: BranchId,
    run: RunId,
) -> Result<Option<NaiveDate>, StoreError> {
    Ok(scores::table
        .filter(scores::branch_id.eq(branch.0))
        .filter(scores::run_id.eq(run.0))
        .select(scores::as_of)
        .first(conn)
        .optional()?)
}

/// A score with what a person needs to know of its part.
#[derive(Debug, Clone, PartialEq)]
pub struct Ranked {
    /// The score.
    pub score: ScoreRecord,
    /// The user's own name of the part.
    pub component_key: String,
    /// What the part is.
    pub class: ComponentClass,
    /// Its place in the machine.
    pub position: String,
    /// The machine.
    pub unit_id: UnitId,
    /// Its first possible day in service, if known.
    pub installed_earliest: Option<NaiveDate>,
    /// The home.
    pub site_id: SiteId,
    /// What the home is called.
    pub site_name: String,
}

/// A score beside what names its part.
type Row = (ScoreRecord, String, String, String, i64, Option<NaiveDate>, i64, String);

sort_keys! {
    /// What [`ranking`] can be sorted by: a part has one score in it.
    ScoreSort of Ranked, numbered by "component_id" score.component_id {
        PSeason "p_season": Real score.p_season,
        HeatAge "heat_age": Real score.heat_age,
        ExpectedHeatLeft "expected_heat_left": Real score.expected_heat_left,
        InstalledEarliest "installed_earliest": Day installed_earliest,
        SiteName "site_name": Text site_name,
    }
}

/// The scores that meet the filter, in the order of the page.
///
/// # Errors
/// Those of the database.
pub fn ranking(
    conn: &mut AnyConnection,
    branch: BranchId,
    scoring: Scoring,
    filter: &RankingFilter,
    page: SortedPage<ScoreSort>,
) -> Result<Vec<Ranked>, StoreError> {
    // The numbers first: a database that sorts all of a branch need not carry every reason along.
    let numbers = ranked_numbers(conn, branch, scoring, filter, page)?;
    let place: HashMap<i64, usize> =
        numbers.iter().enumerate().map(|(place, number)| (*number, place)).collect();
    let rows: Vec<Row> = scores::table
        .inner_join(components::table.on(components::id.eq(scores::component_id)))
        .inner_join(units::table.on(units::id.eq(components::unit_id)))
        .inner_join(sites::table.on(sites::id.eq(units::site_id)))
        .filter(scores::id.eq_any(numbers))
        .select((
            ScoreRecord::as_select(),
            components::key,
            components::class,
            components::position,
            components::unit_id,
            components::installed_earliest,
            units::site_id,
            sites::name,
        ))
        .load(conn)?;
    let mut rows = rows.into_iter().map(ranked).collect::<Result<Vec<_>, _>>()?;
    rows.sort_by_key(|row| place.get(&row.score.id).copied());
    Ok(rows)
}

/// The numbers of the scores of a page, in its order.
fn ranked_numbers(
    conn: &mut AnyConnection,
    branch: BranchId,
    scoring: Scoring,
    filter: &RankingFilter,
    page: SortedPage<ScoreSort>,
) -> Result<Vec<i64>, StoreError> {
    let mut query = scores::table
        .inner_join(components::table.on(components::id.eq(scores::component_id)))
        .inner_join(units::table.on(units::id.eq(components::unit_id)))
        .inner_join(sites::table.on(sites::id.eq(units::site_id)))
        .filter(scores::branch_id.eq(branch.0))
        .select(scores::id)
        .into_boxed();
    match scoring {
        Scoring::Run(run) => query = query.filter(scores::run_id.eq(run.0)),
        Scoring::InForceSince(run) => {
            let later = diesel::alias!(scores as later_scores);
            let overtaken = later
                .filter(later.field(scores::component_id).eq(scores::component_id))
                .filter(later.field(scores::id).gt(scores::id));
            query = query
                .filter(scores::run_id.ge(run.0))
                .filter(components::ended_on.is_null())
                .filter(not(exists(overtaken)));
        }
    }
    if let Some(class) = filter.class {
        query = query.filter(components::class.eq(class.as_str()));
    }
    if let Some(sites) = &filter.sites {
        query = query.filter(units::site_id.eq_any(sites.iter().map(|site| site.0)));
    }
    if let Some(component) = filter.component {
        query = query.filter(scores::component_id.eq(component.0));
    }
    if let Some(probability) = filter.p_season_from {
        query = query.filter(scores::p_season.ge(probability));
    }
    if let Some(day) = filter.installed_by {
        query = query.filter(components::installed_latest.le(day));
    }
    if let Some(coming) = filter.coming {
        query = match coming {
            Coming::By(who) => {
                query.filter(exists(placed().filter(visits::technician_id.eq(who.0))))
            }
            Coming::Nobody => query.filter(not(exists(placed()))),
        };
    }
    let query = in_order!(query, page, scores::component_id, ScoreSort {
        PSeason: Real scores::p_season,
        HeatAge: Real scores::heat_age,
        ExpectedHeatLeft: Real scores::expected_heat_left,
        InstalledEarliest: Day components::installed_earliest,
        SiteName: Text sites::name,
    });
    Ok(query.load(conn)?)
}

/// Visits at the home of a row that are still to come and have a day.
#[diesel::dsl::auto_type]
fn placed() -> _ {
    let states: [&'static str; 3] = VisitState::HOLDING_A_PLACE.map(VisitState::as_str);
    visits::table
        .filter(visits::site_id.eq(units::site_id))
        .filter(visits::day.is_not_null())
        .filter(visits::state.eq_any(states))
}

fn ranked(
    (score, component_key, class, position, unit, installed_earliest, site, site_name): Row,
) -> Result<Ranked, StoreError> {
    let class = class
        .parse()
        .map_err(|error: hotspell_domain::UnknownWord| StoreError::Unexpected(error.to_string()))?;
    Ok(Ranked {
        score,
        component_key,
        class,
        position,
        unit_id: UnitId(unit),
        installed_earliest,
        site_id: SiteId(site),
        site_name,
    })
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

/// The run that made the newest model of the branch: the scores of that run and later are in force.
/// The model itself, some hundred kilobytes, is not read.
///
/// # Errors
/// Those of the database.
pub fn in_force_since(
    conn: &mut AnyConnection,
    branch: BranchId,
) -> Result<Option<RunId>, StoreError> {
    let run: Option<i64> = risk_models::table
        .filter(risk_models::branch_id.eq(branch.0))
        .order(risk_models::id.desc())
        .select(risk_models::run_id)
        .first(conn)
        .optional()?;
    Ok(run.map(RunId))
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
