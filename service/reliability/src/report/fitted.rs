//! What a fit of a table reports: values, errors, intervals and quantiles by name.

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};

use super::as_count;
use super::request::Form;
use crate::intervals::{log_wald, wald};
use crate::location_scale::Distribution;

/// Parameters or their standard errors, by name.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct Parameters {
    /// Weibull shape.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub shape: Option<f64>,
    /// Weibull or exponential scale: `exp(intercept)`.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub scale: Option<f64>,
    /// Location of log time of the other laws.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub mu: Option<f64>,
    /// Spread of log time of the other laws.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub sigma: Option<f64>,
    /// By covariate.
    pub coefficients: BTreeMap<String, f64>,
    /// Variance of the frailty; its error is missing when it is 0.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub frailty_variance: Option<f64>,
}

/// A quantile with its interval.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct ReportedQuantile {
    /// Age.
    pub value: f64,
    /// Wald interval on its logarithm.
    pub interval: [f64; 2],
}

/// Covariance with the names of its rows.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct NamedCovariance {
    /// Names of rows and columns.
    pub parameters: Vec<String>,
    /// Rows.
    pub matrix: Vec<Vec<f64>>,
}

/// A fit.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct FitReport {
    /// Law.
    pub distribution: Distribution,
    /// Form of the coefficients.
    pub form: Form,
    /// Sum of weights.
    #[serde(serialize_with = "as_count")]
    pub n: f64,
    /// Sum of weights of failures.
    #[serde(serialize_with = "as_count")]
    pub failures: f64,
    /// Estimates.
    pub parameters: Parameters,
    /// Standard errors of the values above.
    pub standard_errors: Parameters,
    /// Wald intervals: on the logarithm for shape, scale, sigma and frailty variance, on the value
    /// for mu and coefficients.
    pub intervals: BTreeMap<String, [f64; 2]>,
    /// Covariance of logarithms of positive parameters, and of coefficients and mu as they are.
    pub covariance: NamedCovariance,
    /// On the original time scale.
    pub log_likelihood: f64,
    /// By probability; for covariates at 0 and, with frailty, for a group of frailty 1.
    pub quantiles: BTreeMap<String, ReportedQuantile>,
    /// Whether the search ended at a maximum.
    pub converged: bool,
    /// Rise of the log likelihood over the model without frailty, and its p-value by the 50:50
    /// mixture of chi-square laws with 0 and 1 degrees of freedom.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub frailty_test: Option<FrailtyTest>,
    /// What a reader should know.
    #[serde(skip_serializing_if = "Vec::is_empty", default)]
    pub warnings: Vec<String>,
}

/// Likelihood-ratio test of no frailty.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct FrailtyTest {
    /// Twice the rise of the log likelihood.
    pub likelihood_ratio: f64,
    /// Probability of a larger one without frailty.
    pub p_value: f64,
}

/// Collects named values, errors and intervals.
pub(super) struct Parts {
    pub(super) values: Parameters,
    pub(super) errors: Parameters,
    pub(super) intervals: BTreeMap<String, [f64; 2]>,
    pub(super) confidence: f64,
}

impl Parts {
    pub(super) fn new(confidence: f64) -> Self {
        Self {
            values: Parameters::default(),
            errors: Parameters::default(),
            intervals: BTreeMap::new(),
            confidence,
        }
    }

    fn slot<'p>(parameters: &'p mut Parameters, name: &str) -> &'p mut Option<f64> {
        match name {
            "shape" => &mut parameters.shape,
            "scale" => &mut parameters.scale,
            "mu" => &mut parameters.mu,
            "sigma" => &mut parameters.sigma,
            _ => &mut parameters.frailty_variance,
        }
    }

    /// A positive parameter with the standard error of its logarithm.
    pub(super) fn positive(&mut self, name: &str, value: f64, log_error: f64) {
        *Self::slot(&mut self.values, name) = Some(value);
        *Self::slot(&mut self.errors, name) = Some(value * log_error);
        self.intervals.insert(name.to_owned(), log_wald(value, log_error, self.confidence));
    }

    pub(super) fn plain(&mut self, name: &str, value: f64, error: f64) {
        *Self::slot(&mut self.values, name) = Some(value);
        *Self::slot(&mut self.errors, name) = Some(error);
        self.intervals.insert(name.to_owned(), wald(value, error, self.confidence));
    }

    pub(super) fn coefficient(&mut self, name: &str, value: f64, error: f64) {
        self.values.coefficients.insert(name.to_owned(), value);
        self.errors.coefficients.insert(name.to_owned(), error);
        self.intervals.insert(name.to_owned(), wald(value, error, self.confidence));
    }
}
