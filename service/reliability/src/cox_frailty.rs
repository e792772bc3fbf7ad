//! Proportional hazards without a law of life, with one gamma frailty per group: a foil for the
//! Weibull form. If its coefficients and frailty variance differ much, the Weibull form is wrong.
//!
//! The baseline is Breslow's step function. For a given frailty variance, coefficients and
//! baseline are found by expectation-maximisation: the posterior mean of every group's frailty
//! enters the partial likelihood as an offset. The variance then maximises the profile of the
//! marginal likelihood.
//!
//! The log likelihood is on the scale of the partial likelihood: Breslow's terms for ties (the
//! sum of `d ln d - d` over failure ages) are left out, so that it tends to the log partial
//! likelihood of the Cox model as the variance vanishes.
//!
//! # Sources
//! J. Klein, Biometrics 48 (1992) 795-806; T. Therneau & P. Grambsch, Modeling Survival Data,
//! Springer 2000, chapter 9; T. Balan & H. Putter, J. Stat. Softw. 90 (2019) issue 7.

mod partial;

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};

use crate::frailty_fit::{FrailtyUnit, check, group_indices};
use crate::gamma_mixture::LogTransform;
use crate::intervals::chi_square_quantile;
use crate::lifetime::Observation;
use crate::parametric::ParametricError;
use partial::RiskOrder;

/// Variances within which the maximum is looked for, as logarithms.
const LOG_VARIANCES: core::ops::RangeInclusive<i32> = -9..=4;
const MOST_ROUNDS: usize = 20_000;
const SETTLED: f64 = 1e-11;

/// A fitted Cox model with shared gamma frailty.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct CoxFrailtyFit {
    /// Log hazard ratios.
    pub coefficients: Vec<f64>,
    /// Variance of the frailty; exactly 0 when the data show none.
    pub frailty_variance: f64,
    /// Likelihood-ratio interval of the variance at the level asked for.
    pub frailty_variance_interval: [f64; 2],
    /// Marginal log likelihood.
    pub log_likelihood: f64,
    /// Log partial likelihood of the Cox model without frailty.
    pub log_likelihood_without_frailty: f64,
    /// Posterior mean of every group's frailty.
    pub frailty_means: BTreeMap<String, f64>,
}

/// Why there is no fit.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum CoxFrailtyError {
    /// Degenerate data, or no maximum.
    #[error(transparent)]
    Data(#[from] ParametricError),
    /// An interval end or an entry age, which this method does not know.
    #[error(
        "lifetime {0} ends in an interval or begins at an entry age; this method needs exact or right-censored ends, watched from new"
    )]
    Kind(usize),
}

/// Fits; `confidence` is the level of the variance's interval.
///
/// # Errors
/// [`CoxFrailtyError`] names the lifetime at fault.
pub fn fit_cox_frailty(
    units: &[FrailtyUnit],
    confidence: f64,
) -> Result<CoxFrailtyFit, CoxFrailtyError> {
    check(units)?;
    let plain = |u: &FrailtyUnit| {
        u.lifetime.entry <= 0.0 && !matches!(u.lifetime.observation, Observation::Interval { .. })
    };
    if let Some(row) = units.iter().position(|unit| !plain(unit)) {
        return Err(CoxFrailtyError::Kind(row));
    }
    let names = group_indices(units);
    let profile = Profile { order: RiskOrder::new(units, &names), groups: names.len() };
    let null = profile.at(0.0)?;
    let found = profile.maximum(&null)?;
    let interval = profile.interval(&null, &found, confidence)?;
    Ok(CoxFrailtyFit {
        coefficients: profile.order.unscaled(&found.coefficients),
        frailty_variance: found.variance,
        frailty_variance_interval: interval,
        log_likelihood: found.log_likelihood,
        log_likelihood_without_frailty: null.log_likelihood,
        frailty_means: names
            .into_iter()
            .map(|(name, group)| (name.to_owned(), found.frailties[group]))
            .collect(),
    })
}

/// The best coefficients and baseline for one variance.
struct Settled {
    variance: f64,
    coefficients: Vec<f64>,
    frailties: Vec<f64>,
    log_likelihood: f64,
}

/// The marginal likelihood as a function of the variance alone.
struct Profile {
    order: RiskOrder,
    groups: usize,
}

impl Profile {
    fn at(&self, variance: f64) -> Result<Settled, ParametricError> {
        let mut frailties = vec![1.0; self.groups];
        let mut coefficients = vec![0.0; self.order.covariates()];
        let mut before = f64::NEG_INFINITY;
        for _ in 0..MOST_ROUNDS {
            coefficients = self.order.best_coefficients(&coefficients, &frailties)?;
            let baseline = self.order.baseline(&coefficients, &frailties);
            let hazards = self.order.group_hazards(&coefficients, &baseline, self.groups);
            let failures = self.order.group_failures(self.groups);
            let mut value = self.order.log_hazards_of_failures(&coefficients, &baseline);
            for ((frailty, hazard), &failed) in frailties.iter_mut().zip(&hazards).zip(&failures) {
                let count = f64::from(failed);
                value += LogTransform::new(*hazard, count, variance).value;
                value += (0..failed).map(|j| (variance * f64::from(j)).ln_1p()).sum::<f64>();
                *frailty = (1.0 + variance * count) / (1.0 + variance * hazard);
            }
            if (value - before).abs() < SETTLED {
                return Ok(Settled { variance, coefficients, frailties, log_likelihood: value });
            }
            before = value;
        }
        Err(ParametricError::NotConverged { iterations: MOST_ROUNDS, largest_gradient: f64::NAN })
    }

    /// The highest point of a grid over the log variance, then golden sections around it.
    fn maximum(&self, null: &Settled) -> Result<Settled, ParametricError> {
        let mut best = (0.0, null.log_likelihood);
        for log_variance in LOG_VARIANCES.map(f64::from) {
            let height = self.at(log_variance.exp())?.log_likelihood;
            if height > best.1 {
                best = (log_variance, height);
            }
        }
        if best.1 <= null.log_likelihood {
            return self.at(0.0);
        }
        let (mut low, mut high) = (best.0 - 1.0, best.0 + 1.0);
        let golden = 0.5 * (5.0_f64.sqrt() - 1.0);
        let height = |log_variance: f64| self.at(log_variance.exp()).map(|at| at.log_likelihood);
        let (mut left, mut right) = (high - golden * (high - low), low + golden * (high - low));
        let (mut left_height, mut right_height) = (height(left)?, height(right)?);
        while high - low > 1e-6 {
            if left_height > right_height {
                (high, right, right_height) = (right, left, left_height);
                left = high - golden * (high - low);
                left_height = height(left)?;
            } else {
                (low, left, left_height) = (left, right, right_height);
                right = low + golden * (high - low);
                right_height = height(right)?;
            }
        }
        self.at(f64::midpoint(low, high).exp())
    }

    fn interval(
        &self,
        null: &Settled,
        found: &Settled,
        confidence: f64,
    ) -> Result<[f64; 2], ParametricError> {
        let limit = found.log_likelihood - 0.5 * chi_square_quantile(confidence, 1.0);
        let inside =
            |variance: f64| self.at(variance).map(|settled| settled.log_likelihood > limit);
        let low =
            if null.log_likelihood > limit { 0.0 } else { crossing(found.variance, 0.0, inside)? };
        let mut outside = found.variance.max(0.1);
        while inside(outside)? {
            outside *= 2.0;
        }
        Ok([low, crossing(found.variance, outside, inside)?])
    }
}

/// Where a profile that is above its limit at `inside` and below it at `outside` crosses it.
fn crossing(
    mut inside: f64,
    mut outside: f64,
    is_inside: impl Fn(f64) -> Result<bool, ParametricError>,
) -> Result<f64, ParametricError> {
    while (outside - inside).abs() > 1e-6 {
        let middle = f64::midpoint(inside, outside);
        if is_inside(middle)? {
            inside = middle;
        } else {
            outside = middle;
        }
    }
    Ok(f64::midpoint(inside, outside))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::lifetime::Lifetime;

    fn unit(group: u32, age: f64, failed: bool, x: f64) -> FrailtyUnit {
        FrailtyUnit {
            group: format!("{group}"),
            lifetime: Lifetime::from_bounds(0.0, Some(age), failed.then_some(age), 1.0).unwrap(),
            covariates: vec![x],
        }
    }

    #[test]
    fn groups_that_are_more_alike_than_chance_have_a_frailty_variance_of_zero() {
        let units: Vec<FrailtyUnit> = (0..30)
            .flat_map(|g| {
                let shift = 0.1 * f64::from(g);
                let x = f64::from(g % 3);
                [unit(g, 2.0 + shift, true, x), unit(g, 9.0 - shift, true, x)]
            })
            .collect();
        let fitted = fit_cox_frailty(&units, 0.95).unwrap();
        assert!(fitted.frailty_variance.abs() < 1e-300);
        assert!(fitted.frailty_variance_interval[0].abs() < 1e-300);
        assert!(fitted.frailty_variance_interval[1] > 0.0);
        let gain = fitted.log_likelihood - fitted.log_likelihood_without_frailty;
        assert!(gain.abs() < 1e-9);
    }

    #[test]
    fn a_covariate_that_orders_the_failures_perfectly_is_refused() {
        // The partial likelihood is e^b / (e^b + 1) and rises for ever.
        let units = [unit(1, 1.0, true, 1.0), unit(2, 2.0, true, 0.0)];
        let refusal = fit_cox_frailty(&units, 0.95).unwrap_err();
        assert!(matches!(refusal, CoxFrailtyError::Data(ParametricError::Separated { index: 0 })));
    }

    #[test]
    fn an_entry_age_is_refused_with_its_row() {
        let mut units = vec![unit(1, 2.0, true, 0.0), unit(1, 3.0, false, 1.0)];
        units[1].lifetime = Lifetime::from_bounds(1.0, Some(3.0), None, 1.0).unwrap();
        assert_eq!(fit_cox_frailty(&units, 0.95).unwrap_err(), CoxFrailtyError::Kind(1));
    }
}
