//! What a fit of a table is asked for.

use serde::{Deserialize, Serialize};

use crate::location_scale::Distribution;

/// Whether coefficients act on log time or on the log hazard.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Form {
    /// Accelerated failure time: coefficients on log time.
    Aft,
    /// Proportional hazards: log hazard ratios.
    Ph,
}

/// What to fit.
#[derive(Debug, Clone, PartialEq)]
pub struct FitRequest {
    /// Law.
    pub distribution: Distribution,
    /// Names of the covariates.
    pub covariates: Vec<String>,
    /// Form of the coefficients.
    pub form: Form,
    /// Column whose values share a gamma frailty.
    pub frailty: Option<String>,
    /// Level of the intervals.
    pub confidence: f64,
}

/// The columns that a request reads besides the lifetimes.
#[must_use]
pub fn columns_of(request: &FitRequest) -> (Vec<String>, Vec<String>) {
    (request.covariates.clone(), request.frailty.iter().cloned().collect())
}
