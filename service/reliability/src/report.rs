//! Reports on plain tables of lifetimes, as the command line prints them.

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize, Serializer};

use crate::frailty_fit::{FrailtyFit, FrailtyUnit, fit_weibull_frailty};
use crate::intervals::{log_wald, wald};
use crate::lifetime::{Lifetime, Observation};
use crate::location_scale::Distribution;
use crate::matrix::Matrix;
use crate::nonparametric::{CurveError, CurveStep, TurnbullStep, kaplan_meier, log_rank, turnbull};
use crate::parametric::{ParametricError, ParametricFit, Sample, fit};
use crate::table::LifetimeTable;

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

const QUANTILES: [f64; 2] = [0.1, 0.5];
const FEW_FAILURES: f64 = 10.0;

/// The columns that a request reads besides the lifetimes.
#[must_use]
pub fn columns_of(request: &FitRequest) -> (Vec<String>, Vec<String>) {
    (request.covariates.clone(), request.frailty.iter().cloned().collect())
}

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

fn explain(error: &ParametricError, table: &LifetimeTable, request: &FitRequest) -> ReportError {
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

fn plain_report(table: &LifetimeTable, request: &FitRequest) -> Result<FitReport, ReportError> {
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

/// Collects named values, errors and intervals.
struct Parts {
    values: Parameters,
    errors: Parameters,
    intervals: BTreeMap<String, [f64; 2]>,
    confidence: f64,
}

impl Parts {
    fn new(confidence: f64) -> Self {
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
    fn positive(&mut self, name: &str, value: f64, log_error: f64) {
        *Self::slot(&mut self.values, name) = Some(value);
        *Self::slot(&mut self.errors, name) = Some(value * log_error);
        self.intervals.insert(name.to_owned(), log_wald(value, log_error, self.confidence));
    }

    fn plain(&mut self, name: &str, value: f64, error: f64) {
        *Self::slot(&mut self.values, name) = Some(value);
        *Self::slot(&mut self.errors, name) = Some(error);
        self.intervals.insert(name.to_owned(), wald(value, error, self.confidence));
    }

    fn coefficient(&mut self, name: &str, value: f64, error: f64) {
        self.values.coefficients.insert(name.to_owned(), value);
        self.errors.coefficients.insert(name.to_owned(), error);
        self.intervals.insert(name.to_owned(), wald(value, error, self.confidence));
    }
}

fn frailty_report(
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
            p_value: crate::parametric::boundary_p_value(ratio),
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

/// How a curve was made.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum CurveMethod {
    /// Exact and right-censored ends.
    KaplanMeier,
    /// Interval ends too.
    Turnbull,
}

/// The curve of one group.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct GroupCurve {
    /// Name; none when not grouped.
    pub group: Option<String>,
    /// Sum of weights.
    #[serde(serialize_with = "as_count")]
    pub n: f64,
    /// Sum of weights of failures.
    #[serde(serialize_with = "as_count")]
    pub failures: f64,
    /// First age at which survival is at or below one half.
    pub median: Option<f64>,
    /// Kaplan-Meier steps with Greenwood errors, log-log bands and Nelson-Aalen hazard.
    #[serde(skip_serializing_if = "Vec::is_empty", default)]
    pub steps: Vec<CurveStep>,
    /// Turnbull's masses.
    #[serde(skip_serializing_if = "Vec::is_empty", default)]
    pub intervals: Vec<TurnbullStep>,
    /// Whether the masses settled.
    pub converged: bool,
}

/// Curves of all groups.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct CurveReport {
    /// How they were made.
    pub method: CurveMethod,
    /// Level of the bands.
    pub confidence: f64,
    /// By group, in order of name.
    pub groups: Vec<GroupCurve>,
}

fn by_group<'a>(
    table: &'a LifetimeTable,
    group: Option<&str>,
) -> BTreeMap<Option<&'a str>, Vec<Lifetime>> {
    let names = group.and_then(|column| table.texts.get(column));
    let mut groups: BTreeMap<Option<&str>, Vec<Lifetime>> = BTreeMap::new();
    for (i, lifetime) in table.lifetimes.iter().enumerate() {
        groups.entry(names.map(|n| n[i].as_str())).or_default().push(*lifetime);
    }
    groups
}

fn weight(lifetimes: &[Lifetime], only_failures: bool) -> f64 {
    lifetimes.iter().filter(|l| !only_failures || l.failed()).map(|l| l.weight).sum()
}

/// Curves of a table: Kaplan-Meier, or Turnbull when any end is an interval.
///
/// # Errors
/// [`ReportError::Curve`].
pub fn curve_report(
    table: &LifetimeTable,
    group: Option<&str>,
    confidence: f64,
) -> Result<CurveReport, ReportError> {
    if !(confidence > 0.0 && confidence < 1.0) {
        return Err(ReportError::Confidence(confidence));
    }
    let interval =
        table.lifetimes.iter().any(|l| matches!(l.observation, Observation::Interval { .. }));
    let refuse = |error: CurveError| ReportError::Curve(error.to_string());
    let groups = by_group(table, group)
        .into_iter()
        .map(|(name, lifetimes)| {
            let mut curve = GroupCurve {
                group: name.map(str::to_owned),
                n: weight(&lifetimes, false),
                failures: weight(&lifetimes, true),
                median: None,
                steps: Vec::new(),
                intervals: Vec::new(),
                converged: true,
            };
            if interval {
                let found = turnbull(&lifetimes).map_err(refuse)?;
                let half = found.steps.iter().find(|step| step.survival <= 0.5 + 1e-12);
                curve.median = half.and_then(|step| step.by);
                curve.converged = found.converged;
                curve.intervals = found.steps;
            } else {
                let found = kaplan_meier(&lifetimes, confidence).map_err(refuse)?;
                curve.median = found.median();
                curve.steps = found.steps;
            }
            Ok(curve)
        })
        .collect::<Result<_, ReportError>>()?;
    let method = if interval { CurveMethod::Turnbull } else { CurveMethod::KaplanMeier };
    Ok(CurveReport { method, confidence, groups })
}

/// One group of a comparison.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ComparedGroup {
    /// Name.
    pub group: String,
    /// Sum of weights.
    #[serde(serialize_with = "as_count")]
    pub n: f64,
    /// Failures seen.
    pub observed: f64,
    /// Failures expected if all groups were alike.
    pub expected: f64,
}

/// A log-rank test.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct CompareReport {
    /// Always `log-rank`.
    pub test: String,
    /// Statistic.
    pub chi_square: f64,
    /// Degrees of freedom.
    pub degrees_of_freedom: usize,
    /// Probability of a larger statistic if all groups were alike.
    pub p_value: f64,
    /// By group, in order of name.
    pub groups: Vec<ComparedGroup>,
}

/// Compares the groups of a table by the log-rank test.
///
/// # Errors
/// [`ReportError::Curve`], naming the line of an interval end.
pub fn compare_report(table: &LifetimeTable, group: &str) -> Result<CompareReport, ReportError> {
    let names = table.texts.get(group).cloned().unwrap_or_default();
    let mut distinct = names.clone();
    distinct.sort();
    distinct.dedup();
    let indices: Vec<usize> =
        names.iter().map(|n| distinct.binary_search(n).unwrap_or(0)).collect();
    let strata = vec![0; indices.len()];
    let found = log_rank(&table.lifetimes, &indices, &strata, 0.0).map_err(|error| {
        ReportError::Curve(match error {
            CurveError::Interval(row) => format!("line {}: {error}", table.lines[row]),
            _ => error.to_string(),
        })
    })?;
    let groups = distinct
        .iter()
        .enumerate()
        .map(|(i, name)| ComparedGroup {
            group: name.clone(),
            n: (0..indices.len())
                .filter(|&row| indices[row] == i)
                .map(|row| table.lifetimes[row].weight)
                .sum(),
            observed: found.observed[i],
            expected: found.expected[i],
        })
        .collect();
    Ok(CompareReport {
        test: "log-rank".to_owned(),
        chi_square: found.chi_square,
        degrees_of_freedom: found.degrees_of_freedom,
        p_value: found.p_value,
        groups,
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

    #[test]
    fn comparing_names_its_groups() {
        let content = "lower,upper,arm\n3,3,new\n5,,new\n1,1,old\n2,2,old\n";
        let table = LifetimeTable::parse(content, &[], &["arm".to_owned()]).unwrap();
        let found = compare_report(&table, "arm").unwrap();
        assert_eq!(found.groups[1].group, "old");
        let (seen, expected) = (found.groups[1].observed, found.groups[1].expected);
        assert!(seen > expected);
    }
}
