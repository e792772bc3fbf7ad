//! The law of a frailty that the members of a group share.

use serde::{Deserialize, Serialize};

use crate::gamma_mixture::LogTransform;
use crate::lognormal_mixture;

/// How frailties are distributed over groups.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum FrailtyLaw {
    /// Gamma with mean 1; its variance is the parameter. Integrated in closed form.
    #[default]
    Gamma,
    /// Log-normal with median 1; the variance of its logarithm is the parameter. Integrated
    /// numerically to rounding, at about fifty times the cost.
    LogNormal,
}

impl FrailtyLaw {
    /// `ln E[u^D exp(-u H)]`; for gamma without the factors `1 + j theta`, `j < D`, which depend
    /// on nothing but the variance.
    pub(crate) fn log_transform(self, hazard: f64, failures: f64, theta: f64) -> LogTransform {
        match self {
            Self::Gamma => LogTransform::new(hazard, failures, theta),
            Self::LogNormal => lognormal_mixture::log_transform(hazard, failures, theta),
        }
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    fn numeric(f: impl Fn(f64) -> f64, at: f64) -> f64 {
        let step = 1e-5 * at.max(1e-3);
        (f(at + step) - f(at - step)) / (2.0 * step)
    }

    proptest! {
        #[test]
        fn derivatives_agree_with_differences(
            hazard in 0.01_f64..20.0,
            failures in 0_u32..6,
            theta in 0.01_f64..4.0,
        ) {
            for law in [FrailtyLaw::Gamma, FrailtyLaw::LogNormal] {
                let at = |h, t| law.log_transform(h, f64::from(failures), t);
                let here = at(hazard, theta);
                let close = |a: f64, b: f64| (a - b).abs() < 1e-5 * (1.0 + a.abs());
                let by_hazard = |f: fn(LogTransform) -> f64| numeric(|h| f(at(h, theta)), hazard);
                let by_theta = |f: fn(LogTransform) -> f64| numeric(|t| f(at(hazard, t)), theta);
                prop_assert!(close(here.by_hazard, by_hazard(|g| g.value)), "{law:?}");
                prop_assert!(close(here.by_hazard_twice, by_hazard(|g| g.by_hazard)), "{law:?}");
                prop_assert!(close(here.by_theta, by_theta(|g| g.value)), "{law:?}");
                prop_assert!(close(here.by_theta_hazard, by_theta(|g| g.by_hazard)), "{law:?}");
                prop_assert!(close(here.by_theta_twice, by_theta(|g| g.by_theta)), "{law:?}");
            }
        }
    }
}
