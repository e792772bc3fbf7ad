//! Weibull hazard with one frailty per group, by maximum likelihood: for plain tables where
//! [`crate::risk_model`] would need to know the trade.

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};

use crate::frailty_law::FrailtyLaw;
use crate::lifetime::Lifetime;
use crate::matrix::Matrix;
use crate::newton::Convergence;
use crate::parametric::ParametricError;
use crate::risk_model::{covariance_of, fit_grouped};
use crate::shared_frailty::{GroupedLifetimes, GroupedUnit, Layout};

/// One lifetime of a group.
#[derive(Debug, Clone, PartialEq)]
pub struct FrailtyUnit {
    /// Name of the group whose frailty it shares.
    pub group: String,
    /// The lifetime; its weight must be 1, since a weighted unit has no place in a group.
    pub lifetime: Lifetime,
    /// Covariates.
    pub covariates: Vec<f64>,
}

/// A fitted shared-frailty model.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct FrailtyFit {
    /// Whether the shape was held at 1 (exponential hazard).
    pub shape_fixed: bool,
    /// Weibull scale at frailty 1 and covariates 0.
    pub scale: f64,
    /// Weibull shape.
    pub shape: f64,
    /// Log hazard ratios.
    pub coefficients: Vec<f64>,
    /// Variance of the frailty (log-normal: of its logarithm); exactly 0 when the data show none.
    pub frailty_variance: f64,
    /// Covariance of (log scale, log shape, coefficients, log variance); rows of what was held
    /// or vanished are 0.
    pub covariance: Matrix,
    /// Log likelihood.
    pub log_likelihood: f64,
    /// Log likelihood of the same model without frailty.
    pub log_likelihood_without_frailty: f64,
    /// Posterior mean of every group's frailty.
    pub frailty_means: BTreeMap<String, f64>,
    /// Lifetimes.
    pub units: usize,
    /// Failures.
    pub failures: usize,
    /// How the search ended.
    pub convergence: Convergence,
}

impl FrailtyFit {
    /// Standard error of parameter `index` of the covariance.
    #[must_use]
    pub fn error(&self, index: usize) -> f64 {
        self.covariance.get(index, index).sqrt()
    }
}

/// Fits with a gamma frailty; `shape_fixed` holds the shape at 1.
///
/// # Errors
/// [`ParametricError`] for degenerate data and when no maximum is found.
pub fn fit_weibull_frailty(
    units: &[FrailtyUnit],
    shape_fixed: bool,
) -> Result<FrailtyFit, ParametricError> {
    fit_weibull_frailty_under(FrailtyLaw::Gamma, units, shape_fixed)
}

/// As [`fit_weibull_frailty`] under any law of the frailty. Under a log-normal one the variance is
/// that of the logarithm, and scale and coefficients are those of a group of median frailty.
///
/// # Errors
/// As [`fit_weibull_frailty`].
pub fn fit_weibull_frailty_under(
    law: FrailtyLaw,
    units: &[FrailtyUnit],
    shape_fixed: bool,
) -> Result<FrailtyFit, ParametricError> {
    let covariates = check(units)?;
    let layout = Layout { classes: 1, covariates };
    let spreads: Vec<f64> = (0..covariates).map(|j| spread(units, j)).collect();
    let scaled: Vec<Vec<f64>> = units
        .iter()
        .map(|u| u.covariates.iter().zip(&spreads).map(|(x, s)| x / s).collect())
        .collect();
    let names = group_indices(units);
    let data = grouped(units, &scaled, &names, layout).under(law);
    let last = layout.frailty();
    let free: Vec<usize> = (0..layout.len()).filter(|&i| i != 1 || !shape_fixed).collect();
    let without: Vec<usize> = free.iter().copied().filter(|&i| i != last).collect();
    let mut start = vec![0.0; layout.len()];
    start[0] = start_scale(units);
    start[last] = f64::NEG_INFINITY;
    let null = fit_grouped(&data, None, &start, &without);
    let full = fit_grouped(&data, None, &null.point, &free);
    for found in [&null, &full] {
        if !found.convergence.converged {
            return Err(ParametricError::NotConverged {
                iterations: found.convergence.iterations,
                largest_gradient: found.convergence.largest_gradient,
            });
        }
    }
    let mut map = vec![vec![0.0; layout.len()]; layout.len()];
    for (i, row) in map.iter_mut().enumerate() {
        row[i] = if (2..last).contains(&i) { 1.0 / spreads[i - 2] } else { 1.0 };
    }
    let mut at = full.clone();
    if shape_fixed {
        // The fixed shape must not look like a parameter that the data determine.
        at.at.hessian = held(&at.at.hessian, 1);
    }
    let scaled_covariance = covariance_of(&at, layout);
    if let Some(index) = (0..covariates).find(|&j| scaled_covariance.get(j + 2, j + 2) > 1e4) {
        return Err(ParametricError::Separated { index });
    }
    let means = data.frailty_means(&full.point);
    Ok(FrailtyFit {
        shape_fixed,
        scale: full.point[0].exp(),
        shape: full.point[1].exp(),
        coefficients: (0..covariates).map(|j| full.point[j + 2] / spreads[j]).collect(),
        frailty_variance: full.point[last].exp(),
        covariance: scaled_covariance.mapped(&map),
        log_likelihood: full.at.value,
        log_likelihood_without_frailty: null.at.value,
        frailty_means: names.into_iter().map(|(name, i)| (name.to_owned(), means[i])).collect(),
        units: units.len(),
        failures: units.iter().filter(|u| u.lifetime.failed()).count(),
        convergence: full.convergence,
    })
}

/// Every group with its place in the order of names.
pub(crate) fn group_indices(units: &[FrailtyUnit]) -> BTreeMap<&str, usize> {
    let mut sorted: Vec<&str> = units.iter().map(|u| u.group.as_str()).collect();
    sorted.sort_unstable();
    sorted.dedup();
    sorted.into_iter().enumerate().map(|(i, name)| (name, i)).collect()
}

fn grouped(
    units: &[FrailtyUnit],
    scaled: &[Vec<f64>],
    names: &BTreeMap<&str, usize>,
    layout: Layout,
) -> GroupedLifetimes {
    let grouped: Vec<GroupedUnit<'_>> = units
        .iter()
        .zip(scaled)
        .map(|(unit, covariates)| GroupedUnit {
            group: names[unit.group.as_str()],
            class: 0,
            lifetime: unit.lifetime,
            covariates,
        })
        .collect();
    GroupedLifetimes::new(layout, &grouped)
}

fn held(hessian: &Matrix, index: usize) -> Matrix {
    let mut result = hessian.clone();
    for i in 0..hessian.size() {
        result.set(i, index, 0.0);
        result.set(index, i, 0.0);
    }
    result
}

/// The number of covariates, if the units can be fitted.
pub(crate) fn check(units: &[FrailtyUnit]) -> Result<usize, ParametricError> {
    let Some(first) = units.first() else { return Err(ParametricError::Empty) };
    let expected = first.covariates.len();
    for (row, unit) in units.iter().enumerate() {
        if unit.covariates.len() != expected || !unit.covariates.iter().all(|x| x.is_finite()) {
            let found = unit.covariates.len();
            return Err(ParametricError::Covariates { row, found, expected });
        }
        if (unit.lifetime.weight - 1.0).abs() > 1e-12 {
            return Err(ParametricError::WeightInGroup { row, weight: unit.lifetime.weight });
        }
    }
    if !units.iter().any(|u| u.lifetime.failed()) {
        return Err(ParametricError::NoFailures(units.len()));
    }
    let constant =
        |j: usize| units.iter().all(|u| (u.covariates[j] - first.covariates[j]).abs() < 1e-12);
    if let Some(index) = (0..expected).find(|&j| constant(j)) {
        return Err(ParametricError::ConstantCovariate { index });
    }
    Ok(expected)
}

/// Standard deviation of a covariate.
pub(crate) fn spread(units: &[FrailtyUnit], index: usize) -> f64 {
    let count = u32::try_from(units.len()).map_or(f64::MAX, f64::from);
    let mean = units.iter().map(|u| u.covariates[index]).sum::<f64>() / count;
    (units.iter().map(|u| (u.covariates[index] - mean).powi(2)).sum::<f64>() / count).sqrt()
}

fn start_scale(units: &[FrailtyUnit]) -> f64 {
    let time: f64 = units.iter().map(|u| u.lifetime.end_age() - u.lifetime.entry).sum();
    let failures = units.iter().filter(|u| u.lifetime.failed()).count();
    (time / u32::try_from(failures).map_or(f64::MAX, f64::from)).ln()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn unit(group: usize, age: f64, failed: bool) -> FrailtyUnit {
        FrailtyUnit {
            group: format!("{group}"),
            lifetime: Lifetime::from_bounds(0.0, Some(age), failed.then_some(age), 1.0).unwrap(),
            covariates: Vec::new(),
        }
    }

    #[test]
    fn groups_that_are_more_alike_than_chance_have_a_frailty_variance_of_zero() {
        // Each group has one early and one late failure: the opposite of sharing a frailty.
        let units: Vec<FrailtyUnit> = (0..30)
            .flat_map(|g| {
                let shift = 0.1 * f64::from(u32::try_from(g).unwrap());
                [unit(g, 2.0 + shift, true), unit(g, 9.0 - shift, true)]
            })
            .collect();
        let fitted = fit_weibull_frailty(&units, false).unwrap();
        assert!(fitted.frailty_variance.abs() < 1e-300);
        let gain = fitted.log_likelihood - fitted.log_likelihood_without_frailty;
        assert!(gain.abs() < 1e-9);
        assert!(fitted.error(2).abs() < 1e-300 && fitted.error(1) > 0.0);
    }

    #[test]
    fn a_weight_in_a_group_is_refused() {
        let mut units = vec![unit(1, 2.0, true), unit(1, 3.0, false)];
        units[1].lifetime.weight = 2.0;
        let refusal = fit_weibull_frailty(&units, false).unwrap_err();
        assert!(matches!(refusal, ParametricError::WeightInGroup { row: 1, .. }));
    }
}
