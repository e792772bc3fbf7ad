//! How good predictions were: Brier, log score, concordance, calibration, gain.
//!
//! # Sources
//! E. Graf et al., Statistics in Medicine 18 (1999) 2529-2545 (Brier score with inverse
//! probability of censoring weights); F. Harrell et al., J. Amer. Med. Assoc. 247 (1982)
//! 2543-2546; H. Uno et al., Statistics in Medicine 30 (2011) 1105-1117 (concordance); D. Cox,
//! Biometrika 45 (1958) 562-565 (calibration intercept and slope).

use serde::{Deserialize, Serialize};

use crate::matrix::Matrix;
use crate::newton::{Evaluation, maximise};

/// What happened to one part: the age or day at which watching ended, and whether by a failure.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Outcome {
    /// Time from the prediction to the end.
    pub time: f64,
    /// Whether it failed then.
    pub failed: bool,
    /// Weight.
    pub weight: f64,
}

/// Predictions and outcomes that do not belong together.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
pub enum MetricError {
    /// Another number of predictions than outcomes.
    #[error("{predictions} predictions for {outcomes} outcomes")]
    Lengths {
        /// Predictions.
        predictions: usize,
        /// Outcomes.
        outcomes: usize,
    },
    /// Too little to say anything.
    #[error("too few failures or survivors to judge this")]
    TooFew,
    /// A probability outside 0 to 1.
    #[error("prediction {0} is no probability between 0 and 1")]
    Probability(usize),
}

fn same_length(predictions: usize, outcomes: usize) -> Result<(), MetricError> {
    if predictions == outcomes {
        Ok(())
    } else {
        Err(MetricError::Lengths { predictions, outcomes })
    }
}

/// Kaplan-Meier of the censoring time. Failures leave the risk set before censorings at the same
/// time.
struct Censoring {
    steps: Vec<(f64, f64)>,
}

impl Censoring {
    fn new(outcomes: &[Outcome]) -> Self {
        let mut sorted: Vec<&Outcome> = outcomes.iter().collect();
        sorted.sort_by(|a, b| a.time.total_cmp(&b.time).then(b.failed.cmp(&a.failed)));
        let mut at_risk: f64 = sorted.iter().map(|o| o.weight).sum();
        let mut survival = 1.0;
        let mut steps: Vec<(f64, f64)> = Vec::new();
        for outcome in sorted {
            if !outcome.failed && at_risk > 0.0 {
                survival *= 1.0 - outcome.weight / at_risk;
                steps.push((outcome.time, survival));
            }
            at_risk -= outcome.weight;
        }
        Self { steps }
    }

    /// Probability of not being censored up to and including `time`.
    fn at(&self, time: f64) -> f64 {
        let count = self.steps.partition_point(|(t, _)| *t <= time);
        count.checked_sub(1).map_or(1.0, |i| self.steps[i].1)
    }

    /// ... up to but not including `time`.
    fn just_before(&self, time: f64) -> f64 {
        let count = self.steps.partition_point(|(t, _)| *t < time);
        count.checked_sub(1).map_or(1.0, |i| self.steps[i].1)
    }
}

/// Brier score at `horizon` of predicted survivals, weighted for censoring: failures by the
/// censoring survival just before their time, survivors by that at the horizon.
///
/// # Errors
/// [`MetricError`].
pub fn brier_score(
    outcomes: &[Outcome],
    survival: &[f64],
    horizon: f64,
) -> Result<f64, MetricError> {
    same_length(survival.len(), outcomes.len())?;
    let censoring = Censoring::new(outcomes);
    let at_horizon = censoring.at(horizon);
    let total: f64 = outcomes.iter().map(|o| o.weight).sum();
    let sum: f64 = outcomes
        .iter()
        .zip(survival)
        .map(|(outcome, s)| {
            if outcome.time <= horizon && outcome.failed {
                outcome.weight * s * s / censoring.just_before(outcome.time)
            } else if outcome.time > horizon {
                outcome.weight * (1.0 - s).powi(2) / at_horizon
            } else {
                0.0
            }
        })
        .sum();
    if total > 0.0 && sum.is_finite() { Ok(sum / total) } else { Err(MetricError::TooFew) }
}

/// Mean of scores over their horizons by the trapezium rule.
#[must_use]
pub fn integrated(horizons: &[f64], scores: &[f64]) -> f64 {
    let area: f64 = horizons
        .windows(2)
        .zip(scores.windows(2))
        .map(|(t, s)| 0.5 * (s[0] + s[1]) * (t[1] - t[0]))
        .sum();
    let (Some(first), Some(last)) = (horizons.first(), horizons.last()) else { return 0.0 };
    area / (last - first)
}

/// Mean of `-ln` of the probability given to what happened (no censoring before the horizon).
///
/// # Errors
/// [`MetricError`].
pub fn log_score(failed: &[bool], probability: &[f64]) -> Result<f64, MetricError> {
    same_length(probability.len(), failed.len())?;
    let count = u32::try_from(failed.len()).map_or(f64::MAX, f64::from);
    let sum: f64 = failed
        .iter()
        .zip(probability)
        .map(|(&failed, p)| if failed { -p.ln() } else { -(-p).ln_1p() })
        .sum();
    if failed.is_empty() { Err(MetricError::TooFew) } else { Ok(sum / count) }
}

/// Weighted counts of comparable pairs.
#[derive(Debug, Clone, Copy, PartialEq, Default, Serialize, Deserialize)]
pub struct Concordance {
    /// The one that failed first had the higher risk.
    pub concordant: f64,
    /// ... the lower risk.
    pub discordant: f64,
    /// The same risk.
    pub tied: f64,
}

impl Concordance {
    /// Share of pairs in the right order, ties counting one half.
    #[must_use]
    pub fn index(&self) -> f64 {
        let total = self.concordant + self.discordant + self.tied;
        (self.concordant + 0.5 * self.tied) / total
    }
}

/// Harrell's pairs: `i` failed and `j` has a longer time, or the same time and is censored. Pairs
/// count the product of their weights.
///
/// # Errors
/// [`MetricError`].
pub fn concordance(outcomes: &[Outcome], risk: &[f64]) -> Result<Concordance, MetricError> {
    pairs(outcomes, risk, |outcome| outcome.weight, |_| true)
}

/// Uno's concordance up to `horizon`: pairs weighted by the inverse squared censoring survival
/// just before the failure, so that it does not depend on how long parts were watched.
///
/// # Errors
/// [`MetricError`].
pub fn uno_concordance(
    outcomes: &[Outcome],
    risk: &[f64],
    horizon: f64,
) -> Result<Concordance, MetricError> {
    let censoring = Censoring::new(outcomes);
    pairs(
        outcomes,
        risk,
        |outcome| outcome.weight / censoring.just_before(outcome.time).powi(2),
        |outcome| outcome.time < horizon,
    )
}

fn pairs(
    outcomes: &[Outcome],
    risk: &[f64],
    weight_of_first: impl Fn(&Outcome) -> f64,
    counts: impl Fn(&Outcome) -> bool,
) -> Result<Concordance, MetricError> {
    same_length(risk.len(), outcomes.len())?;
    let mut found = Concordance::default();
    for (first, first_risk) in outcomes.iter().zip(risk).filter(|(o, _)| o.failed && counts(o)) {
        let weight = weight_of_first(first);
        for (second, second_risk) in outcomes.iter().zip(risk) {
            let later = second.time > first.time
                || (second.time.total_cmp(&first.time).is_eq() && !second.failed);
            if later {
                let pair = weight * second.weight;
                match first_risk.total_cmp(second_risk) {
                    core::cmp::Ordering::Greater => found.concordant += pair,
                    core::cmp::Ordering::Less => found.discordant += pair,
                    core::cmp::Ordering::Equal => found.tied += pair,
                }
            }
        }
    }
    if found.concordant + found.discordant + found.tied > 0.0 {
        Ok(found)
    } else {
        Err(MetricError::TooFew)
    }
}

/// Logistic regression of the outcome on the logit of the prediction.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Calibration {
    /// Intercept when the slope is free.
    pub intercept: f64,
    /// Slope; 1 is right, below 1 means predictions too extreme.
    pub slope: f64,
    /// Standard error of the slope.
    pub slope_error: f64,
    /// Intercept when the slope is held at 1 (calibration in the large).
    pub in_the_large: f64,
}

/// Calibration of probabilities against what happened.
///
/// # Errors
/// [`MetricError`] if lengths differ, a prediction is 0, 1 or no probability, or there are only
/// failures or none.
pub fn calibration(failed: &[bool], probability: &[f64]) -> Result<Calibration, MetricError> {
    same_length(probability.len(), failed.len())?;
    if let Some(wrong) = probability.iter().position(|p| !(*p > 0.0 && *p < 1.0)) {
        return Err(MetricError::Probability(wrong));
    }
    let failures = failed.iter().filter(|f| **f).count();
    if failures == 0 || failures == failed.len() {
        return Err(MetricError::TooFew);
    }
    let logits: Vec<f64> = probability.iter().map(|p| (p / (1.0 - p)).ln()).collect();
    let likelihood = |point: &[f64]| {
        let mut total =
            Evaluation { value: 0.0, gradient: vec![0.0; 2], hessian: Matrix::zeros(2) };
        for (&failed, logit) in failed.iter().zip(&logits) {
            let score = point[0] + point[1] * logit;
            let p = 1.0 / (1.0 + (-score).exp());
            let y = f64::from(u8::from(failed));
            total.value += if failed { -(-score).exp().ln_1p() } else { -score.exp().ln_1p() };
            let x = [1.0, *logit];
            for i in 0..2 {
                total.gradient[i] += (y - p) * x[i];
                for j in 0..2 {
                    total.hessian.add(i, j, -p * (1.0 - p) * x[i] * x[j]);
                }
            }
        }
        total
    };
    let both = maximise(&[0.0, 1.0], &[0, 1], likelihood);
    let level = maximise(&[0.0, 1.0], &[0], likelihood);
    let mut information = Matrix::zeros(2);
    for i in 0..2 {
        for j in 0..2 {
            information.set(i, j, -both.at.hessian.get(i, j));
        }
    }
    let (true, Some(covariance)) = (both.convergence.converged, information.inverse()) else {
        return Err(MetricError::TooFew);
    };
    Ok(Calibration {
        intercept: both.point[0],
        slope: both.point[1],
        slope_error: covariance.get(1, 1).sqrt(),
        in_the_large: level.point[0],
    })
}

/// Share of all failures found among the first `share` of parts when visited from the highest
/// risk down; ties are met in proportion.
///
/// # Errors
/// [`MetricError`].
pub fn gain(failed: &[bool], risk: &[f64], share: f64) -> Result<f64, MetricError> {
    same_length(risk.len(), failed.len())?;
    let total = failed.iter().filter(|f| **f).count();
    if total == 0 {
        return Err(MetricError::TooFew);
    }
    let number = |n: usize| u32::try_from(n).map_or(f64::MAX, f64::from);
    let mut order: Vec<usize> = (0..risk.len()).collect();
    order.sort_by(|&a, &b| risk[b].total_cmp(&risk[a]));
    let mut left = share * number(risk.len());
    let mut found = 0.0;
    let mut start = 0;
    while start < order.len() && left > 0.0 {
        let tied = order[start..]
            .iter()
            .take_while(|&&i| risk[i].total_cmp(&risk[order[start]]).is_eq())
            .count();
        let failures = order[start..start + tied].iter().filter(|&&i| failed[i]).count();
        let met = (left / number(tied)).min(1.0);
        found += met * number(failures);
        left -= number(tied);
        start += tied;
    }
    Ok(found / number(total))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn gain_at_random_order_is_the_share_itself() {
        let failed = [true, false, false, true, false, false, true, false, false, false];
        let same = [0.3; 10];
        assert!((gain(&failed, &same, 0.2).unwrap() - 0.2).abs() < 1e-12);
        let perfect: Vec<f64> = failed.iter().map(|f| f64::from(u8::from(*f))).collect();
        assert!((gain(&failed, &perfect, 0.3).unwrap() - 1.0).abs() < 1e-12);
    }

    #[test]
    fn without_censoring_uno_and_harrell_agree() {
        let outcomes: Vec<Outcome> = [3.0, 1.0, 4.0, 1.5, 5.0]
            .iter()
            .map(|&time| Outcome { time, failed: true, weight: 1.0 })
            .collect();
        let risk = [0.2, 0.9, 0.4, 0.5, 0.1];
        let plain = concordance(&outcomes, &risk).unwrap().index();
        assert!((uno_concordance(&outcomes, &risk, 10.0).unwrap().index() - plain).abs() < 1e-12);
    }
}
