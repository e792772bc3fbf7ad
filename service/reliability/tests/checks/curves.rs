//! Curves and scores: C cases.

use hotspell_reliability::intervals::poisson_limits;
use hotspell_reliability::lifetime::Lifetime;
use hotspell_reliability::metrics::{
    Outcome, brier_score, calibration, concordance, integrated, log_score,
};
use hotspell_reliability::nonparametric::{Curve, kaplan_meier, log_rank, turnbull};
use hotspell_reliability::stock::{poisson_binomial, shortage_probability};

use crate::fits::right_censored;
use crate::harness::{Case, Table, number_after};

fn check_curve(case: &Case, prefix: &str, curve: &Curve) {
    for name in case.names() {
        let Some(bare) = name.strip_prefix(prefix) else { continue };
        let Some((what, age)) = bare.strip_suffix(')').and_then(|b| b.split_once('(')) else {
            continue;
        };
        let age: f64 = age.parse().unwrap();
        let step = curve.at(age).unwrap();
        match what {
            "S" => case.check(&name, step.survival),
            "se_greenwood" => case.check(&name, step.standard_error),
            "nelson_aalen" => case.check(&name, step.cumulative_hazard),
            "se_nelson_aalen" => case.check(&name, step.cumulative_hazard_error),
            "ci95_loglog" => case.check_list(&name, &step.log_log_interval.unwrap()),
            "ci95_log" => case.check_list(&name, &curve.log_interval(age).unwrap()),
            _ => panic!("{name}"),
        }
    }
}

fn check_means(case: &Case, curve: &Curve, untils: &[u32]) {
    for until in untils {
        let (mean, error) = curve.restricted_mean(f64::from(*until));
        case.check(&format!("rmst_{until}"), mean);
        case.check(&format!("se_rmst_{until}"), error);
    }
}

#[test]
fn c01_aml() {
    let table = Table::read("aml.csv");
    let all = right_censored(&table.column("time"), &table.column("status"), None);
    let arm = table.column("maintained");
    let case = Case::open("C01");
    for (prefix, wanted) in [("maintained.", 1.0), ("not_maintained.", 0.0)] {
        let rows: Vec<Lifetime> = all
            .iter()
            .zip(&arm)
            .filter(|(_, a)| (*a - wanted).abs() < 0.1)
            .map(|(l, _)| *l)
            .collect();
        check_curve(&case, prefix, &kaplan_meier(&rows, 0.95).unwrap());
    }
    let groups: Vec<usize> = arm.iter().map(|a| usize::from(*a < 0.5)).collect();
    let test = log_rank(&all, &groups, &vec![0; groups.len()], 0.0).unwrap();
    case.check("logrank_chi2", test.chi_square);
    case.check("logrank_p", test.p_value);
    // Group 0 of the test is the maintained arm; the reference lists it second.
    case.check_list("logrank_expected", &[test.expected[1], test.expected[0]]);
    case.close();
}

#[test]
fn c02_lung() {
    let table = Table::read("lung.csv");
    let all = right_censored(&table.column("time"), &table.column("status"), None);
    let case = Case::open("C02");
    let curve = kaplan_meier(&all, 0.95).unwrap();
    check_curve(&case, "", &curve);
    check_means(&case, &curve, &[500, 1000]);
    case.check("median", curve.median().unwrap());
    let sex: Vec<usize> = table.column("sex").iter().map(|s| usize::from(*s > 1.5)).collect();
    let ecog = table.optional("ph_ecog");
    let known: Vec<usize> = (0..table.rows).filter(|&i| ecog[i].is_some()).collect();
    let level = |i: usize| (0..10).find(|l| f64::from(*l) >= ecog[i].unwrap()).unwrap() as usize;
    let of = |rows: &[usize], f: &dyn Fn(usize) -> usize| -> Vec<usize> {
        rows.iter().map(|&i| f(i)).collect()
    };
    let everyone: Vec<usize> = (0..table.rows).collect();
    let lives = |rows: &[usize]| -> Vec<Lifetime> { rows.iter().map(|&i| all[i]).collect() };
    let check = |name: &str, rows: &[usize], groups: Vec<usize>, strata: Vec<usize>, rho: f64| {
        let test = log_rank(&lives(rows), &groups, &strata, rho).unwrap();
        case.check(&format!("{name}.chi2"), test.chi_square);
        let degrees = u32::try_from(test.degrees_of_freedom).unwrap();
        case.check(&format!("{name}.df"), f64::from(degrees));
        case.check(&format!("{name}.p"), test.p_value);
    };
    let one = |rows: &[usize]| vec![0; rows.len()];
    check("logrank_sex", &everyone, sex.clone(), one(&everyone), 0.0);
    check("logrank_sex_peto_rho1", &everyone, sex.clone(), one(&everyone), 1.0);
    check("logrank_ecog", &known, of(&known, &level), one(&known), 0.0);
    let strata = of(&known, &|i| level(i).min(2));
    check("logrank_sex_stratified_by_ecog", &known, of(&known, &|i| sex[i]), strata, 0.0);
    case.close();
}

#[test]
fn c03_heavy_ties() {
    let table = Table::read("ties.csv");
    let all = right_censored(&table.column("x"), &table.column("failed"), None);
    let case = Case::open("C03");
    let curve = kaplan_meier(&all, 0.95).unwrap();
    check_curve(&case, "", &curve);
    check_means(&case, &curve, &[15]);
    let groups: Vec<usize> = table.column("z1").iter().map(|z| usize::from(*z > 0.5)).collect();
    let test = log_rank(&all, &groups, &vec![0; groups.len()], 0.0).unwrap();
    case.check("logrank_z1.chi2", test.chi_square);
    case.close();
}

#[test]
fn c04_turnbull_1974_doubly_censored() {
    // B. Turnbull, J. Amer. Stat. Assoc. 69 (1974) 169-173: time, exact, right, left.
    let counts =
        [(1.0, 12.0, 3.0, 2.0), (2.0, 6.0, 2.0, 4.0), (3.0, 2.0, 0.0, 2.0), (4.0, 3.0, 3.0, 5.0)];
    let mut rows = Vec::new();
    for (time, exact, right, left) in counts {
        for (weight, lower, upper) in
            [(exact, Some(time), Some(time)), (right, Some(time), None), (left, None, Some(time))]
        {
            if weight > 0.0 {
                rows.push(Lifetime::from_bounds(0.0, lower, upper, weight).unwrap());
            }
        }
    }
    let curve = turnbull(&rows).unwrap();
    assert!(curve.converged);
    let case = Case::open("C04");
    for age in 1..=4 {
        case.check(&format!("S({age})"), curve.survival(f64::from(age)));
    }
    case.close();
}

#[test]
fn c05_concordant_pairs() {
    // Maintained arm of aml with an invented score and invented weights (R package survival,
    // tests/concordance.R).
    let times = [9.0, 13.0, 13.0, 18.0, 23.0, 28.0, 31.0, 34.0, 45.0, 48.0, 161.0];
    let failed = [1, 1, 0, 1, 1, 0, 1, 1, 0, 1, 0];
    let x = [1.0, 6.0, 2.0, 7.0, 3.0, 7.0, 3.0, 8.0, 4.0, 4.0, 5.0];
    let weights = [1.0, 2.0, 3.0, 2.0, 1.0, 2.0, 3.0, 4.0, 3.0, 2.0, 1.0];
    let outcomes = |weighted: bool| -> Vec<Outcome> {
        (0..11)
            .map(|i| Outcome {
                time: times[i],
                failed: failed[i] == 1,
                weight: if weighted { weights[i] } else { 1.0 },
            })
            .collect()
    };
    let case = Case::open("C05");
    let plain = concordance(&outcomes(false), &x).unwrap();
    // x as a risk: the one that fails first has the higher x, so the longer time the lower x.
    case.check("pairs_longer_time_lower_x", plain.concordant);
    case.check("pairs_longer_time_higher_x", plain.discordant);
    case.check("pairs_tied_x", plain.tied);
    case.check("c_index_x_as_risk_score", plain.index());
    case.check("c_index_x_as_life_score", 1.0 - plain.index());
    let weighted = concordance(&outcomes(true), &x).unwrap();
    case.check("weighted_pairs_longer_time_lower_x", weighted.concordant);
    case.check("weighted_pairs_longer_time_higher_x", weighted.discordant);
    case.check("weighted_pairs_tied_x", weighted.tied);
    case.check("weighted_c_index_x_as_risk_score", weighted.index());
    let lung = Table::read("lung.csv");
    let (time, status) = (lung.column("time"), lung.column("status"));
    let ecog = lung.optional("ph_ecog");
    let known: Vec<usize> = (0..lung.rows).filter(|&i| ecog[i].is_some()).collect();
    let rows: Vec<Outcome> = known
        .iter()
        .map(|&i| Outcome { time: time[i], failed: status[i] > 0.5, weight: 1.0 })
        .collect();
    let risk: Vec<f64> = known.iter().map(|&i| ecog[i].unwrap()).collect();
    let pairs = concordance(&rows, &risk).unwrap();
    case.check("lung_ecog_as_risk.concordant", pairs.concordant);
    case.check("lung_ecog_as_risk.discordant", pairs.discordant);
    case.check("lung_ecog_as_risk.tied_x", pairs.tied);
    case.check("lung_ecog_as_risk.c_index", pairs.index());
    case.close();
}

#[test]
fn c06_brier_with_censoring() {
    let table = Table::read("prediction_continuous.csv");
    let (time, failed) = (table.column("time"), table.column("failed"));
    let outcomes: Vec<Outcome> = time
        .iter()
        .zip(&failed)
        .map(|(&time, failed)| Outcome { time, failed: *failed > 0.5, weight: 1.0 })
        .collect();
    let horizons = [3_u32, 6, 9, 12];
    let scores = horizons
        .map(|h| brier_score(&outcomes, &table.column(&format!("S_{h}")), f64::from(h)).unwrap());
    let case = Case::open("C06");
    for (horizon, score) in horizons.iter().zip(scores) {
        case.check(&format!("brier({horizon})"), score);
    }
    let mean = integrated(&horizons.map(f64::from), &scores);
    case.check("integrated_brier_3_12_trapezoid", mean);
    case.check_list("scikit_survival_brier", &scores);
    case.check("scikit_survival_integrated", mean);
    case.check("c_index_z_as_risk", concordance(&outcomes, &table.column("z")).unwrap().index());
    case.close();
}

#[test]
fn c07_calibration_of_one_season() {
    let case = Case::open("C07");
    case.check("o_over_e", 37.0 / 30.2);
    let limits = poisson_limits(37.0, 0.95).map(|l| l / 30.2);
    case.check_list("o_over_e_ci95_exact_poisson", &limits);
    case.check("zero_observed_upper95", poisson_limits(0.0, 0.95)[1] / 3.1);
    let p = [0.02, 0.03, 0.05, 0.05, 0.08, 0.10, 0.12, 0.20, 0.25, 0.40];
    let failed = [false, false, false, true, false, false, false, false, true, true];
    let outcomes: Vec<Outcome> = failed
        .iter()
        .map(|&failed| Outcome { time: if failed { 0.5 } else { 2.0 }, failed, weight: 1.0 })
        .collect();
    let survival: Vec<f64> = p.iter().map(|p| 1.0 - p).collect();
    case.check("brier_no_censoring", brier_score(&outcomes, &survival, 1.0).unwrap());
    case.check("log_score_no_censoring", log_score(&failed, &p).unwrap());
    let found = calibration(&failed, &p).unwrap();
    case.check("calibration_intercept_free_slope", found.intercept);
    case.check("calibration_slope", found.slope);
    case.check("calibration_in_the_large", found.in_the_large);
    case.check("p_value_count_at_least_3", shortage_probability(&poisson_binomial(&p), 2));
    assert!((number_after("P(N > 7)", "N > ") - 7.0).abs() < 1e-12);
    case.close();
}
