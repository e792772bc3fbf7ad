//! Intervals and tests by the rise of the log likelihood.

use super::estimates::ParametricFit;
use super::sample::Sample;
use crate::intervals::chi_square_quantile;
use crate::location_scale::Distribution;
use crate::newton::{Evaluation, maximise};

/// What a likelihood-ratio interval is asked for.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Target {
    /// The age by which this share fails.
    Quantile(f64),
    /// `sigma` (invert for the Weibull shape).
    Sigma,
}

/// Likelihood-ratio interval of a fit without covariates: all values whose profile log likelihood
/// lies within half the chi-square quantile of the maximum. It does not lean on the normal
/// approximation and is the one to show when failures are few.
#[must_use]
pub fn likelihood_ratio_interval(
    sample: &Sample,
    fit: &ParametricFit,
    target: Target,
    confidence: f64,
) -> [f64; 2] {
    let drop = 0.5 * chi_square_quantile(confidence, 1.0);
    let log_sigma = fit.sigma.ln();
    // Coordinates: the log of the target first, the other parameter second.
    let (centre, other, error, w) = match target {
        Target::Sigma => (log_sigma, fit.coefficients[0], fit.log_sigma_error(), 0.0),
        Target::Quantile(p) => {
            let w = fit.distribution.quantile(p);
            let at = fit.quantile(p, &[], confidence);
            (at.value.ln(), log_sigma, at.standard_error / at.value, w)
        }
    };
    let profile = |value: f64, start: f64| {
        let found = maximise(&[value, start], &[1], |point| match target {
            Target::Sigma => swapped(sample.evaluate(fit.distribution, &[point[1], point[0]])),
            Target::Quantile(_) => moved_by_sigma(sample, fit.distribution, point, w),
        });
        (found.at.value - fit.log_likelihood + drop, found.point[1])
    };
    [-1.0, 1.0].map(|side| {
        let (mut inside, mut step, mut start) = (centre, error * side, other);
        let mut outside = centre + step;
        for _ in 0..60 {
            let (height, found) = profile(outside, start);
            if height < 0.0 {
                break;
            }
            start = found;
            inside = outside;
            step *= 1.5;
            outside += step;
        }
        for _ in 0..60 {
            let middle = f64::midpoint(inside, outside);
            let (height, found) = profile(middle, start);
            if height > 0.0 {
                inside = middle;
                start = found;
            } else {
                outside = middle;
            }
        }
        f64::midpoint(inside, outside).exp()
    })
}

fn swapped(mut at: Evaluation) -> Evaluation {
    at.gradient.swap(0, 1);
    let (a, b) = (at.hessian.get(0, 0), at.hessian.get(1, 1));
    at.hessian.set(0, 0, b);
    at.hessian.set(1, 1, a);
    at
}

/// The likelihood in coordinates (log quantile, ln sigma): `mu = log quantile - w sigma`.
fn moved_by_sigma(
    sample: &Sample,
    distribution: Distribution,
    point: &[f64],
    w: f64,
) -> Evaluation {
    let shift = w * point[1].exp();
    let mut at = sample.evaluate(distribution, &[point[0] - shift, point[1]]);
    let (mu, h00, h01) = (at.gradient[0], at.hessian.get(0, 0), at.hessian.get(0, 1));
    at.gradient[1] -= shift * mu;
    at.hessian.add(1, 1, -2.0 * shift * h01 + shift * shift * h00 - shift * mu);
    at.hessian.set(0, 1, h01 - shift * h00);
    at.hessian.set(1, 0, h01 - shift * h00);
    at
}

/// Test of no frailty: twice the rise of log likelihood is 0 with probability one half and
/// chi-square with one degree of freedom otherwise (S. Self & K. Liang, J. Amer. Stat. Assoc. 82
/// (1987) 605-610).
#[must_use]
pub fn boundary_p_value(likelihood_ratio: f64) -> f64 {
    if likelihood_ratio <= 0.0 {
        return 1.0;
    }
    // Half of P(chi2_1 > x) is the upper normal tail at its root.
    Distribution::Lognormal.log_survival(likelihood_ratio.sqrt()).exp()
}
