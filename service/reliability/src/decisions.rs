//! Replace now or wait, replace the sister too, when to check next; each with its inputs shown.
//!
//! Costs are in any one currency; ages in equivalent hours. The value of a used part is reckoned
//! against the best age-replacement policy: `relative_cost(a)` is how much more a part of age `a`
//! will cost than a new one until the next renewal, net of the long-run rate. It is 0 for a new
//! part and the planned cost at the best age (R. Barlow & F. Proschan, Mathematical Theory of
//! Reliability, Wiley 1965, chapter 4; S. Ross, Applied Probability Models, 1970, chapter 7 for
//! the relative value).

use serde::{Deserialize, Serialize};

use crate::ensemble::HeatEnsemble;
use crate::risk_model::RiskModel;
use crate::score::ComponentState;
use crate::survival_sum::integrate_unit;
use crate::weibull::Weibull;

/// Probability of failing before the season's end from which a part is replaced on the occasion of
/// a visit, and from which the truck therefore carries its successor: likelier than not (common
/// practice, no source).
pub const REPLACE_FROM_PROBABILITY: f64 = 0.5;

/// The best age at which to replace a part of one kind.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case", tag = "policy")]
pub enum AgeReplacement {
    /// Replacing before failure never pays.
    RunToFailure {
        /// Cost per equivalent hour.
        cost_rate: f64,
    },
    /// Replace at an age or on failure, whichever comes first.
    ReplaceAt {
        /// The age.
        age: f64,
        /// Cost per equivalent hour.
        cost_rate: f64,
        /// For comparison: cost per hour without planned replacement.
        run_to_failure_cost_rate: f64,
    },
}

/// Costs that make no sense.
#[derive(Debug, Clone, Copy, PartialEq, thiserror::Error)]
pub enum DecisionError {
    /// A cost is not positive.
    #[error("cost {0} is not a number above 0")]
    Cost(f64),
    /// A probability is none.
    #[error("probability {0} is not within 0 to 1")]
    Probability(f64),
}

/// Mean cost per hour when parts are replaced at `age` (cost `planned`) or on failure (cost
/// `failure`).
#[must_use]
pub fn cost_rate(law: Weibull, age: f64, planned: f64, failure: f64) -> f64 {
    let survival = law.survival(age);
    (planned * survival + failure * (1.0 - survival)) / law.mean_life_until(age)
}

/// The age that minimises [`cost_rate`]: the root of
/// `hazard(t) * mean_life_until(t) - F(t) = planned / (failure - planned)`.
///
/// # Errors
/// [`DecisionError::Cost`] if a cost is not above 0.
pub fn age_replacement(
    law: Weibull,
    planned: f64,
    failure: f64,
) -> Result<AgeReplacement, DecisionError> {
    for cost in [planned, failure] {
        if !(cost > 0.0 && cost.is_finite()) {
            return Err(DecisionError::Cost(cost));
        }
    }
    let run_to_failure = failure / law.mean_life_until(law.scale * 1e3_f64.powf(1.0 / law.shape));
    if law.shape <= 1.0 || failure <= planned {
        return Ok(AgeReplacement::RunToFailure { cost_rate: run_to_failure });
    }
    let target = planned / (failure - planned);
    let excess =
        |age: f64| law.hazard(age) * law.mean_life_until(age) + law.survival(age) - 1.0 - target;
    // Beyond a cumulative hazard of 600 no part is left and the two policies are the same.
    let oldest = law.scale * 600.0_f64.powf(1.0 / law.shape);
    if excess(oldest) <= 0.0 {
        return Ok(AgeReplacement::RunToFailure { cost_rate: run_to_failure });
    }
    let (mut low, mut high) = (0.0, oldest);
    for _ in 0..200 {
        let middle = f64::midpoint(low, high);
        if excess(middle) < 0.0 {
            low = middle;
        } else {
            high = middle;
        }
    }
    let age = f64::midpoint(low, high);
    Ok(AgeReplacement::ReplaceAt {
        age,
        cost_rate: cost_rate(law, age, planned, failure),
        run_to_failure_cost_rate: run_to_failure,
    })
}

impl AgeReplacement {
    /// Cost per equivalent hour in the long run.
    #[must_use]
    pub const fn cost_rate(&self) -> f64 {
        match self {
            Self::RunToFailure { cost_rate } | Self::ReplaceAt { cost_rate, .. } => *cost_rate,
        }
    }

    /// How much more a part of age `age` costs than a new one, by this policy.
    #[must_use]
    pub fn relative_cost(&self, law: Weibull, age: f64, planned: f64, failure: f64) -> f64 {
        match *self {
            Self::RunToFailure { cost_rate } => {
                (failure - cost_rate * law.mean_residual_life(age)).max(0.0)
            }
            Self::ReplaceAt { age: best, cost_rate, .. } => {
                if age >= best {
                    return planned;
                }
                let more = best - age;
                let fails = law.conditional_failure(age, more);
                let lived =
                    more * integrate_unit(|share| (-law.hazard_between(age, share * more)).exp());
                failure * fails + planned * (1.0 - fails) - cost_rate * lived
            }
        }
    }
}

/// Law of such a part at its site: covariates and the site's mean frailty multiply the hazard,
/// which divides the scale by their product to the power of one over the shape. `None` for a class
/// that the model does not know.
#[must_use]
pub fn law_at_site(model: &RiskModel, part: &ComponentState, mean_frailty: f64) -> Option<Weibull> {
    let law = model.class(part.class)?;
    let ratio = mean_frailty * model.log_hazard_ratio(&part.covariates).exp();
    Some(Weibull { shape: law.shape, scale: law.scale_hours * ratio.powf(-1.0 / law.shape) })
}

/// Mean heat that a part gathers until the last date of the heat to come, equivalent hours.
#[must_use]
pub fn season_hours(part: &ComponentState, heat: &HeatEnsemble) -> f64 {
    part.heat_rate * heat.means().last().copied().unwrap_or(0.0)
}

/// What a decision about one part weighs. All of it is shown to the office.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct SwapInputs {
    /// Law of such a part at this site (scale moved by covariates and the site's mean frailty).
    pub law: Weibull,
    /// Its heat age now.
    pub age_hours: f64,
    /// Heat to come until the end of the season.
    pub season_hours: f64,
    /// Its probability of failing in the season (the score's, readings included).
    pub failure_probability: f64,
    /// Cost of swapping now.
    pub swap_now_cost: f64,
    /// Cost of a planned swap in a later season on its own visit.
    pub planned_cost: f64,
    /// Cost of a failure at an ordinary time.
    pub failure_cost: f64,
    /// Cost of a failure in this season's heat (overtime, lost goodwill).
    pub hot_failure_cost: f64,
}

/// What to do with a part.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum SwapAdvice {
    /// Replace it on this occasion.
    ReplaceNow,
    /// Leave it in.
    Wait,
}

/// A decision with both sides of the scale.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct SwapDecision {
    /// The cheaper side.
    pub advice: SwapAdvice,
    /// Expected cost of replacing now, the new part's season included.
    pub replace_now_cost: f64,
    /// Expected cost of waiting, with what the older part will cost later.
    pub wait_cost: f64,
    /// Probability that a new part fails in the season.
    pub new_part_failure_probability: f64,
    /// The best policy behind the later costs.
    pub policy: AgeReplacement,
    /// What went in.
    pub inputs: SwapInputs,
}

/// Weighs replacing a part now against waiting until after the season.
///
/// For the sister of a failed part at the same visit give the cost of the twenty minutes more as
/// `swap_now_cost`; the frailty raised by the twin is already in the law and the probability.
///
/// # Errors
/// [`DecisionError`] if a cost or the probability is not possible.
pub fn replace_or_wait(inputs: SwapInputs) -> Result<SwapDecision, DecisionError> {
    if !(0.0..=1.0).contains(&inputs.failure_probability) {
        return Err(DecisionError::Probability(inputs.failure_probability));
    }
    for cost in [inputs.swap_now_cost, inputs.hot_failure_cost] {
        if !(cost > 0.0 && cost.is_finite()) {
            return Err(DecisionError::Cost(cost));
        }
    }
    let policy = age_replacement(inputs.law, inputs.planned_cost, inputs.failure_cost)?;
    let later =
        |age: f64| policy.relative_cost(inputs.law, age, inputs.planned_cost, inputs.failure_cost);
    let season = |probability: f64, age: f64| {
        probability * inputs.hot_failure_cost
            + (1.0 - probability) * later(age + inputs.season_hours)
    };
    let new_part = inputs.law.conditional_failure(0.0, inputs.season_hours);
    let replace_now_cost = inputs.swap_now_cost + season(new_part, 0.0);
    let wait_cost = season(inputs.failure_probability, inputs.age_hours);
    Ok(SwapDecision {
        advice: if replace_now_cost < wait_cost {
            SwapAdvice::ReplaceNow
        } else {
            SwapAdvice::Wait
        },
        replace_now_cost,
        wait_cost,
        new_part_failure_probability: new_part,
        policy,
        inputs,
    })
}

/// Index of the first date by which the probability of failing since the last check exceeds
/// `bound`: the check is due before it. None if it stays below on all dates.
#[must_use]
pub fn next_check_due(probability: &[f64], bound: f64) -> Option<usize> {
    probability.iter().position(|p| *p > bound)
}

/// Expected number of replacements of one position until `age` when parts are replaced on
/// failure only: the renewal function.
///
/// Midpoint Riemann-Stieltjes sums (M. Xie, Technometrics 31 (1989) 77-84) at two step counts,
/// extrapolated.
#[must_use]
pub fn expected_replacements(law: Weibull, age: f64) -> f64 {
    let coarse = renewal_function(law, age, 1000);
    let fine = renewal_function(law, age, 2000);
    fine + (fine - coarse) / 3.0
}

fn renewal_function(law: Weibull, age: f64, steps: u32) -> f64 {
    let count = steps as usize;
    let step = age / f64::from(steps);
    let distribution = |t: f64| -(-law.cumulative_hazard(t)).exp_m1();
    let at = |i: usize| u32::try_from(i).map_or(0.0, f64::from) * step;
    let half: Vec<f64> = (0..count).map(|i| distribution(at(i) + 0.5 * step)).collect();
    let whole: Vec<f64> = (0..=count).map(|i| distribution(at(i))).collect();
    let mut renewals = vec![0.0; count + 1];
    for i in 1..=count {
        let mut sum = whole[i] - half[0] * renewals[i - 1];
        for j in 1..i {
            sum += half[i - j] * (renewals[j] - renewals[j - 1]);
        }
        renewals[i] = sum / (1.0 - half[0]);
    }
    renewals[count]
}

#[cfg(test)]
mod tests {
    use super::*;

    const LAW: Weibull = Weibull { shape: 3.0, scale: 9000.0 };

    fn inputs(age_hours: f64, failure_probability: f64, swap_now_cost: f64) -> SwapInputs {
        SwapInputs {
            law: LAW,
            age_hours,
            season_hours: 900.0,
            failure_probability,
            swap_now_cost,
            planned_cost: 120.0,
            failure_cost: 350.0,
            hot_failure_cost: 600.0,
        }
    }

    #[test]
    fn a_new_part_is_worth_nothing_more_than_a_new_part() {
        let policy = age_replacement(LAW, 120.0, 350.0).unwrap();
        assert!(policy.relative_cost(LAW, 0.0, 120.0, 350.0).abs() < 1e-6 * 120.0);
    }

    #[test]
    fn a_part_at_the_best_age_costs_a_planned_swap() {
        let policy = age_replacement(LAW, 120.0, 350.0).unwrap();
        let AgeReplacement::ReplaceAt { age, .. } = policy else { panic!("{policy:?}") };
        assert!((policy.relative_cost(LAW, age * 0.999_999, 120.0, 350.0) - 120.0).abs() < 0.1);
    }

    #[test]
    fn an_old_part_is_replaced_and_a_young_one_left() {
        let old = replace_or_wait(inputs(9500.0, 0.30, 120.0)).unwrap();
        let young = replace_or_wait(inputs(1500.0, 0.01, 120.0)).unwrap();
        assert_eq!(old.advice, SwapAdvice::ReplaceNow);
        assert_eq!(young.advice, SwapAdvice::Wait);
    }

    #[test]
    fn the_sister_is_worth_replacing_at_the_same_visit_before_a_visit_of_her_own_is() {
        let own_visit = replace_or_wait(inputs(4500.0, 0.05, 120.0)).unwrap();
        let same_visit = replace_or_wait(inputs(4500.0, 0.05, 45.0)).unwrap();
        assert_eq!(own_visit.advice, SwapAdvice::Wait);
        assert_eq!(same_visit.advice, SwapAdvice::ReplaceNow);
    }

    #[test]
    fn the_next_check_is_due_before_the_bound_is_passed() {
        assert_eq!(next_check_due(&[0.01, 0.04, 0.06, 0.1], 0.05), Some(2));
        assert_eq!(next_check_due(&[0.01, 0.04], 0.05), None);
    }
}
