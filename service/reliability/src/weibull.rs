//! The Weibull law: conditional risk, remaining life.

use serde::{Deserialize, Serialize};
use statrs::function::gamma::{gamma, gamma_ui};

/// Shape and scale, by name so that they are never swapped.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Weibull {
    /// Shape; above 1 means wear-out.
    pub shape: f64,
    /// Scale: the age by which 63.2 % have failed.
    pub scale: f64,
}

impl Weibull {
    /// Cumulative hazard `(age / scale)^shape`.
    #[must_use]
    pub fn cumulative_hazard(&self, age: f64) -> f64 {
        if age <= 0.0 { 0.0 } else { (age / self.scale).powf(self.shape) }
    }

    /// Hazard rate.
    #[must_use]
    pub fn hazard(&self, age: f64) -> f64 {
        self.shape / self.scale * (age / self.scale).powf(self.shape - 1.0)
    }

    /// Probability of surviving to an age.
    #[must_use]
    pub fn survival(&self, age: f64) -> f64 {
        (-self.cumulative_hazard(age)).exp()
    }

    /// Hazard mass between `age` and `age + more`, to full relative accuracy for small `more`.
    #[must_use]
    pub fn hazard_between(&self, age: f64, more: f64) -> f64 {
        if age > 0.0 {
            self.cumulative_hazard(age) * (self.shape * (more / age).ln_1p()).exp_m1()
        } else {
            self.cumulative_hazard(more)
        }
    }

    /// Probability of failing between `age` and `age + more`, given that it works at `age`.
    #[must_use]
    pub fn conditional_failure(&self, age: f64, more: f64) -> f64 {
        -(-self.hazard_between(age, more)).exp_m1()
    }

    /// Median remaining life of a part that works at `age`.
    #[must_use]
    pub fn median_residual_life(&self, age: f64) -> f64 {
        let then = self.cumulative_hazard(age) + core::f64::consts::LN_2;
        self.scale * then.powf(1.0 / self.shape) - age
    }

    /// Mean remaining life of a part that works at `age`.
    ///
    /// ```text
    /// scale / shape * exp(x) * Gamma(1 / shape, x),   x = (age / scale)^shape
    /// ```
    /// Source: W. Meeker & L. Escobar, Statistical Methods for Reliability Data, 1998, chapter 4.
    #[must_use]
    pub fn mean_residual_life(&self, age: f64) -> f64 {
        let s = 1.0 / self.shape;
        let x = self.cumulative_hazard(age);
        self.scale * s * scaled_upper_gamma(s, x)
    }

    /// Integral of survival from 0 to an age: the mean life when replaced at that age.
    #[must_use]
    pub fn mean_life_until(&self, age: f64) -> f64 {
        let s = 1.0 / self.shape;
        let x = self.cumulative_hazard(age);
        if x < 1.0 {
            // Power series of the lower incomplete gamma function: no cancellation for small x.
            self.scale * s * lower_gamma_series(s, x)
        } else {
            self.scale * s * (gamma(s) - (-x).exp() * scaled_upper_gamma(s, x))
        }
    }
}

/// `exp(x) Gamma(s, x)` without overflow.
fn scaled_upper_gamma(s: f64, x: f64) -> f64 {
    if x <= 0.0 {
        return gamma(s);
    }
    if x < s + 1.5 {
        return x.exp() * gamma_ui(s, x);
    }
    // Lentz's continued fraction; Press et al., Numerical Recipes, 3rd edition, section 6.2.
    let tiny = 1e-300;
    let mut b = x + 1.0 - s;
    let mut c = 1.0 / tiny;
    let mut d = 1.0 / b;
    let mut h = d;
    for i in 1..500 {
        let i = f64::from(i);
        let a = -i * (i - s);
        b += 2.0;
        d = 1.0 / (a * d + b);
        c = b + a / c;
        let step = c * d;
        h *= step;
        if (step - 1.0).abs() < 1e-16 {
            break;
        }
    }
    h * x.powf(s)
}

fn lower_gamma_series(s: f64, x: f64) -> f64 {
    if x <= 0.0 {
        return 0.0;
    }
    let mut term = 1.0 / s;
    let mut sum = term;
    for n in 1..200 {
        term *= x / (s + f64::from(n));
        sum += term;
        if term < 1e-17 * sum {
            break;
        }
    }
    sum * (-x).exp() * x.powf(s)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_exponential_part_never_ages() {
        let law = Weibull { shape: 1.0, scale: 12.0 };
        for age in [0.0, 8.0, 100.0, 9000.0] {
            assert!((law.mean_residual_life(age) - 12.0).abs() < 1e-9);
        }
    }

    #[test]
    fn mean_life_until_joins_its_two_forms() {
        let law = Weibull { shape: 2.2, scale: 10.0 };
        let below = law.mean_life_until(10.0 * (1.0 - 1e-12));
        let above = law.mean_life_until(10.0 * (1.0 + 1e-12));
        assert!((below - above).abs() < 1e-9);
    }
}
