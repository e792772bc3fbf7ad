//! Fits of a table: the request is checked, the right fit made, errors put into words.

use super::ReportError;
use super::fitted::FitReport;
use super::frailty::frailty_report;
use super::plain::plain_report;
use super::request::{FitRequest, Form};
use crate::location_scale::Distribution;
use crate::parametric::ParametricError;
use crate::table::LifetimeTable;

pub(super) const QUANTILES: [f64; 2] = [0.1, 0.5];

const FEW_FAILURES: f64 = 10.0;

/// Fits a table.
///
/// # Errors
/// [`ReportError`] in words that name covariates and lines.
pub fn fit_report(table: &LifetimeTable, request: &FitRequest) -> Result<FitReport, ReportError> {
    if !(request.confidence > 0.0 && request.confidence < 1.0) {
        return Err(ReportError::Confidence(request.confidence));
    }
    let hazards = matches!(request.distribution, Distribution::Weibull | Distribution::Exponential);
    let mut report = match &request.frailty {
        Some(_) if !hazards => return Err(ReportError::FrailtyLaw),
        Some(column) => frailty_report(table, request, column)?,
        None => {
            if request.form == Form::Ph && !hazards {
                let name = match request.distribution {
                    Distribution::Lognormal => "lognormal",
                    _ => "loglogistic",
                };
                return Err(ReportError::NoProportionalHazards(name));
            }
            plain_report(table, request)?
        }
    };
    if report.failures < FEW_FAILURES {
        report.warnings.push(format!(
            "only {} failures: Wald intervals can be far too narrow or wide; prefer likelihood \
             ratio or prior-based bounds",
            report.failures
        ));
    }
    Ok(report)
}

pub(super) fn explain(
    error: &ParametricError,
    table: &LifetimeTable,
    request: &FitRequest,
) -> ReportError {
    let name = |index: &usize| request.covariates.get(*index).cloned().unwrap_or_default();
    ReportError::Fit(match error {
        ParametricError::ConstantCovariate { index } | ParametricError::Separated { index } => {
            format!("column «{}»: {error}", name(index))
        }
        ParametricError::WeightInGroup { row, .. } | ParametricError::Covariates { row, .. } => {
            format!("line {}: {error}", table.lines.get(*row).copied().unwrap_or(0))
        }
        _ => error.to_string(),
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    const ROWS: &str = "entry,lower,upper,x,home\n,3,3,0,a\n,5,5,1,a\n,8,,0,b\n,4,4,1,b\n,9,9,0,c\n\
                        ,7,,1,c\n,6,6,0,d\n,2,2,1,d\n";

    fn request(form: Form) -> FitRequest {
        FitRequest {
            distribution: Distribution::Weibull,
            covariates: vec!["x".to_owned()],
            form,
            frailty: None,
            confidence: 0.95,
        }
    }

    fn table() -> LifetimeTable {
        LifetimeTable::parse(ROWS, &["x".to_owned()], &["home".to_owned()]).unwrap()
    }

    #[test]
    fn the_two_forms_tell_the_same_story() {
        let aft = fit_report(&table(), &request(Form::Aft)).unwrap();
        let ph = fit_report(&table(), &request(Form::Ph)).unwrap();
        let shape = aft.parameters.shape.unwrap();
        let ratio = ph.parameters.coefficients["x"] / aft.parameters.coefficients["x"];
        assert!((ratio + shape).abs() < 1e-9);
        assert!((aft.log_likelihood - ph.log_likelihood).abs() < 1e-12);
    }

    #[test]
    fn a_frailty_fit_in_either_form_has_the_same_likelihood_and_a_test() {
        let with = |form| FitRequest { frailty: Some("home".to_owned()), ..request(form) };
        let aft = fit_report(&table(), &with(Form::Aft)).unwrap();
        let ph = fit_report(&table(), &with(Form::Ph)).unwrap();
        assert!((aft.log_likelihood - ph.log_likelihood).abs() < 1e-9);
        assert!(aft.frailty_test.unwrap().likelihood_ratio >= 0.0);
    }

    #[test]
    fn whole_counts_print_as_whole_numbers() {
        let text = serde_json::to_string(&fit_report(&table(), &request(Form::Aft)).unwrap());
        let text = text.unwrap();
        assert!(text.contains("\"n\":8,\"failures\":6,"), "{text}");
    }

    #[test]
    fn lognormal_hazards_are_not_proportional() {
        let wrong = FitRequest { distribution: Distribution::Lognormal, ..request(Form::Ph) };
        let refusal = fit_report(&table(), &wrong).unwrap_err();
        assert_eq!(
            refusal.to_string(),
            "the lognormal law has no proportional hazards; use --form aft"
        );
    }
}
