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
