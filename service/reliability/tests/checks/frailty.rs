//! Shared frailty: B03 to B08, D02.

use hotspell_reliability::cox_frailty::fit_cox_frailty;
use hotspell_reliability::frailty_fit::{
    FrailtyFit, FrailtyUnit, fit_weibull_frailty, fit_weibull_frailty_under,
};
use hotspell_reliability::frailty_law::FrailtyLaw;
use hotspell_reliability::gamma_mixture::FrailtyPosterior;
use hotspell_reliability::lifetime::Lifetime;
use hotspell_reliability::parametric::boundary_p_value;
use hotspell_reliability::shared_frailty::{GroupedLifetimes, GroupedUnit, Layout};
use hotspell_reliability::weibull::Weibull;

use crate::harness::{Case, Table, numbers};

fn kidney() -> Vec<FrailtyUnit> {
    let table = Table::read("kidney.csv");
    let (id, time, status) = (table.column("id"), table.column("time"), table.column("status"));
    let (age, female) = (table.column("age"), table.column("female"));
    (0..table.rows)
        .map(|i| FrailtyUnit {
            group: format!("{}", id[i]),
            lifetime: Lifetime::from_bounds(
                0.0,
                Some(time[i]),
                (status[i] > 0.5).then_some(time[i]),
                1.0,
            )
            .unwrap(),
            covariates: vec![female[i], age[i]],
        })
        .collect()
}

fn check_kidney(case: &Case, fitted: &FrailtyFit) {
    let theta = fitted.frailty_variance;
    let parameters = 4.0 + f64::from(u8::from(!fitted.shape_fixed));
    let bic = -2.0 * fitted.log_likelihood + parameters * 76.0_f64.ln();
    let aic = 2.0 * parameters - 2.0 * fitted.log_likelihood;
    let ratio = 2.0 * (fitted.log_likelihood - fitted.log_likelihood_without_frailty);
    for name in case.names() {
        let bare = name.trim_end_matches("_published").trim_end_matches("_library");
        let got = match bare {
            "eta" => fitted.scale,
            "shape" => fitted.shape,
            "lambda" => fitted.scale.powf(-fitted.shape),
            "se_log_eta" => fitted.error(0),
            "se_log_shape" => fitted.error(1),
            "beta0" => fitted.coefficients[0],
            "beta1" => fitted.coefficients[1],
            "se_beta0" => fitted.error(2),
            "se_beta1" => fitted.error(3),
            "theta" => theta,
            "se_theta" => theta * fitted.error(4),
            "loglik" => fitted.log_likelihood,
            "loglik_no_frailty" => fitted.log_likelihood_without_frailty,
            "aic" => aic,
            "bic_n76" => bic,
            "kendall_tau" => theta / (theta + 2.0),
            "lr_statistic" => ratio,
            "lr_p_half_chi2" => boundary_p_value(ratio),
            _ => fitted.frailty_means[bare.strip_prefix("frailty_mean_id").unwrap()],
        };
        case.check(&name, got);
    }
    case.close();
}

#[test]
fn b03_kidney_exponential_hazard() {
    let fitted = fit_weibull_frailty(&kidney(), true).unwrap();
    check_kidney(&Case::open("B03"), &fitted);
}

#[test]
fn b04_kidney_weibull_hazard() {
    let fitted = fit_weibull_frailty(&kidney(), false).unwrap();
    check_kidney(&Case::open("B04"), &fitted);
}

#[test]
fn b05_kidney_log_normal_frailty() {
    let fitted = fit_weibull_frailty_under(FrailtyLaw::LogNormal, &kidney(), false).unwrap();
    check_kidney(&Case::open("B05"), &fitted);
}

/// Rows of R package `UdderQuarterInfectionData` (its licence keeps them out of here) as
/// `cow,lactation,quarter,left,right,status`: days, status 1 for an infection in between.
#[test]
#[ignore = "needs the rows at tests/data/udder.csv"]
fn b06_udder_quarters_infected_between_visits() {
    let table = Table::read("udder.csv");
    let (cow, lactation) = (table.column("cow"), table.column("lactation"));
    let (left, right) = (table.column("left"), table.column("right"));
    let status = table.column("status");
    let units: Vec<FrailtyUnit> = (0..table.rows)
        .map(|i| {
            let infected = status[i] > 0.5;
            let seen_free = if infected { left[i] } else { right[i] } / 91.31;
            let by = infected.then_some(right[i] / 91.31);
            let after = (seen_free > 0.0).then_some(seen_free);
            FrailtyUnit {
                group: format!("{}", cow[i]),
                lifetime: Lifetime::from_bounds(0.0, after, by, 1.0).unwrap(),
                covariates: vec![f64::from(u8::from(lactation[i] > 1.5))],
            }
        })
        .collect();
    let fitted = fit_weibull_frailty(&units, false).unwrap();
    let (shape, log_scale) = (fitted.shape, fitted.scale.ln());
    let lambda = (-shape * log_scale).exp();
    let direction = [-shape, -shape * log_scale, 0.0, 0.0];
    let se_log_lambda = fitted.covariance.quadratic_form(&direction, &direction).sqrt();
    let case = Case::open("B06");
    for name in case.names() {
        let got = match name.trim_end_matches("_published") {
            "theta" => fitted.frailty_variance,
            "se_theta" => fitted.frailty_variance * fitted.error(3),
            "lambda" => lambda,
            "se_lambda" => lambda * se_log_lambda,
            "shape" => shape,
            "se_shape" => shape * fitted.error(1),
            "beta" => fitted.coefficients[0],
            "se_beta" => fitted.error(2),
            _ => fitted.log_likelihood,
        };
        case.check(&name, got);
    }
    case.close();
}

#[test]
fn b07_kidney_without_a_law_of_life() {
    let fitted = fit_cox_frailty(&kidney(), 0.95).unwrap();
    let case = Case::open("B07");
    let ratio = 2.0 * (fitted.log_likelihood - fitted.log_likelihood_without_frailty);
    for name in ["theta", "theta_published"] {
        case.check(name, fitted.frailty_variance);
    }
    case.check_list("theta_lr_ci95_published", &fitted.frailty_variance_interval);
    case.check("beta_female", fitted.coefficients[0]);
    case.check("beta_age", fitted.coefficients[1]);
    for name in ["loglik_marginal", "loglik_published"] {
        case.check(name, fitted.log_likelihood);
    }
    for name in ["loglik_cox", "loglik_no_frailty_published"] {
        case.check(name, fitted.log_likelihood_without_frailty);
    }
    case.check("lr_p_published", boundary_p_value(ratio));
    case.close();
}

#[test]
fn b08_log_likelihood_at_given_parameters() {
    let table = Table::read("frailty_points.csv");
    let (group, entry) = (table.column("group"), table.column("entry"));
    let (time, failed, x) = (table.column("time"), table.column("failed"), table.column("x"));
    let case = Case::open("B08");
    for name in case.names() {
        let used = name.ends_with("entry_used");
        let covariates: Vec<[f64; 1]> = x.iter().map(|x| [*x]).collect();
        let units: Vec<GroupedUnit<'_>> = (0..table.rows)
            .map(|i| GroupedUnit {
                group: usize::from(group[i] > 1.5) + usize::from(group[i] > 2.5),
                class: 0,
                lifetime: Lifetime::from_bounds(
                    if used { entry[i] } else { 0.0 },
                    Some(time[i]),
                    (failed[i] > 0.5).then_some(time[i]),
                    1.0,
                )
                .unwrap(),
                covariates: &covariates[i],
            })
            .collect();
        let data = GroupedLifetimes::new(Layout { classes: 1, covariates: 1 }, &units);
        let value = |key: &str| {
            let word = name.split('_').find(|w| w.starts_with(key)).unwrap();
            word[key.len()..].parse::<f64>().unwrap()
        };
        let point = [value("eta").ln(), value("k").ln(), value("b"), value("theta").ln()];
        case.check(&name, data.evaluate(&point).value);
    }
    case.close();
}

#[test]
fn d02_conditional_failure_with_the_history_of_the_site() {
    let case = Case::open("D02");
    for name in case.names() {
        let n = numbers(&name);
        let law = Weibull { shape: n["k"], scale: n["eta"] };
        let effect = n["bx"].exp();
        let mass = effect * law.hazard_between(n["a"], n["t"]);
        let risk = |posterior: FrailtyPosterior| -(-posterior.cumulative_risk(mass)).exp_m1();
        if name.ends_with("population, unit known alive at a") {
            let own = effect * law.cumulative_hazard(n["a"]);
            case.check(&name, risk(FrailtyPosterior::new(n["theta"], 0.0, own)));
            continue;
        }
        let posterior = FrailtyPosterior::new(n["theta"], n["D"], n["H"]);
        if name.contains("90% interval") {
            let interval = [0.05, 0.95].map(|p| posterior.quantile(p));
            case.check_list(&name, &interval);
        } else if name.contains("mean") {
            case.check(&name, posterior.mean());
        } else if name.contains("sd") {
            case.check(&name, posterior.standard_deviation());
        } else {
            case.check(&name, risk(posterior));
        }
    }
    case.close();
}
