//! Reports on plain tables of lifetimes, as the command line prints them.

mod compare;
mod curve;
mod fit;
mod fitted;
mod frailty;
mod plain;
mod request;

use serde::Serializer;

pub use compare::{CompareReport, ComparedGroup, compare_report};
pub use curve::{CurveMethod, CurveReport, GroupCurve, curve_report};
pub use fit::fit_report;
pub use fitted::{FitReport, FrailtyTest, NamedCovariance, Parameters, ReportedQuantile};
pub use request::{FitRequest, Form, columns_of};

/// Why there is no report.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum ReportError {
    /// Proportional hazards with another law than Weibull or exponential.
    #[error("the {0} law has no proportional hazards; use --form aft")]
    NoProportionalHazards(&'static str),
    /// Frailty with another law than Weibull or exponential.
    #[error("a shared frailty is fitted to Weibull and exponential hazards only")]
    FrailtyLaw,
    /// A level that is none.
    #[error("the confidence {0} is not between 0 and 1")]
    Confidence(f64),
    /// The fit failed; covariates are named.
    #[error("{0}")]
    Fit(String),
    /// The curve or comparison failed.
    #[error("{0}")]
    Curve(String),
}

/// Whole numbers print without a decimal point.
#[expect(clippy::trivially_copy_pass_by_ref, reason = "the signature that serde asks for")]
fn as_count<S: Serializer>(value: &f64, serializer: S) -> Result<S::Ok, S::Error> {
    if value.fract().abs() < 1e-9 && *value < 9e15 {
        #[expect(clippy::cast_possible_truncation, reason = "whole and below 2^53")]
        let whole = value.round() as i64;
        serializer.serialize_i64(whole)
    } else {
        serializer.serialize_f64(*value)
    }
}
