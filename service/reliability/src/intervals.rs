//! Quantiles of the normal, gamma, chi-square and Student laws, and intervals on transformed
//! scales.

use statrs::distribution::{ContinuousCDF, Normal, StudentsT};
use statrs::function::gamma::{gamma_lr, gamma_ur};

/// Quantile of the standard normal distribution.
#[must_use]
pub fn normal_quantile(probability: f64) -> f64 {
    Normal::standard().inverse_cdf(probability)
}

/// Distribution function of the standard normal.
#[must_use]
pub fn normal_cdf(z: f64) -> f64 {
    Normal::standard().cdf(z)
}

/// Quantile of the gamma distribution with rate 1, by bisection on the regularised incomplete
/// gamma function to the last digit.
#[must_use]
pub fn gamma_quantile(probability: f64, shape: f64) -> f64 {
    if probability <= 0.0 {
        return 0.0;
    }
    let below = |x: f64| gamma_lr(shape, x) < probability;
    let mut high = shape.max(1.0);
    while below(high) {
        high *= 2.0;
    }
    let mut low = 0.0;
    for _ in 0..200 {
        let middle = f64::midpoint(low, high);
        if middle <= low || middle >= high {
            break;
        }
        if below(middle) {
            low = middle;
        } else {
            high = middle;
        }
    }
    f64::midpoint(low, high)
}

/// Quantile of the chi-square distribution.
#[must_use]
pub fn chi_square_quantile(probability: f64, degrees: f64) -> f64 {
    2.0 * gamma_quantile(probability, 0.5 * degrees)
}

/// Upper tail of the chi-square distribution.
#[must_use]
pub fn chi_square_tail(value: f64, degrees: f64) -> f64 {
    if value <= 0.0 { 1.0 } else { gamma_ur(0.5 * degrees, 0.5 * value) }
}

/// Student's law with `degrees` degrees of freedom; none unless they are positive.
#[must_use]
pub fn student(degrees: f64) -> Option<StudentsT> {
    StudentsT::new(0.0, 1.0, degrees).ok()
}

/// Exact limits of a Poisson mean from a count (F. Garwood, Biometrika 28 (1936) 437-442).
#[must_use]
pub fn poisson_limits(count: f64, confidence: f64) -> [f64; 2] {
    let tail = 0.5 * (1.0 - confidence);
    let low = if count > 0.0 { gamma_quantile(tail, count) } else { 0.0 };
    [low, gamma_quantile(1.0 - tail, count + 1.0)]
}

/// `estimate -+ z * sd`.
#[must_use]
pub fn wald(estimate: f64, sd: f64, confidence: f64) -> [f64; 2] {
    let wide = z_of(confidence) * sd;
    [estimate - wide, estimate + wide]
}

/// Wald interval of a positive quantity on its logarithm; `log_sd` is the standard deviation of
/// the logarithm.
#[must_use]
pub fn log_wald(estimate: f64, log_sd: f64, confidence: f64) -> [f64; 2] {
    wald(estimate.ln(), log_sd, confidence).map(f64::exp)
}

/// Bounds of the exponential mean life by the chi-square law, for time-truncated data.
///
/// ```text
/// 2 time / chi2(upper, 2 r + 2)  to  2 time / chi2(lower, 2 r)
/// ```
/// Source: W. Nelson, Applied Life Data Analysis, Wiley 1982, chapter 6.
#[must_use]
pub fn exponential_mean_interval(total_time: f64, failures: f64, confidence: f64) -> [f64; 2] {
    let tail = 0.5 * (1.0 - confidence);
    [
        2.0 * total_time / chi_square_quantile(1.0 - tail, 2.0 * failures + 2.0),
        2.0 * total_time / chi_square_quantile(tail, 2.0 * failures),
    ]
}

/// Standard errors from the middle to either end of a normal interval of level `confidence`.
#[must_use]
pub fn z_of(confidence: f64) -> f64 {
    normal_quantile(0.5 + 0.5 * confidence)
}
