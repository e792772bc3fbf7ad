//! Priors with few failures or none: B09, B10.

use hotspell_reliability::parametric::{Sample, weibull_log_posterior, weibull_posterior};
use hotspell_reliability::priors::NormalPrior;
use hotspell_reliability::weibull::Weibull;

use crate::fits::right_censored;
use crate::harness::{Case, Table, number_after};

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
