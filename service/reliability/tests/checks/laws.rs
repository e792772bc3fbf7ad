//! Laws without covariates: A01, A03 to A05, A07 to A09, A18, D08.

use hotspell_reliability::lifetime::Lifetime;
use hotspell_reliability::location_scale::Distribution;
use hotspell_reliability::parametric::{
    Sample, Target, exponential_mean_interval, fit, likelihood_ratio_interval,
};
use statrs::function::gamma::gamma;

use crate::fits::{check_fit, check_laws, more, none, right_censored};
use crate::harness::{Case, Table, number_after};

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
