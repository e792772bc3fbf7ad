//! Rehearsals of the season on the wire.

use chrono::{DateTime, NaiveDate, Utc};
use hotspell_domain::{PlanId, RunId};
use hotspell_reliability::rehearsal::{Band, RehearsedPlan};
use hotspell_store::runs::RunRecord;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use super::runs::RunStanding;
use crate::api::error::ApiError;
use crate::app::background::{self, Standing};
use crate::app::rehearsal::{self, Rehearsed};

/// What is rehearsed.
#[derive(Debug, Clone, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({
    "as_of": null, "draft_plan_ids": [], "replicates": 200, "seed": null
}))]
pub struct RehearsalInput {
    /// The day from which the season is rehearsed; the branch's today if absent.
    pub as_of: Option<NaiveDate>,
    /// Numbers of drafts to compare with the visits as they are placed, at most three.
    #[serde(default)]
    #[schema(value_type = Vec<i64>, max_items = 3)]
    pub draft_plan_ids: Vec<PlanId>,
    /// Number of seasons that are drawn; that of the settings if absent.
    #[schema(minimum = 1, maximum = 20000)]
    pub replicates: Option<usize>,
    /// Seed of every draw (no unit); that of the planner's settings if absent. The same seed and records
    /// give the same figures.
    pub seed: Option<u32>,
}

/// A rehearsal: where it stands, and what it found once it has ended.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct RehearsalView {
    /// Number of the recorded run.
    #[schema(value_type = i64)]
    pub id: RunId,
    /// Where it stands.
    pub standing: RunStanding,
    /// Share done, 0 to 1 (no unit).
    #[schema(minimum = 0, maximum = 1)]
    pub progress: f64,
    /// When it began.
    pub started_at: DateTime<Utc>,
    /// When it ended.
    pub finished_at: Option<DateTime<Utc>>,
    /// Why it has no result, when it failed or was stopped.
    pub reason: Option<String>,
    /// What it found.
    pub result: Option<RehearsalResultView>,
}

/// What a rehearsal found.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct RehearsalResultView {
    /// First day.
    pub first_day: NaiveDate,
    /// Last day.
    pub last_day: NaiveDate,
    /// The scoring run whose life model was used.
    #[schema(value_type = i64)]
    pub model_run_id: RunId,
    /// Number of past years that were met in turn as the weather to come.
    pub weather_paths: usize,
    /// Number of parts in service at homes under agreement.
    pub parts: usize,
    /// Number of seasons drawn.
    pub replicates: usize,
    /// Seed of every draw (no unit).
    pub seed: u64,
    /// Number of no-cool calls that can be served on each day, from the first.
    pub daily_capacity: Vec<f64>,
    /// Without visits first, then the visits as placed if there are any, then the drafts.
    pub plans: Vec<RehearsedPlanView>,
    /// Each against every one before it, season by season on the same fate.
    pub differences: Vec<DifferenceView>,
}

/// What one plan spares against another.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct DifferenceView {
    /// Name of the plan.
    pub plan: String,
    /// Name of the one that it is held against.
    pub against: String,
    /// Number of calls that it has less.
    pub calls_avoided: BandView,
    /// Number of days over capacity that it has less.
    pub days_over_capacity_avoided: BandView,
    /// Share of the seasons in which it has fewer calls, 0 to 1 (no unit).
    pub share_with_fewer_calls: f64,
}

/// The season under one plan.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct RehearsedPlanView {
    /// Its name.
    pub name: String,
    /// Number of no-cool calls in the season.
    pub calls: BandView,
    /// Number of days on which calls exceed the capacity.
    pub days_over_capacity: BandView,
    /// Share of the seasons in which a day's calls exceed its capacity, on each day from the
    /// first, 0 to 1 (no unit).
    pub share_over_capacity: Vec<f64>,
    /// Number of no-cool calls on each day, from the first.
    pub calls_per_day: Vec<BandView>,
}

/// A number over the seasons drawn.
#[derive(Debug, Clone, Copy, Serialize, ToSchema)]
pub struct BandView {
    /// Its 5th percentile (number of what is counted).
    pub low: f64,
    /// Its median (number of what is counted).
    pub median: f64,
    /// Its 95th percentile (number of what is counted).
    pub high: f64,
    /// Its mean (number of what is counted).
    pub mean: f64,
    /// Standard error of the mean from the number of seasons drawn (number of what is counted).
    pub standard_error: f64,
}

impl From<Band> for BandView {
    fn from(band: Band) -> Self {
        Self {
            low: band.low,
            median: band.median,
            high: band.high,
            mean: band.mean,
            standard_error: band.standard_error,
        }
    }
}

impl From<RehearsedPlan> for RehearsedPlanView {
    fn from(plan: RehearsedPlan) -> Self {
        Self {
            name: plan.name,
            calls: plan.calls.into(),
            days_over_capacity: plan.days_over_capacity.into(),
            share_over_capacity: plan.share_over_capacity,
            calls_per_day: plan.calls_per_day.into_iter().map(BandView::from).collect(),
        }
    }
}

impl From<Rehearsed> for RehearsalResultView {
    fn from(found: Rehearsed) -> Self {
        let rehearsal = found.rehearsal;
        let name = |index: usize| rehearsal.plans.get(index).map(|plan| plan.name.clone());
        let differences = rehearsal
            .differences
            .iter()
            .filter_map(|it| {
                Some(DifferenceView {
                    plan: name(it.plan)?,
                    against: name(it.against)?,
                    calls_avoided: it.calls_avoided.into(),
                    days_over_capacity_avoided: it.days_over_capacity_avoided.into(),
                    share_with_fewer_calls: it.share_with_fewer_calls,
                })
            })
            .collect();
        Self {
            first_day: found.first_day,
            last_day: found.last_day,
            model_run_id: found.model_run,
            weather_paths: found.weather_paths,
            parts: found.parts,
            replicates: rehearsal.replicates,
            seed: rehearsal.seed,
            daily_capacity: found.capacity,
            plans: rehearsal.plans.into_iter().map(RehearsedPlanView::from).collect(),
            differences,
        }
    }
}

impl RehearsalView {
    /// A run as it is answered.
    pub(crate) fn of(run: &RunRecord, standing: Standing) -> Result<Self, ApiError> {
        Ok(Self {
            id: run.id,
            standing: standing.into(),
            progress: run.progress.unwrap_or(0.0),
            started_at: run.started_at,
            finished_at: run.finished_at,
            reason: background::reason(run),
            result: rehearsal::found(run)?.map(RehearsalResultView::from),
        })
    }
}
