//! Normal quantiles and intervals on transformed scales.

use statrs::distribution::{ContinuousCDF, Normal};

/// Quantile of the standard normal distribution.
#[must_use]
pub fn normal_quantile(probability: f64) -> f64 {
    Normal::standard().inverse_cdf(probability)
}

/// `estimate -+ z * sd`.
#[must_use]
pub fn wald(estimate: f64, sd: f64, confidence: f64) -> [f64; 2] {
    let wide = normal_quantile(0.5 + 0.5 * confidence) * sd;
    [estimate - wide, estimate + wide]
}

/// Wald interval of a positive quantity on its logarithm; `log_sd` is the standard deviation of
/// the logarithm.
#[must_use]
pub fn log_wald(estimate: f64, log_sd: f64, confidence: f64) -> [f64; 2] {
    wald(estimate.ln(), log_sd, confidence).map(f64::exp)
}
