//! The gamma frailty integrated out of a hazard, with its derivatives.
//!
//! ```text
//! E[u^D exp(-u H)] = prod_{j<D} (1 + j theta) * (1 + theta H)^-(1/theta + D)
//! ```
//! `u`: frailty, gamma with mean 1 and variance `theta`. `D`: failures of the group. `H`: its
//! cumulative hazard at frailty 1. Source: P. Hougaard, Analysis of Multivariate Survival Data,
//! Springer 2000, chapter 7.

use serde::{Deserialize, Serialize};

/// Logarithm of `(1 + theta H)^-(1/theta + D)` and its derivatives.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct LogTransform {
    pub(crate) value: f64,
    pub(crate) by_hazard: f64,
    pub(crate) by_hazard_twice: f64,
    pub(crate) by_theta: f64,
    pub(crate) by_theta_hazard: f64,
    pub(crate) by_theta_twice: f64,
}

/// Below this `theta H` the closed forms lose digits and their power series take over.
const SERIES_BELOW: f64 = 2e-2;

impl LogTransform {
    pub(crate) fn new(hazard: f64, failures: f64, theta: f64) -> Self {
        let x = theta * hazard;
        let grown = 1.0 + x;
        let (mean_log, first, second) = if x < SERIES_BELOW {
            (series_log(x), series_first(x), series_second(x))
        } else {
            let log = x.ln_1p();
            (
                log / x,
                (log - x / grown) / (x * x),
                (-2.0 * log + 2.0 * x / grown + (x / grown).powi(2)) / (x * x * x),
            )
        };
        let squared = hazard * hazard;
        Self {
            value: -hazard * mean_log - failures * x.ln_1p(),
            by_hazard: -(1.0 + theta * failures) / grown,
            by_hazard_twice: theta * (1.0 + theta * failures) / (grown * grown),
            by_theta: squared * first - failures * hazard / grown,
            by_theta_hazard: (hazard - failures) / (grown * grown),
            by_theta_twice: squared * hazard * second + failures * squared / (grown * grown),
        }
    }
}

/// `ln(1 + x) / x`.
fn series_log(x: f64) -> f64 {
    series(x, |n| 1.0 / (n + 1.0))
}

/// `(ln(1 + x) - x / (1 + x)) / x^2`.
fn series_first(x: f64) -> f64 {
    series(x, |n| (n + 1.0) / (n + 2.0))
}

/// `(-2 ln(1 + x) + 2 x / (1 + x) + (x / (1 + x))^2) / x^3`.
fn series_second(x: f64) -> f64 {
    -series(x, |n| (n + 2.0) * (n + 1.0) / (n + 3.0))
}

/// Sum of `(-x)^n coefficient(n)`; twelve terms are exact to rounding below [`SERIES_BELOW`].
fn series(x: f64, coefficient: impl Fn(f64) -> f64) -> f64 {
    (0..12).rev().map(f64::from).fold(0.0, |sum, n| coefficient(n) - x * sum)
}

/// What is known of a site's frailty after its history: a gamma distribution.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct FrailtyPosterior {
    /// `1 / theta + failures`; infinite when there is no frailty.
    pub shape: f64,
    /// `1 / theta + cumulative hazard of all parts of the site from new to now`.
    pub rate: f64,
}

impl FrailtyPosterior {
    /// From the frailty variance, the number of failures at the site and the cumulative hazard
    /// (at frailty 1) of every part of the site, each from new to its last known age.
    #[must_use]
    pub fn new(variance: f64, failures: f64, hazard: f64) -> Self {
        let prior = 1.0 / variance;
        Self { shape: prior + failures, rate: prior + hazard }
    }

    /// Whether the model has no frailty, so that every site is alike.
    fn is_point_at_one(&self) -> bool {
        self.shape.is_infinite()
    }

    /// Mean.
    #[must_use]
    pub fn mean(&self) -> f64 {
        if self.is_point_at_one() { 1.0 } else { self.shape / self.rate }
    }

    /// Standard deviation.
    #[must_use]
    pub fn standard_deviation(&self) -> f64 {
        if self.is_point_at_one() { 0.0 } else { self.shape.sqrt() / self.rate }
    }

    /// Quantile of the frailty.
    #[must_use]
    pub fn quantile(&self, probability: f64) -> f64 {
        if self.is_point_at_one() {
            return 1.0;
        }
        crate::intervals::gamma_quantile(probability, self.shape) / self.rate
    }

    /// Cumulative risk `-ln P(survive a further hazard of «more»)`.
    ///
    /// ```text
    /// shape * ln(1 + more / rate)
    /// ```
    #[must_use]
    pub fn cumulative_risk(&self, more: f64) -> f64 {
        if self.is_point_at_one() { more } else { self.shape * (more / self.rate).ln_1p() }
    }

    /// The further hazard at which survival has fallen to `survival`.
    #[must_use]
    pub fn hazard_at_survival(&self, survival: f64) -> f64 {
        if self.is_point_at_one() {
            -survival.ln()
        } else {
            self.rate * (-survival.ln() / self.shape).exp_m1()
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn without_frailty_it_is_the_plain_exponential() {
        let here = LogTransform::new(2.0, 1.0, 0.0);
        assert!((here.value + 2.0).abs() < 1e-15);
        assert!((here.by_theta - (2.0 - 2.0)).abs() < 1e-12);
    }

    #[test]
    fn series_and_closed_form_meet() {
        let below = LogTransform::new(1.0, 2.0, SERIES_BELOW * (1.0 - 1e-9));
        let above = LogTransform::new(1.0, 2.0, SERIES_BELOW * (1.0 + 1e-9));
        assert!((below.by_theta - above.by_theta).abs() < 1e-8);
        assert!((below.by_theta_twice - above.by_theta_twice).abs() < 1e-7);
    }

    #[test]
    fn a_failure_raises_and_a_survival_lowers_the_frailty() {
        let prior = FrailtyPosterior::new(0.5, 0.0, 0.3);
        assert!(FrailtyPosterior::new(0.5, 1.0, 0.3).mean() > prior.mean());
        assert!(FrailtyPosterior::new(0.5, 0.0, 0.6).mean() < prior.mean());
    }
}
