//! Degree days of a month from its mean temperature and a standard deviation, where no daily data
//! exist. Good in the warm months; in the cold ones, where the rare hot day makes the whole sum,
//! errors of a factor of two and more are usual.
//!
//! # Sources
//! - G. J. Schoenau & R. A. Kehrig, "Method for calculating degree-days to any base temperature",
//!   Energy and Buildings 14 (1990) 299-302; the form of the ASHRAE Handbook, Fundamentals (form
//!   from memory).
//! - D. G. Erbs, S. A. Klein & W. A. Beckman, "Estimation of degree-days and ambient temperature
//!   bin data from monthly-average temperatures", ASHRAE Journal 25 (June 1983) 60-65 (form and
//!   constants from memory).

use statrs::distribution::{Continuous, ContinuousCDF, Normal};

/// Cooling degree days of a month by Schoenau & Kehrig: exact when daily means are normal.
///
/// `mean`, `base` and `daily_deviation` (standard deviation of the month's daily means) in one
/// unit; `days` in the month (28.25 for an average February). Result in degree days of that unit.
pub fn schoenau_kehrig(mean: f64, daily_deviation: f64, base: f64, days: f64) -> f64 {
    if daily_deviation <= 0.0 {
        return days * (mean - base).max(0.0);
    }
    let z = (mean - base) / daily_deviation;
    let normal = Normal::standard();
    days * daily_deviation * (z * normal.cdf(z) + normal.pdf(z))
}

/// Cooling degree days of a month by Erbs, Klein & Beckman.
///
/// `mean_deviation`: standard deviation of the month's mean over the years. All in one unit.
pub fn erbs(mean: f64, mean_deviation: f64, base: f64, days: f64) -> f64 {
    /// The paper's constant. Some printings give 1.698 sqrt(N), which with this normalised
    /// difference would mean a daily standard deviation near 0.9 K.
    const A: f64 = 1.698;
    if mean_deviation <= 0.0 {
        return days * (mean - base).max(0.0);
    }
    let theta = (mean - base) / (mean_deviation * days.sqrt());
    let q = (A * theta).abs();
    // ln(exp(-q) + exp(q)) written so that a far-away base does not overflow.
    let log_sum = q + (-2.0 * q).exp().ln_1p();
    mean_deviation * days.powf(1.5) * (theta / 2.0 + log_sum / (2.0 * A))
}

/// The deviation that [`erbs`] needs, by the paper's correlation, all in °C.
///
/// `mean_celsius`: the month's mean; `yearly_deviation_celsius`: standard deviation of the twelve
/// monthly means (divisor 12).
pub fn erbs_mean_deviation_celsius(mean_celsius: f64, yearly_deviation_celsius: f64) -> f64 {
    1.45 - 0.0290 * mean_celsius + 0.0664 * yearly_deviation_celsius
}
