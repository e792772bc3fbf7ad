//! Plans compared, and visits of a plan moved.

use chrono::NaiveDate;
use hotspell_domain::{PlanId, TechnicianId, VisitId};
use hotspell_planning::season::CostParts;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use crate::app::plan_compare::Comparison;
use crate::app::plan_move::Outlook;

/// What one plan has otherwise than another.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct ComparisonView {
    /// The plan.
    #[schema(value_type = i64)]
    pub plan_id: PlanId,
    /// The one that it is held against.
    #[schema(value_type = i64)]
    pub against_plan_id: PlanId,
    /// Number of visits on another day.
    pub moved_day: usize,
    /// Number of visits on the same day with another person or at another time.
    pub moved_within_day: usize,
    /// Number of visits that only this plan places.
    pub added: usize,
    /// Number of visits that only the other plan places.
    pub removed: usize,
    /// Number of visits with the same day, person and time within a quarter of an hour.
    pub kept: usize,
    /// Each difference in words.
    pub changes: Vec<String>,
    /// Households that were told something else than this plan has.
    pub told_again: Vec<ToldAgainView>,
}

/// A household that would have to be told again.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct ToldAgainView {
    /// The visit.
    #[schema(value_type = i64)]
    pub visit_id: VisitId,
    /// Name of the home.
    pub household: String,
    /// Whether it has agreed to what it was told.
    pub agreed: bool,
}

impl From<Comparison> for ComparisonView {
    fn from(compared: Comparison) -> Self {
        Self {
            plan_id: compared.to.id,
            against_plan_id: compared.from.id,
            moved_day: compared.moved_day,
            moved_within_day: compared.moved_within_day,
            added: compared.added,
            removed: compared.removed,
            kept: compared.kept,
            changes: compared.sentences,
            told_again: compared
                .told_again
                .into_iter()
                .map(|told| ToldAgainView {
                    visit_id: told.visit,
                    household: told.household,
                    agreed: told.agreed,
                })
                .collect(),
        }
    }
}

/// Where a visit of a plan is to go.
#[derive(Debug, Clone, Copy, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({
    "visit_id": 17, "day": "2026-04-14", "technician_id": 1, "keep": false
}))]
pub struct MoveInput {
    /// The visit.
    #[schema(value_type = i64)]
    pub visit_id: VisitId,
    /// Its new day, after today.
    pub day: NaiveDate,
    /// Its new person.
    #[schema(value_type = i64)]
    pub technician_id: TechnicianId,
    /// Whether the plan with the move is kept as a draft; otherwise only its cost is told.
    pub keep: bool,
}

/// What a move costs.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct MoveView {
    /// The draft with the move; nothing when only the cost was asked for.
    #[schema(value_type = Option<i64>)]
    pub plan_id: Option<PlanId>,
    /// The cost in a sentence.
    pub cost: String,
    /// Driving in addition, in seconds.
    pub travel_seconds: i64,
    /// Price of the risk of a failure before the visit in addition, in seconds of a technician's time.
    pub risk_seconds: i64,
    /// Price of lateness in addition, in seconds of a technician's time.
    pub late_seconds: i64,
    /// Price of what households are asked to change in addition, in seconds of a technician's time.
    pub change_seconds: i64,
    /// Price of longer days in addition, in seconds of a technician's time.
    pub fairness_seconds: i64,
    /// Each change in words.
    pub changes: Vec<String>,
}

impl MoveView {
    /// A move with the draft that keeps it, if it is kept.
    #[must_use]
    pub fn new(tried: Outlook, plan_id: Option<PlanId>) -> Self {
        let more = |part: fn(&CostParts) -> i64| part(&tried.after) - part(&tried.before);
        Self {
            plan_id,
            cost: tried.cost_sentence(),
            travel_seconds: more(|cost| cost.travel_s),
            risk_seconds: more(|cost| cost.risk_s),
            late_seconds: more(|cost| cost.late_s),
            change_seconds: more(|cost| cost.change_s),
            fairness_seconds: more(|cost| cost.fairness_s),
            changes: tried.changes,
        }
    }
}
