//! Install days known as a range: imputed values, and the fits on them pooled by Rubin's rules.

use crate::matrix::Matrix;
use crate::newton::Convergence;
use crate::shared_frailty::Layout;

/// Imputed sets of install days when some are only known as a range.
pub(super) const IMPUTATIONS: u32 = 5;

/// A fit on one set of imputed install days.
pub(super) struct RoundFit {
    pub(super) point: Vec<f64>,
    pub(super) covariance: Matrix,
    pub(super) log_likelihood: f64,
    pub(super) log_posterior: f64,
    pub(super) convergence: Convergence,
}

/// Fraction in 0 to 1 that spreads imputed install days evenly over components and rounds.
pub(super) fn spread(index: usize, round: u32, rounds: u32) -> f64 {
    // Golden-ratio sequence over components, equal steps over rounds.
    let golden = u32::try_from(index % 1_000_003).map_or(0.0, f64::from) * 0.618_033_988_749_895;
    (golden + (f64::from(round) + 0.5) / f64::from(rounds)).fract()
}

/// Rubin's rules over imputed fits.
pub(super) fn pool(fits: &[RoundFit], layout: Layout) -> RoundFit {
    let rounds = u32::try_from(fits.len()).map_or(1.0, f64::from);
    let mean_of = |f: &dyn Fn(&RoundFit) -> f64| fits.iter().map(f).sum::<f64>() / rounds;
    let point: Vec<f64> = (0..layout.len()).map(|i| mean_of(&|fit| fit.point[i])).collect();
    let mut covariance = Matrix::zeros(layout.len());
    for fit in fits {
        for i in 0..layout.len() {
            for j in 0..layout.len() {
                covariance.add(i, j, fit.covariance.get(i, j) / rounds);
            }
        }
        if rounds > 1.0 {
            let off: Vec<f64> = fit
                .point
                .iter()
                .zip(&point)
                .map(|(x, m)| if m.is_finite() { x - m } else { 0.0 })
                .collect();
            covariance.add_outer((1.0 + 1.0 / rounds) / (rounds - 1.0), &off, &off);
        }
    }
    let mut convergence = fits[0].convergence.clone();
    for fit in fits {
        convergence.iterations = convergence.iterations.max(fit.convergence.iterations);
        convergence.largest_gradient =
            convergence.largest_gradient.max(fit.convergence.largest_gradient);
    }
    RoundFit {
        point,
        covariance,
        log_likelihood: mean_of(&|fit| fit.log_likelihood),
        log_posterior: mean_of(&|fit| fit.log_posterior),
        convergence,
    }
}
