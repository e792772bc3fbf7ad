//! Parametric laws: A cases, B01, B02, B09, B10, D08, E05.

use hotspell_reliability::lifetime::Lifetime;
use hotspell_reliability::location_scale::Distribution;
use hotspell_reliability::parametric::{
    ParametricFit, Sample, Target, exponential_mean_interval, fit, likelihood_ratio_interval,
    weibull_log_posterior, weibull_posterior, z_of,
};
use hotspell_reliability::priors::NormalPrior;
use hotspell_reliability::weibull::Weibull;
use statrs::function::gamma::gamma;

use crate::harness::{Case, Table, number_after};

const LAWS: [(&str, Distribution); 4] = [
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

fn intervals(rows: &[(f64, Option<f64>, f64)]) -> Sample {
    let lifetimes = rows
        .iter()
        .map(|&(lower, upper, weight)| {
            let lower = if lower > 0.0 { Some(lower) } else { None };
            Lifetime::from_bounds(0.0, lower, upper, weight).unwrap()
        })
        .collect();
    Sample::without_covariates(lifetimes)
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

#[test]
fn a01_nist_20_units_10_failed() {
    let table = Table::read("nist_8413.csv");
    let sample = Sample::without_covariates(right_censored(
        &table.column("hours"),
        &table.column("failed"),
        None,
    ));
    let case = check_laws("A01", &sample, &["lognormal", "exponential"]);
    let fitted = fit(&sample, Distribution::Weibull).unwrap();
    check_fit(&case, "", &fitted, |name| more(&sample, &fitted, name));
    let (scale, shape) = (fitted.scale(), fitted.shape());
    let first = gamma(1.0 + 1.0 / shape);
    case.check("mean_life_published", scale * first);
    let second = gamma(1.0 + 2.0 / shape);
    case.check("sd_life_published", scale * (second - first * first).sqrt());
    case.check("cov_eta_shape", -scale * shape * fitted.covariance.get(0, 1));
    case.close();
}

#[test]
fn a03_six_failures_of_1703() {
    let table = Table::read("bearing_cage.csv");
    let sample = Sample::without_covariates(right_censored(
        &table.column("hours"),
        &table.column("failed"),
        Some(&table.column("count")),
    ));
    let case = Case::open("A03");
    let fitted = fit(&sample, Distribution::Weibull).unwrap();
    check_fit(&case, "", &fitted, |name| more(&sample, &fitted, name));
    case.check("t01_published", fitted.quantile(0.1, &[], 0.95).value);
    let ratio = likelihood_ratio_interval(&sample, &fitted, Target::Quantile(0.1), 0.95);
    case.check_list("t01_lr_ci95_published", &ratio);
    case.close();
}

#[test]
fn a04_diesel_fans() {
    let table = Table::read("diesel_fans.csv");
    let (hours, failed) = (table.column("hours"), table.column("failed"));
    let sample = Sample::without_covariates(right_censored(&hours, &failed, None));
    let case = check_laws("A04", &sample, &["weibull", "exponential"]);
    let (total, failures): (f64, f64) = (hours.iter().sum(), failed.iter().sum());
    case.check("exponential.total_time_over_failures", total / failures);
    let limits = exponential_mean_interval(total, failures, 0.95);
    case.check_list("exponential.mean_ci95_chi2_time_truncated", &limits);
    case.close();
}

#[test]
fn a05_ball_bearings_all_failed() {
    let table = Table::read("lz_bearings.csv");
    let sample = Sample::without_covariates(right_censored(
        &table.column("megacycles"),
        &table.column("failed"),
        None,
    ));
    check_laws("A05", &sample, &["weibull", "lognormal"]).close();
}

#[test]
fn a07_parts_cracked_between_inspections() {
    // W. Nelson, Applied Life Data Analysis, Wiley 1982, p. 415: days of inspection, parts.
    let sample = intervals(&[
        (0.0, Some(186.0), 5.0),
        (186.0, Some(606.0), 16.0),
        (606.0, Some(902.0), 12.0),
        (902.0, Some(1077.0), 18.0),
        (1077.0, Some(1209.0), 18.0),
        (1209.0, Some(1377.0), 2.0),
        (1377.0, Some(1592.0), 6.0),
        (1592.0, Some(1932.0), 17.0),
        (1932.0, None, 73.0),
    ]);
    check_laws("A07", &sample, &["weibull", "lognormal"]).close();
}

#[test]
fn a08_turbine_wheels_each_inspected_once() {
    // Nelson 1982, p. 409: hundreds of hours, wheels without and with a crack.
    let ages = [4.0, 10.0, 14.0, 18.0, 22.0, 26.0, 30.0, 34.0, 38.0, 42.0, 46.0];
    let sound = [39.0, 49.0, 31.0, 66.0, 25.0, 30.0, 33.0, 7.0, 12.0, 19.0, 15.0];
    let cracked = [0.0, 4.0, 2.0, 7.0, 5.0, 9.0, 9.0, 6.0, 22.0, 21.0, 21.0];
    let mut rows = Vec::new();
    for ((age, sound), cracked) in ages.into_iter().zip(sound).zip(cracked) {
        rows.push((age, None, sound));
        if cracked > 0.0 {
            rows.push((0.0, Some(age), cracked));
        }
    }
    check_laws("A08", &intervals(&rows), &["weibull", "lognormal"]).close();
}

#[test]
fn a09_heat_exchanger_tubes_of_three_plants() {
    // Meeker & Escobar, Statistical Methods for Reliability Data, 1998, example 1.5: years, tubes.
    let sample = intervals(&[
        (0.0, Some(1.0), 1.0),
        (1.0, Some(2.0), 2.0),
        (2.0, Some(3.0), 2.0),
        (3.0, None, 95.0),
        (0.0, Some(1.0), 2.0),
        (1.0, Some(2.0), 3.0),
        (2.0, None, 95.0),
        (0.0, Some(1.0), 1.0),
        (1.0, None, 99.0),
    ]);
    check_laws("A09", &sample, &["weibull", "exponential"]).close();
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

#[test]
fn a10_motorettes_arrhenius_lognormal_extrapolated() {
    let table = Table::read("motorettes.csv");
    let kelvin = |celsius: f64| vec![1000.0 / (273.2 + celsius)];
    let celsius = table.column("celsius");
    let all = right_censored(&table.column("hours"), &table.column("failed"), None);
    let hot: Vec<usize> = (0..table.rows).filter(|&i| celsius[i] > 150.0).collect();
    let sample = Sample {
        lifetimes: hot.iter().map(|&i| all[i]).collect(),
        covariates: hot.iter().map(|&i| kelvin(celsius[i])).collect(),
    };
    let case = Case::open("A10");
    let fitted = fit(&sample, Distribution::Lognormal).unwrap();
    check_fit(&case, "", &fitted, |name| at_stress(&fitted, name, "C", kelvin));
    case.close();
}

#[test]
fn a11_motorettes_weibull_linear_in_temperature() {
    let table = Table::read("motorettes.csv");
    let sample = Sample {
        lifetimes: right_censored(&table.column("hours"), &table.column("failed"), None),
        covariates: table.column("celsius").iter().map(|c| vec![*c]).collect(),
    };
    let case = Case::open("A11");
    let fitted = fit(&sample, Distribution::Weibull).unwrap();
    check_fit(&case, "", &fitted, |name| at_stress(&fitted, name, "C", |c| vec![c]));
    case.close();
}

#[test]
fn a14_device_a_none_failed_at_use_temperature() {
    let table = Table::read("device_a.csv");
    let electronvolts = |celsius: f64| vec![11605.0 / (273.15 + celsius)];
    let sample = Sample {
        lifetimes: right_censored(
            &table.column("hours"),
            &table.column("failed"),
            Some(&table.column("count")),
        ),
        covariates: table.column("celsius").iter().map(|c| electronvolts(*c)).collect(),
    };
    let case = Case::open("A14");
    let fitted = fit(&sample, Distribution::Lognormal).unwrap();
    check_fit(&case, "", &fitted, |name| at_stress(&fitted, name, "C", electronvolts));
    check_fit(&case, "weibull.", &fit(&sample, Distribution::Weibull).unwrap(), none);
    case.close();
}

#[test]
fn a15_mylar_inverse_power_law() {
    let table = Table::read("mylar_polyurethane.csv");
    let sample = Sample {
        lifetimes: right_censored(&table.column("minutes"), &table.column("failed"), None),
        covariates: table.column("kv_per_mm").iter().map(|v| vec![v.ln()]).collect(),
    };
    let case = Case::open("A15");
    let fitted = fit(&sample, Distribution::Lognormal).unwrap();
    check_fit(&case, "", &fitted, |name| at_stress(&fitted, name, "50", |v| vec![v.ln()]));
    case.close();
}

#[test]
fn a17_six_rows_four_laws() {
    // R package survival, tests/testreg.R (data of the smallest regression): time, status, x.
    let rows = [(9.0, 1.0, 0.0), (1.0, 1.0, 1.0), (1.0, 0.0, 1.0), (6.0, 1.0, 1.0)];
    let rows = [&rows[..], &[(6.0, 1.0, 0.0), (8.0, 0.0, 0.0)]].concat();
    let (ages, failed): (Vec<f64>, Vec<f64>) = rows.iter().map(|r| (r.0, r.1)).unzip();
    let sample = Sample {
        lifetimes: right_censored(&ages, &failed, None),
        covariates: rows.iter().map(|r| vec![r.2]).collect(),
    };
    check_laws("A17", &sample, &["weibull", "lognormal", "loglogistic", "exponential"]).close();
}

#[test]
fn a18_entry_ages_are_obeyed() {
    let table = Table::read("left_truncation.csv");
    let (entry, time, failed) =
        (table.column("entry"), table.column("time"), table.column("failed"));
    let lifetimes: Vec<Lifetime> = (0..table.rows)
        .map(|i| {
            let upper = (failed[i] > 0.5).then_some(time[i]);
            Lifetime::from_bounds(entry[i], Some(time[i]), upper, 1.0).unwrap()
        })
        .collect();
    let sample = Sample::without_covariates(lifetimes.clone());
    let case = check_laws("A18", &sample, &["weibull", "lognormal", "exponential"]);
    let with_z =
        Sample { lifetimes, covariates: table.column("z").iter().map(|z| vec![*z]).collect() };
    check_fit(&case, "aft.", &fit(&with_z, Distribution::Weibull).unwrap(), none);
    // What comes out when entry ages are ignored must not be what comes out when they are used.
    let ignored = Sample::without_covariates(right_censored(&time, &failed, None));
    let wrong = fit(&ignored, Distribution::Weibull).unwrap();
    check_fit(&case, "wrong_if_entry_ignored.", &wrong, none);
    let right = fit(&sample, Distribution::Weibull).unwrap();
    assert!(wrong.shape() > 1.3 * right.shape());
    case.close();
}

/// Fits of B01 and B02: accelerated life, and proportional hazards derived from it.
fn check_regressions(id: &str, sample: &Sample, laws: &[(&str, Distribution)], suffix: &str) {
    let case = Case::open(id);
    for (name, law) in laws {
        check_fit(&case, &format!("{name}.{suffix}"), &fit(sample, *law).unwrap(), none);
    }
    if suffix == "age_sex." {
        return;
    }
    case.close();
}

#[test]
fn b01_lung() {
    let table = Table::read("lung.csv");
    let lifetimes = right_censored(&table.column("time"), &table.column("status"), None);
    let (age, sex) = (table.column("age"), table.column("sex"));
    let ecog = table.optional("ph_ecog");
    let two = Sample {
        lifetimes: lifetimes.clone(),
        covariates: (0..table.rows).map(|i| vec![age[i], sex[i]]).collect(),
    };
    let known: Vec<usize> = (0..table.rows).filter(|&i| ecog[i].is_some()).collect();
    let three = Sample {
        lifetimes: known.iter().map(|&i| lifetimes[i]).collect(),
        covariates: known.iter().map(|&i| vec![age[i], sex[i], ecog[i].unwrap()]).collect(),
    };
    let case = Case::open("B01");
    for (name, law) in LAWS {
        check_fit(&case, &format!("{name}.age_sex."), &fit(&two, law).unwrap(), none);
    }
    let fitted = fit(&three, Distribution::Weibull).unwrap();
    check_fit(&case, "weibull.age_sex_ecog.", &fitted, none);
    case.close();
}

#[test]
fn b02_ovarian() {
    let table = Table::read("ovarian.csv");
    let (ecog, rx) = (table.column("ecog_ps"), table.column("rx"));
    let sample = Sample {
        lifetimes: right_censored(&table.column("futime"), &table.column("fustat"), None),
        covariates: ecog.iter().zip(&rx).map(|(a, b)| vec![*a, *b]).collect(),
    };
    check_regressions("B02", &sample, &LAWS, "");
}

/// B09 and B10: mode and Laplace tightly, and the posterior integrated over a grid with the
/// engine's own log posterior.
fn check_posterior(id: &str, sample: &Sample, centre: [f64; 2], spread: [f64; 2]) {
    let case = Case::open(id);
    let prior = NormalPrior::independent(centre.to_vec(), &spread);
    let found = weibull_posterior(sample, &prior).unwrap();
    case.check("map_log_eta", found.mode[0]);
    case.check("map_log_shape", found.mode[1]);
    case.check("map_log_posterior_unnormalised", found.log_posterior);
    let sds: Vec<f64> = found.covariance.diagonal().map(f64::sqrt).collect();
    case.check("laplace_sd_log_eta", sds[0]);
    case.check("laplace_sd_log_shape", sds[1]);
    case.check("laplace_log_evidence", found.log_evidence);
    let points: Vec<([f64; 2], f64)> = grid(sample, &prior, found.mode, [sds[0], sds[1]]);
    let total: f64 = points.iter().map(|(_, w)| w).sum();
    let mean =
        |f: &dyn Fn(&[f64; 2]) -> f64| points.iter().map(|(p, w)| w * f(p)).sum::<f64>() / total;
    let means = [mean(&|p| p[0]), mean(&|p| p[1])];
    let covariance = |i: usize, j: usize| mean(&|p| (p[i] - means[i]) * (p[j] - means[j]));
    case.check("posterior mean_log_eta", means[0]);
    case.check("posterior mean_log_shape", means[1]);
    case.check("posterior sd_log_eta", covariance(0, 0).sqrt());
    case.check("posterior sd_log_shape", covariance(1, 1).sqrt());
    case.check("posterior corr", covariance(0, 1) / (covariance(0, 0) * covariance(1, 1)).sqrt());
    case.check("posterior log_evidence", total.ln() + found.log_posterior);
    for name in case.names().iter().filter(|name| name.contains("P(fail in")) {
        let (more, age) = (number_after(name, "P(fail in "), number_after(name, "alive at "));
        let risk = |p: &[f64; 2]| {
            Weibull { scale: p[0].exp(), shape: p[1].exp() }.conditional_failure(age, more)
        };
        if name.contains("interval") {
            let ends = [0.05, 0.95].map(|level| quantile(&points, total, (age, more), level));
            case.check_list(name, &ends);
        } else {
            case.check(name, mean(&risk));
        }
    }
    case.close();
}

fn grid(
    sample: &Sample,
    prior: &NormalPrior,
    mode: [f64; 2],
    sds: [f64; 2],
) -> Vec<([f64; 2], f64)> {
    let side = 440;
    let top = weibull_log_posterior(sample, prior, mode[0], mode[1]).value;
    let steps = sds.map(|sd| 14.0 * sd / f64::from(side));
    let mut points = Vec::new();
    for i in 0..=side {
        for j in 0..=side {
            let at = [
                mode[0] + steps[0] * f64::from(i - side / 2),
                mode[1] + steps[1] * f64::from(j - side / 2),
            ];
            let value = weibull_log_posterior(sample, prior, at[0], at[1]).value;
            points.push((at, steps[0] * steps[1] * (value - top).exp()));
        }
    }
    points
}

/// Quantile of the conditional probability over the grid. For a given shape the probability falls
/// with the scale, so its distribution function is a tail of each grid column.
fn quantile(points: &[([f64; 2], f64)], total: f64, (age, more): (f64, f64), level: f64) -> f64 {
    let mut columns: Vec<Vec<&([f64; 2], f64)>> = Vec::new();
    let side = points.iter().take_while(|(p, _)| p[0] <= points[0].0[0]).count();
    for j in 0..side {
        columns.push(points.iter().skip(j).step_by(side).collect());
    }
    let step = columns[0][1].0[0] - columns[0][0].0[0];
    let below = |risk: f64| {
        let mut sum = 0.0;
        for column in &columns {
            let shape = column[0].0[1].exp();
            let grown = (age + more).powf(shape) - age.powf(shape);
            let log_scale = (grown / -(-risk).ln_1p()).ln() / shape;
            for (at, weight) in column {
                // Each grid point stands for a cell around it; the cell that holds the limit
                // counts in part.
                let share = (0.5 + (at[0] - log_scale) / step).clamp(0.0, 1.0);
                sum += share * weight;
            }
        }
        sum / total
    };
    let (mut low, mut high) = (1e-9_f64.ln(), 0.999_f64.ln());
    for _ in 0..50 {
        let middle = f64::midpoint(low, high);
        if below(middle.exp()) < level { low = middle } else { high = middle }
    }
    f64::midpoint(low, high).exp()
}

#[test]
fn b09_priors_with_six_failures() {
    let table = Table::read("bearing_cage.csv");
    let sample = Sample::without_covariates(right_censored(
        &table.column("hours"),
        &table.column("failed"),
        Some(&table.column("count")),
    ));
    check_posterior("B09", &sample, [8.987_196_820_661_973, 2.5_f64.ln()], [0.7, 0.35]);
}

#[test]
fn b10_priors_with_no_failure() {
    let table = Table::read("no_failures.csv");
    let sample = Sample::without_covariates(right_censored(
        &table.column("years"),
        &table.column("failed"),
        None,
    ));
    check_posterior("B10", &sample, [9.0_f64.ln(), 2.5_f64.ln()], [0.35, 0.35]);
}

#[test]
fn d08_bounds_of_a_conditional_probability() {
    let table = Table::read("nist_8413.csv");
    let sample = Sample::without_covariates(right_censored(
        &table.column("hours"),
        &table.column("failed"),
        None,
    ));
    let fitted = fit(&sample, Distribution::Weibull).unwrap();
    let case = Case::open("D08");
    for name in case.names() {
        let (more, age) = (number_after(&name, "P(fail in "), number_after(&name, "alive at "));
        let found = fitted.conditional_failure(age, more, 0.95);
        if name.contains("ci95") {
            case.check_list(&name, &found.interval);
        } else if name.contains("se of") {
            case.check(&name, found.standard_error);
        } else {
            case.check(&name, found.value);
        }
    }
    case.close();
}

#[test]
fn e05_degradation_at_three_temperatures() {
    use hotspell_reliability::drift_line::slope_through_origin;
    let table = Table::read("nist_degradation.csv");
    let (celsius, unit) = (table.column("celsius"), table.column("unit"));
    let (hours, percent) = (table.column("hours"), table.column("percent"));
    let mut lives: Vec<(f64, f64)> = Vec::new();
    for temperature in [65.0, 85.0, 105.0] {
        for number in 1..=5 {
            let points: Vec<(f64, f64)> = (0..table.rows)
                .filter(|&i| (celsius[i] - temperature).abs() < 0.1)
                .filter(|&i| (unit[i] - f64::from(number)).abs() < 0.1)
                .map(|i| (hours[i], percent[i]))
                .collect();
            lives.push((temperature, 30.0 / slope_through_origin(&points)));
        }
    }
    let electronvolts = |celsius: f64| vec![11605.0 / (celsius + 273.16)];
    let (temperatures, ages): (Vec<f64>, Vec<f64>) = lives.iter().copied().unzip();
    let sample = Sample {
        lifetimes: right_censored(&ages, &vec![1.0; ages.len()], None),
        covariates: temperatures.iter().map(|c| electronvolts(*c)).collect(),
    };
    let case = Case::open("E05");
    let fitted = fit(&sample, Distribution::Lognormal).unwrap();
    check_fit(&case, "", &fitted, |name| at_stress(&fitted, name, "C", electronvolts));
    for (i, temperature) in [65, 85, 105].iter().enumerate() {
        let mut five: Vec<f64> = ages[5 * i..5 * i + 5].to_vec();
        five.sort_by(f64::total_cmp);
        case.check(&format!("{temperature}C: median pseudo life (sample)"), five[2]);
    }
    case.close();
}
