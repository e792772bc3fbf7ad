//! The report of a Weibull or exponential fit with a shared gamma frailty.

use std::collections::BTreeMap;

use super::ReportError;
use super::fit::{QUANTILES, explain};
use super::fitted::{FitReport, FrailtyTest, NamedCovariance, Parts, ReportedQuantile};
use super::request::{FitRequest, Form};
use crate::frailty_fit::{FrailtyFit, FrailtyUnit, fit_weibull_frailty};
use crate::intervals::log_wald;
use crate::location_scale::Distribution;
use crate::matrix::Matrix;
use crate::parametric::boundary_p_value;
use crate::table::LifetimeTable;

pub(super) fn frailty_report(
    table: &LifetimeTable,
    request: &FitRequest,
    column: &str,
) -> Result<FitReport, ReportError> {
    let rows = table.covariate_rows(&request.covariates);
    let groups = table.texts.get(column).cloned().unwrap_or_default();
    let units: Vec<FrailtyUnit> = table
        .lifetimes
        .iter()
        .zip(rows)
        .zip(groups)
        .map(|((lifetime, covariates), group)| FrailtyUnit {
            group,
            lifetime: *lifetime,
            covariates,
        })
        .collect();
    let fixed = request.distribution == Distribution::Exponential;
    let fitted =
        fit_weibull_frailty(&units, fixed).map_err(|error| explain(&error, table, request))?;
    Ok(report_of_frailty(&fitted, request))
}

fn report_of_frailty(fitted: &FrailtyFit, request: &FitRequest) -> FitReport {
    let size = fitted.covariance.size();
    let (shape, last) = (fitted.shape, size - 1);
    let (coefficients, covariance) = frailty_in_form(fitted, request.form);
    let error = |i: usize| covariance.get(i, i).sqrt();
    let mut parts = Parts::new(request.confidence);
    parts.positive("scale", fitted.scale, error(0));
    if !fitted.shape_fixed {
        parts.positive("shape", shape, error(1));
    }
    for (j, name) in request.covariates.iter().enumerate() {
        parts.coefficient(name, coefficients[j], error(j + 2));
    }
    let vanished = fitted.frailty_variance <= 0.0;
    if vanished {
        parts.values.frailty_variance = Some(0.0);
    } else {
        parts.positive("frailty_variance", fitted.frailty_variance, error(last));
    }
    let quantiles = frailty_quantiles(fitted, &covariance, request.confidence);
    let mut names = vec!["log scale".to_owned(), "log shape".to_owned()];
    names.extend(request.covariates.iter().cloned());
    names.push("log frailty variance".to_owned());
    let kept: Vec<usize> = (0..size)
        .filter(|&i| (i != 1 || !fitted.shape_fixed) && (i != last || !vanished))
        .collect();
    let ratio = 2.0 * (fitted.log_likelihood - fitted.log_likelihood_without_frailty);
    FitReport {
        distribution: request.distribution,
        form: request.form,
        n: count(fitted.units),
        failures: count(fitted.failures),
        parameters: parts.values,
        standard_errors: parts.errors,
        intervals: parts.intervals,
        covariance: NamedCovariance {
            parameters: kept.iter().map(|&i| names[i].clone()).collect(),
            matrix: covariance.submatrix(&kept).rows(),
        },
        log_likelihood: fitted.log_likelihood,
        quantiles,
        converged: fitted.convergence.converged,
        frailty_test: Some(FrailtyTest {
            likelihood_ratio: ratio,
            p_value: boundary_p_value(ratio),
        }),
        warnings: if vanished {
            vec!["the groups show no frailty: the variance is 0 and has no standard error".into()]
        } else {
            Vec::new()
        },
    }
}

/// Coefficients and covariance in the form asked for.
fn frailty_in_form(fitted: &FrailtyFit, form: Form) -> (Vec<f64>, Matrix) {
    let size = fitted.covariance.size();
    let mut map = vec![vec![0.0; size]; size];
    for (i, row) in map.iter_mut().enumerate() {
        row[i] = 1.0;
    }
    let mut coefficients = fitted.coefficients.clone();
    if form == Form::Aft {
        // Log time = -(log hazard ratio) / shape.
        for (j, b) in coefficients.iter_mut().enumerate() {
            map[j + 2][j + 2] = -1.0 / fitted.shape;
            map[j + 2][1] = *b / fitted.shape;
            *b = -*b / fitted.shape;
        }
    }
    (coefficients, fitted.covariance.mapped(&map))
}

/// Quantiles of a group of frailty 1 with covariates at 0.
fn frailty_quantiles(
    fitted: &FrailtyFit,
    covariance: &Matrix,
    confidence: f64,
) -> BTreeMap<String, ReportedQuantile> {
    QUANTILES
        .iter()
        .map(|&p| {
            let log_hazard = (-(-p).ln_1p()).ln();
            let value = fitted.scale * (log_hazard / fitted.shape).exp();
            let mut direction = vec![0.0; covariance.size()];
            direction[0] = 1.0;
            direction[1] = -log_hazard / fitted.shape;
            let sd = covariance.quadratic_form(&direction, &direction).sqrt();
            let interval = log_wald(value, sd, confidence);
            (p.to_string(), ReportedQuantile { value, interval })
        })
        .collect()
}

fn count(n: usize) -> f64 {
    u32::try_from(n).map_or(f64::MAX, f64::from)
}
