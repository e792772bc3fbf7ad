//! Advice about one part on the wire: every number that was weighed is there.

use chrono::NaiveDate;
use hotspell_domain::{ComponentId, RunId};
use hotspell_reliability::decisions::{AgeReplacement, SwapAdvice, SwapDecision};
use serde::Serialize;
use utoipa::ToSchema;

use crate::app::decision::{PartDecision, in_words};

/// What to do about a part, and what that rests on. Costs are in `currency`, ages and heat in
/// stress-weighted run hours.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct DecisionView {
    /// The part.
    #[schema(value_type = i64)]
    pub component_id: ComponentId,
    /// The day of the advice.
    pub as_of: NaiveDate,
    /// The last day of the season that is weighed.
    pub season_end: NaiveDate,
    /// The scoring run whose life model was used.
    #[schema(value_type = i64)]
    pub model_run_id: RunId,
    /// Name of the currency of all costs, from the settings.
    #[schema(example = "USD")]
    pub currency: String,
    /// Replace on the next visit, or wait.
    pub swap: SwapView,
    /// First weekly date by which the chance of failing exceeds `check_due_chance`: check it
    /// before. Absent when that is not so this season.
    pub check_by: Option<NaiveDate>,
    /// Chance of failing since today at which a check is due, 0 to 1 (no unit), from the settings.
    pub check_due_chance: f64,
    /// Parts of the same class at the home, replaced in the same hour or not.
    pub sisters: Vec<SisterView>,
}

/// The same weighing for a sister part.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct SisterView {
    /// The sister.
    #[schema(value_type = i64)]
    pub component_id: ComponentId,
    /// Replace it in the same hour, or wait.
    pub swap: SwapView,
}

/// Both sides of the scale.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct SwapView {
    /// The cheaper side.
    pub advice: Advice,
    /// The same as a sentence.
    pub sentence: String,
    /// Expected cost of replacing now, the new part's season included, in the currency.
    pub replace_now_cost: f64,
    /// Expected cost of waiting, with what the older part will cost later, in the currency.
    pub wait_cost: f64,
    /// Probability that this part fails by the season's end, 0 to 1 (no unit).
    pub failure_probability: f64,
    /// Probability that a new part fails by then, 0 to 1 (no unit).
    pub new_part_failure_probability: f64,
    /// Heat age now, stress-weighted run hours.
    pub heat_age: f64,
    /// Heat to come by the season's end, stress-weighted run hours.
    pub season_heat: f64,
    /// Shape of the Weibull life of such a part at this home (no unit).
    pub shape: f64,
    /// Scale of that life, stress-weighted run hours.
    pub scale: f64,
    /// The age at which such a part is best replaced, stress-weighted run hours; absent when
    /// replacing before failure never pays.
    pub best_age: Option<f64>,
    /// Cost of swapping now, in the currency.
    pub swap_now_cost: f64,
    /// Cost of a planned swap later, in the currency.
    pub planned_cost: f64,
    /// Cost of a failure at an ordinary time, in the currency.
    pub failure_cost: f64,
    /// Cost of a failure in the season's heat, in the currency.
    pub hot_failure_cost: f64,
}

/// What to do.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, ToSchema)]
#[serde(rename_all = "kebab-case")]
pub enum Advice {
    /// Replace it on this occasion.
    ReplaceNow,
    /// Leave it in.
    Wait,
}

impl SwapView {
    fn of(swap: &SwapDecision, currency: &str) -> Self {
        let inputs = &swap.inputs;
        Self {
            advice: match swap.advice {
                SwapAdvice::ReplaceNow => Advice::ReplaceNow,
                SwapAdvice::Wait => Advice::Wait,
            },
            sentence: in_words(swap, currency),
            replace_now_cost: swap.replace_now_cost,
            wait_cost: swap.wait_cost,
            failure_probability: inputs.failure_probability,
            new_part_failure_probability: swap.new_part_failure_probability,
            heat_age: inputs.age_hours,
            season_heat: inputs.season_hours,
            shape: inputs.law.shape,
            scale: inputs.law.scale,
            best_age: match swap.policy {
                AgeReplacement::ReplaceAt { age, .. } => Some(age),
                AgeReplacement::RunToFailure { .. } => None,
            },
            swap_now_cost: inputs.swap_now_cost,
            planned_cost: inputs.planned_cost,
            failure_cost: inputs.failure_cost,
            hot_failure_cost: inputs.hot_failure_cost,
        }
    }
}

impl From<PartDecision> for DecisionView {
    fn from(decision: PartDecision) -> Self {
        let currency = decision.settings.currency;
        Self {
            component_id: decision.component,
            as_of: decision.as_of,
            season_end: decision.season_end,
            model_run_id: decision.model_run,
            swap: SwapView::of(&decision.swap, &currency),
            check_by: decision.check_by,
            check_due_chance: decision.settings.check_due_chance,
            sisters: decision
                .sisters
                .iter()
                .map(|(id, swap)| SisterView {
                    component_id: *id,
                    swap: SwapView::of(swap, &currency),
                })
                .collect(),
            currency,
        }
    }
}
