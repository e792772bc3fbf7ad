//! Fits by the names that the expected values use.

use hotspell_reliability::lifetime::Lifetime;
use hotspell_reliability::location_scale::Distribution;
use hotspell_reliability::parametric::{
    ParametricFit, Sample, Target, fit, likelihood_ratio_interval, z_of,
};

use crate::harness::Case;

pub(crate) const LAWS: [(&str, Distribution); 4] = [
    ("weibull", Distribution::Weibull),
    ("lognormal", Distribution::Lognormal),
    ("loglogistic", Distribution::Loglogistic),
    ("exponential", Distribution::Exponential),
];

/// Right-censored ages with weights.
pub(crate) fn right_censored(
    ages: &[f64],
    failed: &[f64],
    weights: Option<&[f64]>,
) -> Vec<Lifetime> {
    ages.iter()
        .zip(failed)
        .enumerate()
        .map(|(i, (&age, &failed))| {
            let weight = weights.map_or(1.0, |w| w[i]);
            Lifetime::from_bounds(0.0, Some(age), (failed > 0.5).then_some(age), weight).unwrap()
        })
        .collect()
}

/// A quantity of a fit by the name that the expected values use, if it is a general one.
fn quantity(fit: &ParametricFit, name: &str) -> Option<Vec<f64>> {
    let name = name.trim_end_matches("_published").trim_end_matches("_library");
    if let Some((base, kind)) = name.split_once("_ci") {
        let confidence = kind[..2].parse::<f64>().ok()? / 100.0;
        let kind = kind.get(3..).unwrap_or("");
        return interval(fit, base, kind, confidence).map(|i| i.to_vec());
    }
    if let Some(index) = name.strip_prefix("coef") {
        return Some(vec![fit.coefficients[index.parse::<usize>().ok()?]]);
    }
    if let Some(index) = name.strip_prefix("se_coef") {
        return Some(vec![fit.coefficient_error(index.parse().ok()?)]);
    }
    if let Some(p) = name.strip_prefix('t').filter(|p| p.starts_with("0.")) {
        let p = p.parse().ok()?;
        return Some(vec![fit.quantile(p, &[], 0.95).value]);
    }
    Some(vec![match name {
        "mu" => fit.coefficients[0],
        "se_mu" => fit.coefficient_error(0),
        "sigma" => fit.sigma,
        "log_sigma" => fit.sigma.ln(),
        "se_log_sigma" => fit.log_sigma_error(),
        "se_sigma" => fit.sigma * fit.log_sigma_error(),
        "loglik" => fit.log_likelihood,
        "aic" => fit.aic(),
        "eta" => fit.scale(),
        "shape" => fit.shape(),
        "se_eta" => fit.scale() * fit.coefficient_error(0),
        "se_shape" => fit.shape() * fit.log_sigma_error(),
        "mean_life" if fit.distribution == Distribution::Exponential => fit.scale(),
        _ => return None,
    }])
}

fn interval(fit: &ParametricFit, base: &str, kind: &str, confidence: f64) -> Option<[f64; 2]> {
    let z = z_of(confidence);
    let around = |centre: f64, sd: f64| [centre - z * sd, centre + z * sd];
    let on_log = |centre: f64, log_sd: f64| around(centre.ln(), log_sd).map(f64::exp);
    match (base, kind) {
        ("eta", "log_wald") => Some(on_log(fit.scale(), fit.coefficient_error(0))),
        ("shape", "log_wald") => Some(on_log(fit.shape(), fit.log_sigma_error())),
        ("sigma", "log_wald" | "") => Some(on_log(fit.sigma, fit.log_sigma_error())),
        ("mu", "") => Some(around(fit.coefficients[0], fit.coefficient_error(0))),
        (_, "wald" | "") if base.starts_with("coef") => {
            let index: usize = base[4..].parse().ok()?;
            Some(around(fit.coefficients[index], fit.coefficient_error(index)))
        }
        (_, "log_wald") => {
            let p = base.strip_prefix('t')?.parse().ok()?;
            Some(fit.quantile(p, &[], confidence).interval)
        }
        _ => None,
    }
}

/// Checks every general quantity whose name starts with `prefix`; `special` may give others.
pub(crate) fn check_fit(
    case: &Case,
    prefix: &str,
    fit: &ParametricFit,
    special: impl Fn(&str) -> Option<Vec<f64>>,
) {
    for name in case.names() {
        let Some(bare) = name.strip_prefix(prefix) else { continue };
        if let Some(got) = special(bare).or_else(|| quantity(fit, bare)) {
            case.check_list(&name, &got);
        }
    }
}

pub(crate) fn none(_: &str) -> Option<Vec<f64>> {
    None
}

/// Intervals by likelihood ratio and shares failed, by name.
pub(crate) fn more(sample: &Sample, fit: &ParametricFit, name: &str) -> Option<Vec<f64>> {
    let name = name.trim_end_matches("_published");
    if name == "shape_ci95_likelihood_ratio" {
        let [low, high] = likelihood_ratio_interval(sample, fit, Target::Sigma, 0.95);
        return Some(vec![1.0 / high, 1.0 / low]);
    }
    if let Some(p) = name.strip_suffix("_ci95_likelihood_ratio") {
        let p = p.strip_prefix('t')?.parse().ok()?;
        let found = likelihood_ratio_interval(sample, fit, Target::Quantile(p), 0.95);
        return Some(found.to_vec());
    }
    let share = name.strip_prefix('F')?;
    match share.strip_suffix("_ci95_wald_on_z") {
        Some(age) => Some(fit.failed_by(age.parse().ok()?, &[], 0.95).interval.to_vec()),
        None => Some(vec![fit.failed_by(share.parse().ok()?, &[], 0.95).value]),
    }
}

pub(crate) fn check_laws(id: &str, sample: &Sample, laws: &[&str]) -> Case {
    let case = Case::open(id);
    for (name, law) in LAWS.iter().filter(|(name, _)| laws.contains(name)) {
        let fitted = fit(sample, *law).unwrap();
        assert!(fitted.convergence.converged);
        check_fit(&case, &format!("{name}."), &fitted, |bare| more(sample, &fitted, bare));
    }
    case
}

/// Quantiles and shares failed at a stress, by names such as `t0.1_at_130C_ci90_log_wald`.
pub(crate) fn at_stress(
    fit: &ParametricFit,
    name: &str,
    unit: &str,
    covariates: impl Fn(f64) -> Vec<f64>,
) -> Option<Vec<f64>> {
    let name = name.trim_end_matches("_published");
    let (what, rest) = name.split_once("_at_")?;
    let stress: f64 = rest
        .chars()
        .take_while(|c| c.is_ascii_digit() || *c == '.')
        .collect::<String>()
        .parse()
        .ok()?;
    let x = covariates(stress);
    let tail = &rest[rest.find(unit).map_or(rest.len(), |i| i + unit.len())..];
    let confidence = if tail.contains("ci90") { 0.9 } else { 0.95 };
    if let Some(age) = what.strip_prefix('F') {
        let share = fit.failed_by(age.parse().ok()?, &x, confidence);
        return Some(if tail.is_empty() { vec![share.value] } else { share.interval.to_vec() });
    }
    let p = what.trim_start_matches("se_").trim_start_matches("log_").strip_prefix('t')?;
    let found = fit.quantile(p.parse().ok()?, &x, confidence);
    Some(match (what.starts_with("log_"), what.starts_with("se_log_"), tail) {
        (true, _, _) => vec![found.value.ln()],
        (_, true, _) => vec![found.standard_error / found.value],
        (_, _, "_se") => vec![found.standard_error],
        (_, _, "") => vec![found.value],
        _ => found.interval.to_vec(),
    })
}
