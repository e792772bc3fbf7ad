//! The report of a location-scale fit without frailty.

use super::ReportError;
use super::fit::{QUANTILES, explain};
use super::fitted::{FitReport, NamedCovariance, Parts, ReportedQuantile};
use super::request::{FitRequest, Form};
use crate::location_scale::Distribution;
use crate::matrix::Matrix;
use crate::parametric::{ParametricFit, Sample, fit};
use crate::table::LifetimeTable;

pub(super) fn plain_report(
    table: &LifetimeTable,
    request: &FitRequest,
) -> Result<FitReport, ReportError> {
    let sample = Sample {
        lifetimes: table.lifetimes.clone(),
        covariates: table.covariate_rows(&request.covariates),
    };
    let fitted =
        fit(&sample, request.distribution).map_err(|error| explain(&error, table, request))?;
    Ok(Plain { fitted: &fitted, request }.report())
}

/// Turns a location-scale fit into named parameters.
struct Plain<'a> {
    fitted: &'a ParametricFit,
    request: &'a FitRequest,
}

impl Plain<'_> {
    fn report(&self) -> FitReport {
        let fitted = self.fitted;
        let (values, covariance, names) = self.transformed();
        let error = |i: usize| covariance.get(i, i).sqrt();
        let last = names.len() - 1;
        let mut parts = Parts::new(self.request.confidence);
        match fitted.distribution {
            Distribution::Weibull => {
                parts.positive("scale", values[0], error(0));
                parts.positive("shape", values[last], error(last));
            }
            Distribution::Exponential => parts.positive("scale", values[0], error(0)),
            Distribution::Lognormal | Distribution::Loglogistic => {
                parts.plain("mu", values[0], error(0));
                parts.positive("sigma", values[last], error(last));
            }
        }
        for (j, name) in self.request.covariates.iter().enumerate() {
            parts.coefficient(name, values[j + 1], error(j + 1));
        }
        let zeros = vec![0.0; self.request.covariates.len()];
        let quantiles = QUANTILES
            .iter()
            .map(|&p| {
                let found = fitted.quantile(p, &zeros, self.request.confidence);
                let quantile = ReportedQuantile { value: found.value, interval: found.interval };
                (p.to_string(), quantile)
            })
            .collect();
        FitReport {
            distribution: fitted.distribution,
            form: self.request.form,
            n: fitted.units,
            failures: fitted.failures,
            parameters: parts.values,
            standard_errors: parts.errors,
            intervals: parts.intervals,
            covariance: NamedCovariance { parameters: names, matrix: covariance.rows() },
            log_likelihood: fitted.log_likelihood,
            quantiles,
            converged: fitted.convergence.converged,
            frailty_test: None,
            warnings: Vec::new(),
        }
    }

    /// Values, covariance and names after the change of form: scale or mu first, coefficients,
    /// then shape or sigma.
    fn transformed(&self) -> (Vec<f64>, Matrix, Vec<String>) {
        let fitted = self.fitted;
        let size = fitted.coefficients.len() + 1;
        let last = size - 1;
        let log_law =
            matches!(fitted.distribution, Distribution::Lognormal | Distribution::Loglogistic);
        let mut map = vec![vec![0.0; size]; size];
        let mut values = Vec::with_capacity(size);
        for (i, (row, &b)) in map.iter_mut().zip(&fitted.coefficients).enumerate() {
            if i > 0 && self.request.form == Form::Ph {
                values.push(-b / fitted.sigma);
                row[i] = -1.0 / fitted.sigma;
                row[last] = b / fitted.sigma;
            } else {
                values.push(if i == 0 && !log_law { b.exp() } else { b });
                row[i] = 1.0;
            }
        }
        // ln shape = -ln sigma.
        map[last][last] = if log_law { 1.0 } else { -1.0 };
        values.push(if log_law { fitted.sigma } else { fitted.shape() });
        let mut names = vec![if log_law { "mu" } else { "log scale" }.to_owned()];
        names.extend(self.request.covariates.iter().cloned());
        names.push(if log_law { "log sigma" } else { "log shape" }.to_owned());
        let covariance = fitted.covariance.mapped(&map);
        if fitted.distribution.has_fixed_scale() {
            let kept: Vec<usize> = (0..last).collect();
            names.pop();
            return (values, covariance.submatrix(&kept), names);
        }
        (values, covariance, names)
    }
}
