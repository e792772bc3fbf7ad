//! A log-normal frailty integrated out of a hazard, with its derivatives.
//!
//! ```text
//! E[u^D exp(-u H)],  ln u normal with mean 0 and variance theta
//! ```
//! `D`: failures of the group. `H`: its cumulative hazard at frailty 1. There is no closed form:
//! the integral over `w = ln u` is a trapezoidal sum around its mode, with steps of at most a
//! quarter of the integrand's width there, out to where it has fallen by a factor of `exp(-40)`. For
//! an integrand that is analytic and falls on both sides the error is exponentially small in the
//! step (L. Trefethen & J. Weideman, SIAM Review 56 (2014) 385-458); here it is at rounding.
//! Derivatives are moments of the same sum.

use crate::gamma_mixture::LogTransform;

/// Below this variance the expansion around no frailty is as exact as the sum.
const SERIES_BELOW: f64 = 1e-5;
/// The sum ends where the integrand is below `exp` of minus this of its top.
const NEGLIGIBLE: f64 = 40.0;
/// Longest step in `w`: `exp(-u H)` is well-behaved only within `pi / 2` of the real line.
const LONGEST_STEP: f64 = 0.2;

/// `ln E[u^D exp(-u H)]` and its derivatives.
pub(crate) fn log_transform(hazard: f64, failures: f64, theta: f64) -> LogTransform {
    if theta < SERIES_BELOW {
        return near_no_frailty(hazard, failures, theta);
    }
    let log_integrand = |w: f64| failures * w - w.exp() * hazard - w * w / (2.0 * theta);
    let mode = mode(hazard, failures, theta);
    let top = log_integrand(mode);
    let width = (mode.exp() * hazard + 1.0 / theta).powf(-0.5);
    let step = (0.25 * width).min(LONGEST_STEP);
    let mut sums = Sums::default();
    sums.add(mode, 1.0, theta);
    for side in [-step, step] {
        let mut w = mode + side;
        loop {
            let fall = log_integrand(w) - top;
            if fall < -NEGLIGIBLE {
                break;
            }
            sums.add(w, fall.exp(), theta);
            w += side;
        }
    }
    let norm = 0.5 * (2.0 * core::f64::consts::PI * theta).ln();
    sums.transform(top + step.ln() - norm)
}

/// Where the integrand over `w` is highest: Newton's method from above, which cannot overshoot
/// since the slope falls ever faster.
fn mode(hazard: f64, failures: f64, theta: f64) -> f64 {
    let by_failures = if failures > 0.0 { (failures / hazard).ln().max(0.0) } else { 0.0 };
    let mut w = by_failures.min(theta * failures);
    for _ in 0..100 {
        let pull = w.exp() * hazard;
        let step = (failures - pull - w / theta) / (pull + 1.0 / theta);
        w += step;
        if step.abs() < 1e-9 {
            break;
        }
    }
    w
}

/// Weighted sums over the nodes. `s` is the slope of the log density of `w` by the variance.
#[derive(Default)]
struct Sums {
    weight: f64,
    u: f64,
    uu: f64,
    s: f64,
    us: f64,
    ss: f64,
    bend: f64,
}

impl Sums {
    fn add(&mut self, w: f64, weight: f64, theta: f64) {
        let u = w.exp();
        let squared = w * w / theta;
        let s = (squared - 1.0) / (2.0 * theta);
        self.weight += weight;
        self.u += weight * u;
        self.uu += weight * u * u;
        self.s += weight * s;
        self.us += weight * u * s;
        self.ss += weight * s * s;
        self.bend += weight * (0.5 - squared) / (theta * theta);
    }

    fn transform(&self, log_unit: f64) -> LogTransform {
        let mean = |sum: f64| sum / self.weight;
        let (u, s) = (mean(self.u), mean(self.s));
        LogTransform {
            value: log_unit + self.weight.ln(),
            by_hazard: -u,
            by_hazard_twice: mean(self.uu) - u * u,
            by_theta: s,
            by_theta_hazard: u * s - mean(self.us),
            by_theta_twice: mean(self.bend) + mean(self.ss) - s * s,
        }
    }
}

/// Expansion in the variance: with `f(w) = exp(D w - e^w H)`, `ln E f = ln f + f''/f theta / 2 +
/// ...` at `w = 0`.
fn near_no_frailty(hazard: f64, failures: f64, theta: f64) -> LogTransform {
    let (a, b) = (failures - hazard, -hazard);
    let second = a * a + b;
    let fourth = a.powi(4) + 6.0 * a * a * b + 3.0 * b * b + 4.0 * a * b + b;
    let twice = 0.25 * (fourth - second * second);
    let by_theta_hazard = -a - 0.5;
    LogTransform {
        value: -hazard + theta * (0.5 * second + 0.5 * theta * twice),
        by_hazard: -1.0 + theta * by_theta_hazard,
        by_hazard_twice: theta,
        by_theta: 0.5 * second + theta * twice,
        by_theta_hazard,
        by_theta_twice: twice,
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    proptest! {
        #[test]
        fn without_hazard_it_is_the_moment_of_the_log_normal_law(
            failures in 0_u32..6, theta in 0.0001_f64..9.0,
        ) {
            let failures = f64::from(failures);
            let got = log_transform(0.0, failures, theta).value;
            let exact = 0.5 * failures * failures * theta;
            prop_assert!((got - exact).abs() < 1e-12 * (1.0 + exact), "{got} {exact}");
        }
    }

    #[test]
    fn expansion_and_sum_meet() {
        let below = log_transform(1.3, 2.0, SERIES_BELOW * (1.0 - 1e-9));
        let above = log_transform(1.3, 2.0, SERIES_BELOW);
        assert!((below.value - above.value).abs() < 1e-12);
        assert!((below.by_theta - above.by_theta).abs() < 1e-8);
        assert!((below.by_hazard - above.by_hazard).abs() < 1e-8);
    }
}
