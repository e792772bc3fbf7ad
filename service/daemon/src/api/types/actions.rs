//! What is asked of the engine, and what it answers.

use chrono::NaiveDate;
use hotspell_domain::{PlanId, RunId};
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use crate::api::checks::Checks;
use crate::api::error::ApiError;

/// Longest stretch that one plan covers, in days.
const PLAN_DAYS_MAX: i64 = 366;

/// When the parts are scored.
#[derive(Debug, Clone, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({ "as_of": null }))]
pub struct ScoringRunInput {
    /// The day on which the parts are taken to work; the branch's today if absent.
    pub as_of: Option<NaiveDate>,
}

/// What a scoring run says of itself.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct ScoringRunView {
    /// The recorded run.
    #[schema(value_type = i64)]
    pub run_id: RunId,
    /// The day of scoring.
    pub as_of: NaiveDate,
    /// The probabilities of a part's season run up to this day.
    pub season_end: NaiveDate,
    /// Number of parts scored.
    pub components: usize,
    /// Number of failures that the life model learned from.
    pub failures: usize,
    /// Number of failures to be expected by the season's end.
    pub expected_failures: f64,
    /// What was assumed, and how many parts it touches.
    pub assumptions: Vec<String>,
}

/// What is to be planned.
#[derive(Debug, Clone, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({
    "first_day": "2026-02-02", "last_day": "2026-05-29", "seed": 1, "iterations_per_visit": 400
}))]
pub struct PlanInput {
    /// First day of the plan.
    pub first_day: NaiveDate,
    /// Last day of the plan, at most a year later.
    pub last_day: NaiveDate,
    /// Of the solver (no unit): the same seed and inputs give the same plan; the setting's if
    /// absent.
    #[schema(minimum = 0)]
    pub seed: Option<u32>,
    /// Search iterations for each visit (no unit), 1 to 100,000; the setting's if absent.
    #[schema(minimum = 1, maximum = 100_000)]
    pub iterations_per_visit: Option<u32>,
}

impl PlanInput {
    /// Checks that the plan has a length.
    pub(crate) fn check(&self) -> Result<(), ApiError> {
        let mut checks = Checks::default();
        checks.day("/first_day", Some(self.first_day));
        checks.day("/last_day", Some(self.last_day));
        checks.order("/last_day", Some(self.first_day), Some(self.last_day));
        if (self.last_day - self.first_day).num_days() >= PLAN_DAYS_MAX {
            checks.refuse("/last_day", format!("expected at most {PLAN_DAYS_MAX} days"));
        }
        if self.iterations_per_visit.is_some_and(|n| !(1..=100_000).contains(&n)) {
            checks.refuse("/iterations_per_visit", "expected 1 to 100,000");
        }
        checks.finish()
    }
}

/// A plan that was adopted.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct AdoptionView {
    /// The plan.
    #[schema(value_type = i64)]
    pub plan_id: PlanId,
    /// Number of visits that got a place.
    pub placed: usize,
}
