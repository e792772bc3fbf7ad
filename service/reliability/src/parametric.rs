//! Maximum likelihood for log-location-scale lifetimes with any censoring, entry ages, weights
//! and covariates.
//!
//! ```text
//! ln T = b0 + b1 x1 + ... + sigma W
//! ```
//! The log likelihood is the sum of weighted log densities on the original time scale. Parameters
//! are the coefficients and `ln sigma`; the covariance is the inverse observed information.
//!
//! # Sources
//! J. Lawless, Statistical Models and Methods for Lifetime Data, 2nd edition, Wiley 2003, chapter
//! 6; W. Meeker & L. Escobar, Statistical Methods for Reliability Data, Wiley 1998, chapters 8, 17.

mod error;
mod estimates;
mod likelihood;
mod likelihood_ratio;
mod posterior;
mod sample;

use crate::location_scale::Distribution;
use crate::matrix::Matrix;
use crate::newton::{Maximum, maximise};

pub use crate::intervals::{exponential_mean_interval, z_of};
pub use error::ParametricError;
pub use estimates::{Estimate, ParametricFit};
pub use likelihood_ratio::{Target, boundary_p_value, likelihood_ratio_interval};
pub use posterior::{WeibullPosterior, weibull_log_posterior, weibull_posterior};
pub use sample::Sample;

/// Fits by maximum likelihood.
///
/// # Errors
/// [`ParametricError`] for degenerate data and when no maximum is found.
pub fn fit(sample: &Sample, distribution: Distribution) -> Result<ParametricFit, ParametricError> {
    let covariates = sample.check(distribution)?;
    // Centred and scaled covariates make the first steps safe; the answer is mapped back.
    let scaling: Vec<(f64, f64)> = (0..covariates).map(|j| centre_and_spread(sample, j)).collect();
    let scaled = Sample {
        lifetimes: sample.lifetimes.clone(),
        covariates: sample
            .covariates
            .iter()
            .map(|row| row.iter().zip(&scaling).map(|(x, (c, s))| (x - c) / s).collect())
            .collect(),
    };
    let size = covariates + 2;
    let mut start = vec![0.0; size];
    start[0] = start_location(sample);
    start[size - 1] = if distribution.has_fixed_scale() { 0.0 } else { -0.5 };
    let free: Vec<usize> =
        if distribution.has_fixed_scale() { (0..size - 1).collect() } else { (0..size).collect() };
    let found = maximise(&start, &free, |point| scaled.evaluate(distribution, point));
    let information = found.at.hessian.submatrix(&free).negated();
    let Some(inverse) = information.inverse().filter(|_| found.convergence.converged) else {
        return Err(ParametricError::NotConverged {
            iterations: found.convergence.iterations,
            largest_gradient: found.convergence.largest_gradient,
        });
    };
    // A standard deviation of the covariate that moves log life by 100 is no effect but a flat
    // likelihood.
    if let Some(index) = (0..covariates).find(|&j| inverse.get(j + 1, j + 1) > 1e4) {
        return Err(ParametricError::Separated { index });
    }
    Ok(unscaled(sample, distribution, &found, &inverse, &scaling))
}

fn centre_and_spread(sample: &Sample, index: usize) -> (f64, f64) {
    let count = u32::try_from(sample.covariates.len()).map_or(f64::MAX, f64::from);
    let mean = sample.covariates.iter().map(|row| row[index]).sum::<f64>() / count;
    let variance =
        sample.covariates.iter().map(|row| (row[index] - mean).powi(2)).sum::<f64>() / count;
    (mean, variance.sqrt())
}

/// Log of total time over failures: the exponential's answer, a safe start for all.
fn start_location(sample: &Sample) -> f64 {
    let time: f64 = sample.lifetimes.iter().map(|l| l.weight * (l.end_age() - l.entry)).sum();
    let failures: f64 = sample.lifetimes.iter().filter(|l| l.failed()).map(|l| l.weight).sum();
    (time / failures).ln()
}

fn unscaled(
    sample: &Sample,
    distribution: Distribution,
    found: &Maximum,
    inverse: &Matrix,
    scaling: &[(f64, f64)],
) -> ParametricFit {
    let size = scaling.len() + 2;
    let mut full = Matrix::zeros(size);
    for i in 0..inverse.size() {
        for j in 0..inverse.size() {
            full.set(i, j, inverse.get(i, j));
        }
    }
    let mut map = vec![vec![0.0; size]; size];
    map[0][0] = 1.0;
    map[size - 1][size - 1] = 1.0;
    for (j, (centre, spread)) in scaling.iter().enumerate() {
        map[j + 1][j + 1] = 1.0 / spread;
        map[0][j + 1] = -centre / spread;
    }
    let coefficients = map[..size - 1]
        .iter()
        .map(|row| row.iter().zip(&found.point).map(|(a, b)| a * b).sum())
        .collect();
    ParametricFit {
        distribution,
        coefficients,
        sigma: found.point[size - 1].exp(),
        covariance: full.mapped(&map),
        log_likelihood: found.at.value,
        units: sample.lifetimes.iter().map(|l| l.weight).sum(),
        failures: sample.lifetimes.iter().filter(|l| l.failed()).map(|l| l.weight).sum(),
        convergence: found.convergence.clone(),
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;
    use crate::lifetime::Lifetime;

    fn exact(age: f64) -> Lifetime {
        Lifetime::from_bounds(0.0, Some(age), Some(age), 1.0).unwrap()
    }

    fn mixed() -> Sample {
        let row = |entry, lower, upper, weight| {
            Lifetime::from_bounds(entry, lower, upper, weight).unwrap()
        };
        Sample {
            lifetimes: vec![
                exact(3.0),
                row(1.0, Some(4.0), Some(6.0), 2.0),
                row(0.5, Some(7.0), None, 1.0),
                row(0.0, None, Some(2.0), 1.5),
                row(2.0, Some(5.0), Some(5.0), 1.0),
            ],
            covariates: vec![vec![0.2], vec![-1.0], vec![0.7], vec![1.5], vec![0.0]],
        }
    }

    proptest! {
        #[test]
        fn derivatives_agree_with_differences(
            b0 in 0.5_f64..2.5, b1 in -0.5_f64..0.5, s in -1.0_f64..0.5,
        ) {
            use Distribution::{Exponential, Loglogistic, Lognormal, Weibull};
            for law in [Weibull, Lognormal, Loglogistic, Exponential] {
                let sample = mixed();
                let point = [b0, b1, s];
                let here = sample.evaluate(law, &point);
                for i in 0..3 {
                    let moved = |by: f64| {
                        let mut p = point;
                        p[i] += by;
                        sample.evaluate(law, &p)
                    };
                    let (up, down) = (moved(1e-5), moved(-1e-5));
                    let slope = (up.value - down.value) / 2e-5;
                    prop_assert!((slope - here.gradient[i]).abs() < 1e-5 * (1.0 + slope.abs()));
                    for j in 0..3 {
                        let bend = (up.gradient[j] - down.gradient[j]) / 2e-5;
                        prop_assert!(
                            (bend - here.hessian.get(i, j)).abs() < 1e-4 * (1.0 + bend.abs())
                        );
                    }
                }
            }
        }
    }

    #[test]
    fn degenerate_data_are_refused_with_the_reason() {
        let right = |age| Lifetime::from_bounds(0.0, Some(age), None, 1.0).unwrap();
        let refusal = |lifetimes| {
            fit(&Sample::without_covariates(lifetimes), Distribution::Weibull).unwrap_err()
        };
        assert!(matches!(refusal(vec![]), ParametricError::Empty));
        assert!(matches!(refusal(vec![right(3.0), right(4.0)]), ParametricError::NoFailures(2)));
        assert!(matches!(refusal(vec![exact(3.0)]), ParametricError::Degenerate { .. }));
        assert!(matches!(
            refusal(vec![exact(3.0), exact(3.0), right(2.0)]),
            ParametricError::Degenerate { .. }
        ));
    }

    #[test]
    fn a_covariate_that_separates_failures_from_survivors_is_refused() {
        let right = |age| Lifetime::from_bounds(0.0, Some(age), None, 1.0).unwrap();
        let sample = Sample {
            lifetimes: vec![exact(3.0), exact(4.0), exact(6.0), right(7.0), right(8.0), right(9.0)],
            covariates: [0.0, 0.0, 0.0, 1.0, 1.0, 1.0].iter().map(|x| vec![*x]).collect(),
        };
        let refusal = fit(&sample, Distribution::Weibull).unwrap_err();
        assert_eq!(refusal, ParametricError::Separated { index: 0 });
    }

    #[test]
    fn a_constant_covariate_is_named() {
        let sample = Sample {
            lifetimes: vec![exact(3.0), exact(4.0)],
            covariates: vec![vec![1.0, 5.0], vec![2.0, 5.0]],
        };
        let refusal = fit(&sample, Distribution::Weibull).unwrap_err();
        assert_eq!(refusal, ParametricError::ConstantCovariate { index: 1 });
    }
}
