//! The highest point of likelihood times prior, the frailty's boundary included.

use crate::matrix::Matrix;
use crate::newton::{Evaluation, Maximum, maximise};
use crate::priors::NormalPrior;
use crate::shared_frailty::{GroupedLifetimes, Layout};

/// Every index of the layout.
#[must_use]
pub(super) fn all_free(layout: Layout) -> Vec<usize> {
    (0..layout.len()).collect()
}

/// Maximises likelihood times prior (or likelihood alone) over the `free` parameters.
///
/// Without a prior the frailty variance may lie on its boundary: the fit without frailty is made
/// first, and when the likelihood does not rise from there (its derivative by the variance is
/// not positive, and no better point is found inside), the variance is returned as exactly 0
/// (log variance negative infinity).
pub(crate) fn fit_grouped(
    data: &GroupedLifetimes,
    prior: Option<&NormalPrior>,
    start: &[f64],
    free: &[usize],
) -> Maximum {
    let evaluate = |point: &[f64]| -> Evaluation {
        let mut at = data.evaluate(point);
        if let Some(prior) = prior {
            at.add(&prior.log_density(point));
        }
        at
    };
    let last = data.layout().frailty();
    if prior.is_some() || !free.contains(&last) {
        return maximise(start, free, evaluate);
    }
    let mut without = start.to_vec();
    without[last] = f64::NEG_INFINITY;
    let fixed: Vec<usize> = free.iter().copied().filter(|&i| i != last).collect();
    let null = maximise(&without, &fixed, evaluate);
    let slope = data.evaluate_at_variance(&null.point, 0.0).gradient[last];
    if slope <= 0.0 && null.convergence.converged {
        return null;
    }
    let mut inside = null.point.clone();
    inside[last] = 0.3_f64.ln();
    let full = maximise(&inside, free, evaluate);
    let vanished = full.point[last] < (1e-6_f64).ln();
    if vanished || full.at.value <= null.at.value { null } else { full }
}

/// Inverse information over the parameters that moved; a vanished frailty has none.
pub(crate) fn covariance_of(found: &Maximum, layout: Layout) -> Matrix {
    let kept: Vec<usize> = (0..layout.len())
        .filter(|&i| found.point[i].is_finite() && found.at.hessian.get(i, i) < 0.0)
        .collect();
    let information = found.at.hessian.submatrix(&kept).negated();
    let mut covariance = Matrix::zeros(layout.len());
    if let Some(inverse) = information.inverse() {
        for (i, &row) in kept.iter().enumerate() {
            for (j, &column) in kept.iter().enumerate() {
                covariance.set(row, column, inverse.get(i, j));
            }
        }
    }
    covariance
}
