//! Conditional risk, replacement and stock: D01, D03 to D07.

use hotspell_reliability::decisions::{
    AgeReplacement, age_replacement, cost_rate, expected_replacements,
};
use hotspell_reliability::stock::{
    expected_shortage, fill_rate, gamma_mixed_poisson_counts, poisson_binomial, poisson_counts,
    shortage_probability, smallest_stock,
};
use hotspell_reliability::weibull::Weibull;

use crate::harness::{Case, Table, number_after, numbers};

#[test]
fn d01_conditional_failure_and_remaining_life() {
    let case = Case::open("D01");
    for name in case.names() {
        let n = numbers(&name);
        let law = Weibull { shape: n["k"], scale: n["eta"] };
        let got = if name.contains("mean") {
            law.mean_residual_life(n["a"])
        } else if name.contains("median") {
            law.median_residual_life(n["a"])
        } else {
            law.conditional_failure(n["a"], n["t"])
        };
        case.check(&name, got);
    }
    case.close();
}

#[test]
fn d03_age_replacement() {
    let case = Case::open("D03");
    for name in case.names().iter().filter(|name| name.contains('=')) {
        let n = numbers(name);
        let law = Weibull { shape: n["k"], scale: n["eta"] };
        let found = age_replacement(law, n["cp"], n["cf"]).unwrap();
        let AgeReplacement::ReplaceAt { age, cost_rate: best, run_to_failure_cost_rate } = found
        else {
            panic!("{name}: {found:?}");
        };
        let got = if name.contains("optimal age") {
            age
        } else if name.contains("run to failure") {
            run_to_failure_cost_rate
        } else if name.contains("half") {
            cost_rate(law, 0.5 * age, n["cp"], n["cf"])
        } else {
            best
        };
        case.check(name, got);
    }
    let first = age_replacement(Weibull { shape: 2.5, scale: 1000.0 }, 1.0, 5.0).unwrap();
    let AgeReplacement::ReplaceAt { age, .. } = first else { panic!("{first:?}") };
    case.check("first row published", age);
    case.close();
    // No finite optimum at shape 1 and below.
    for shape in [0.7, 1.0] {
        let law = Weibull { shape, scale: 12.0 };
        let found = age_replacement(law, 120.0, 450.0).unwrap();
        assert!(matches!(found, AgeReplacement::RunToFailure { .. }));
    }
}

#[test]
fn d04_expected_replacements() {
    let case = Case::open("D04");
    for name in case.names() {
        let n = numbers(&name);
        let law = Weibull { shape: n["k"], scale: n["eta"] };
        case.check(&name, expected_replacements(law, number_after(&name, "M(")));
    }
    case.close();
}

fn check_counts(id: &str, probabilities: &[f64]) {
    let case = Case::open(id);
    let pmf = poisson_binomial(probabilities);
    let mean: f64 = probabilities.iter().sum();
    let poisson = poisson_counts(mean);
    for name in case.names() {
        let whole = |before: &str| {
            let number = number_after(&name, before);
            (0..1000).find(|n| f64::from(*n) >= number).unwrap() as usize
        };
        let got = if name.starts_with("pmf") {
            pmf[whole("(")]
        } else if name.starts_with("cdf") {
            1.0 - shortage_probability(&pmf, whole("("))
        } else if name == "mean" {
            mean
        } else if name == "variance" {
            probabilities.iter().map(|p| p * (1.0 - p)).sum()
        } else if name.starts_with("smallest") {
            let stock = smallest_stock(&pmf, number_after(&name, "<= "));
            f64::from(u32::try_from(stock).unwrap())
        } else if name.starts_with("expected shortage") {
            expected_shortage(&pmf, whole("s = "))
        } else if name.starts_with("Poisson") {
            shortage_probability(&poisson, whole("N > "))
        } else {
            shortage_probability(&pmf, whole("N > "))
        };
        case.check(&name, got);
    }
    case.close();
}

#[test]
fn d05_poisson_binomial_of_hong() {
    check_counts("D05", &[0.1, 0.1, 0.2, 0.2, 0.3, 0.3, 0.4, 0.4, 0.5, 0.5]);
}

#[test]
fn d06_truck_load_of_60_parts() {
    check_counts("D06", &Table::read("truck_load.csv").column("p"));
}

#[test]
fn d07_poisson_and_mixed_stock() {
    let case = Case::open("D07");
    for name in case.names() {
        let mean = number_after(&name, "mean ");
        let counts = if name.starts_with("gamma") {
            gamma_mixed_poisson_counts(mean, number_after(&name, "theta "))
        } else {
            poisson_counts(mean)
        };
        let whole = |before: &str| {
            let number = number_after(&name, before);
            (0..1000).find(|n| f64::from(*n) >= number).unwrap() as usize
        };
        let got = if name.contains("smallest") {
            let stock = smallest_stock(&counts, number_after(&name, "<= "));
            f64::from(u32::try_from(stock).unwrap())
        } else if name.contains("fill rate") {
            fill_rate(&counts, whole("s="))
        } else {
            shortage_probability(&counts, whole("N > "))
        };
        case.check(&name, got);
    }
    case.close();
}
