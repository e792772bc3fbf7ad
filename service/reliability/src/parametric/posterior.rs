//! A Weibull law under a prior: mode and Laplace approximation, with few failures or none.

use super::error::ParametricError;
use super::sample::Sample;
use crate::location_scale::Distribution;
use crate::matrix::Matrix;
use crate::newton::{Evaluation, maximise};
use crate::priors::NormalPrior;

/// The posterior mode of a law without covariates under a normal prior on `(ln scale, ln shape)`
/// and its Laplace approximation.
#[derive(Debug, Clone)]
pub struct WeibullPosterior {
    /// Mode of `(ln scale, ln shape)`.
    pub mode: [f64; 2],
    /// Covariance there.
    pub covariance: Matrix,
    /// Log likelihood plus log prior density at the mode.
    pub log_posterior: f64,
    /// Laplace approximation of the log evidence.
    pub log_evidence: f64,
}

/// Log likelihood plus log prior (without its constant) at `(ln scale, ln shape)`.
#[must_use]
pub fn weibull_log_posterior(
    lifetimes: &Sample,
    prior: &NormalPrior,
    log_scale: f64,
    log_shape: f64,
) -> Evaluation {
    let mut at = lifetimes.evaluate(Distribution::Weibull, &[log_scale, -log_shape]);
    // ln sigma = -ln shape.
    at.gradient[1] = -at.gradient[1];
    for (i, j) in [(0, 1), (1, 0)] {
        let value = -at.hessian.get(i, j);
        at.hessian.set(i, j, value);
    }
    at.add(&prior.log_density(&[log_scale, log_shape]));
    at
}

/// Maximum a posteriori of a Weibull law; works without any failure.
///
/// # Errors
/// [`ParametricError::Empty`] and [`ParametricError::NotConverged`].
pub fn weibull_posterior(
    lifetimes: &Sample,
    prior: &NormalPrior,
) -> Result<WeibullPosterior, ParametricError> {
    if lifetimes.lifetimes.is_empty() {
        return Err(ParametricError::Empty);
    }
    let found = maximise(&prior.mean, &[0, 1], |point| {
        weibull_log_posterior(lifetimes, prior, point[0], point[1])
    });
    let factor = found.at.hessian.negated().cholesky();
    let (Some(factor), Some(prior_factor), true) =
        (factor, prior.precision.cholesky(), found.convergence.converged)
    else {
        return Err(ParametricError::NotConverged {
            iterations: found.convergence.iterations,
            largest_gradient: found.convergence.largest_gradient,
        });
    };
    let covariance = found.at.hessian.negated().inverse().unwrap_or_else(|| Matrix::zeros(2));
    let log_two_pi = (2.0 * core::f64::consts::PI).ln();
    let log_posterior = found.at.value + 0.5 * prior_factor.log_determinant() - log_two_pi;
    let log_evidence = log_posterior + log_two_pi - 0.5 * factor.log_determinant();
    Ok(WeibullPosterior {
        mode: [found.point[0], found.point[1]],
        covariance,
        log_posterior,
        log_evidence,
    })
}
