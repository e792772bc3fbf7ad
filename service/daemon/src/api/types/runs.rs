//! Recorded computations and scores on the wire.

use chrono::{DateTime, NaiveDate, Utc};
use hotspell_domain::{ComponentClass, ComponentId, RunId, SiteId, UnitId};
use hotspell_store::runs::RunRecord;
use hotspell_store::scores::Ranked;
use hotspell_store::words::{RunKind, RunOutcome};
use serde::Serialize;
use serde_json::Value;
use utoipa::ToSchema;

use crate::app::background::{self, Standing};
use crate::state::AppState;

/// A recorded computation: which inputs, which version, when, how it ended.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct RunView {
    /// Its number.
    #[schema(value_type = i64, example = 1)]
    pub id: RunId,
    /// What it computes.
    pub kind: RunKind,
    /// When it began.
    pub started_at: DateTime<Utc>,
    /// When it ended.
    pub finished_at: Option<DateTime<Utc>>,
    /// Version of the program.
    pub engine_version: String,
    /// Everything that it depends on.
    #[schema(value_type = Object)]
    pub inputs: Value,
    /// Digest of the inputs: the same digest and version give the same result.
    pub input_digest: String,
    /// How it ended.
    pub outcome: RunOutcome,
    /// Where it stands now.
    pub standing: RunStanding,
    /// Share done, 0 to 1 (no unit), of work that goes on beside the requests.
    #[schema(minimum = 0, maximum = 1)]
    pub progress: Option<f64>,
    /// What a person should know of it.
    #[schema(value_type = Option<Object>)]
    pub detail: Option<Value>,
}

/// The risk of one part as one run saw it.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct ScoreView {
    /// Its number.
    #[schema(example = 1)]
    pub id: i64,
    /// The run.
    #[schema(value_type = i64)]
    pub run_id: RunId,
    /// The part.
    #[schema(value_type = i64)]
    pub component_id: ComponentId,
    /// Your own name of the part.
    pub component_key: String,
    /// What the part is.
    pub class: ComponentClass,
    /// Its place in the machine.
    pub position: String,
    /// The machine.
    #[schema(value_type = i64)]
    pub unit_id: UnitId,
    /// Its first possible day in service, if known.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(required = false, nullable = false)]
    pub installed_earliest: Option<NaiveDate>,
    /// The home.
    #[schema(value_type = i64)]
    pub site_id: SiteId,
    /// What the home is called.
    pub site_name: String,
    /// The day on which the part was taken to work.
    pub as_of: NaiveDate,
    /// Chosen days and the probability of failure until each.
    #[schema(value_type = Object)]
    pub horizon: Value,
    /// Probability of failure until the end of the season, 0 to 1 (no unit).
    #[schema(minimum = 0, maximum = 1, example = 0.31)]
    pub p_season: f64,
    /// Lower bound of it, 0 to 1 (no unit).
    #[schema(minimum = 0, maximum = 1, example = 0.18)]
    pub p_season_low: f64,
    /// Upper bound of it, 0 to 1 (no unit).
    #[schema(minimum = 0, maximum = 1, example = 0.47)]
    pub p_season_high: f64,
    /// Exposure gathered, in stress-weighted run hours.
    #[schema(example = 15230.0)]
    pub heat_age: f64,
    /// Exposure expected until the end of the season, in stress-weighted run hours.
    #[schema(example = 1410.0)]
    pub expected_heat_left: f64,
    /// Why, in order of weight.
    #[schema(value_type = Object)]
    pub reasons: Value,
}

/// Where a run stands.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, ToSchema)]
#[serde(rename_all = "kebab-case")]
pub enum RunStanding {
    /// It runs.
    Running,
    /// It was asked to stop and has not yet.
    Stopping,
    /// It ended with a result.
    Succeeded,
    /// It ended with an error.
    Failed,
    /// It was stopped on request.
    Stopped,
    /// Its process died; start another.
    Lost,
}

impl From<Standing> for RunStanding {
    fn from(standing: Standing) -> Self {
        match standing {
            Standing::Running | Standing::Ended(RunOutcome::Running) => Self::Running,
            Standing::Stopping => Self::Stopping,
            Standing::Lost => Self::Lost,
            Standing::Ended(RunOutcome::Succeeded) => Self::Succeeded,
            Standing::Ended(RunOutcome::Failed) => Self::Failed,
            Standing::Ended(RunOutcome::Stopped) => Self::Stopped,
        }
    }
}

/// How far a run is, as one event tells it.
#[derive(Debug, Clone, Copy, Serialize, ToSchema)]
pub struct RunEventView {
    /// The run.
    #[schema(value_type = i64)]
    pub run_id: RunId,
    /// Where it stands.
    pub standing: RunStanding,
    /// Share done, 0 to 1 (no unit).
    #[schema(minimum = 0, maximum = 1)]
    pub progress: f64,
}

impl RunView {
    /// A run and where it stands now.
    #[must_use]
    pub fn of(record: RunRecord, state: &AppState) -> Self {
        Self {
            standing: background::standing(state, &record).into(),
            progress: background::progress(state, &record),
            id: record.id,
            kind: record.kind,
            started_at: record.started_at,
            finished_at: record.finished_at,
            engine_version: record.engine_version,
            inputs: record.inputs,
            input_digest: record.input_digest,
            outcome: record.outcome,
            detail: record.detail,
        }
    }
}

impl From<Ranked> for ScoreView {
    fn from(ranked: Ranked) -> Self {
        let row = ranked.score.row;
        Self {
            id: ranked.score.id,
            run_id: row.run_id,
            component_id: row.component_id,
            component_key: ranked.component_key,
            class: ranked.class,
            position: ranked.position,
            unit_id: ranked.unit_id,
            installed_earliest: ranked.installed_earliest,
            site_id: ranked.site_id,
            site_name: ranked.site_name,
            as_of: row.as_of,
            horizon: row.horizon,
            p_season: row.p_season,
            p_season_low: row.p_season_low,
            p_season_high: row.p_season_high,
            heat_age: row.heat_age,
            expected_heat_left: row.expected_heat_left,
            reasons: row.reasons,
        }
    }
}
