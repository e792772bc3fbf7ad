//! Does the fit find the truth? Simulated branches with known parameters, fitted as a real branch
//! would be, with the mistakes that a fit must not make as variants.
//!
//! Truth: Weibull shape 3, scale 12 (heat-years), log hazard ratio 0.5 per standard deviation of
//! a covariate, gamma frailty per site with variance 0.5; sites with 1, 2 or 3 parts
//! (probabilities 0.50, 0.35, 0.15). `docs/risk.md` has the table that
//! `examples/recovery.rs` prints.

use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, Exp1, Gamma, StandardNormal};

use crate::lifetime::Lifetime;
use crate::risk_model::{covariance_of, fit_grouped};
use crate::shared_frailty::{GroupedLifetimes, GroupedUnit, Layout};

/// The parameters behind the simulated branches, in the order of [`Estimate`].
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Truth {
    /// Weibull scale, heat-years.
    pub scale: f64,
    /// Weibull shape.
    pub shape: f64,
    /// Log hazard ratio of the covariate.
    pub coefficient: f64,
    /// Variance of the site frailty; 0 for none.
    pub frailty_variance: f64,
}

/// The truth of the documented table.
pub const TRUTH: Truth = Truth { scale: 12.0, shape: 3.0, coefficient: 0.5, frailty_variance: 0.5 };

/// How the branch watches its parts.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Design {
    /// From new until an age uniform on 4 to 14.
    FromNew,
    /// Taken over at an age uniform on 0 to 12 if all parts of the site work then; watched for
    /// five years.
    TakenOver,
    /// As [`Self::FromNew`], failures found at yearly visits.
    YearlyVisits,
    /// As [`Self::TakenOver`], but at a site age uniform on 0 to 20, a position was renewed at every
    /// earlier failure and only the present part's age is known. (On 0 to 12 few positions have a
    /// second part yet and the bias is half as large.)
    UnseenReplacements,
}

/// What the fit does with what it is given.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Treatment {
    /// As it should.
    Right,
    /// Entry ages are forgotten.
    EntryIgnored,
    /// Sites are taken as alike.
    FrailtyIgnored,
    /// The day of finding is taken as the day of failure.
    FindingDay,
}

/// What one fit found.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Estimate {
    /// Log scale, log shape, coefficient, log frailty variance (negative infinity for 0).
    pub values: [f64; 4],
    /// Standard errors of the same; 0 where there is none.
    pub errors: [f64; 4],
    /// Failures in the data.
    pub failures: usize,
    /// Parts.
    pub parts: usize,
    /// Twice the rise of the log likelihood over no frailty.
    pub likelihood_ratio: f64,
    /// Whether the search ended at a maximum.
    pub converged: bool,
}

struct SimulatedPart {
    site: usize,
    x: f64,
    lifetime: Lifetime,
}

/// Simulates a branch of `sites` sites and fits it. The seed decides everything.
#[must_use]
pub fn simulate_and_fit(
    truth: Truth,
    sites: usize,
    design: Design,
    treatment: Treatment,
    seed: u64,
) -> Estimate {
    let mut rng = ChaCha8Rng::seed_from_u64(seed);
    let mut parts = Vec::new();
    let mut site = 0;
    while site < sites {
        if let Some(found) = simulate_site(&mut rng, truth, design, treatment, site) {
            parts.extend(found);
            site += 1;
        }
    }
    fit_parts(&parts, treatment)
}

/// Parts of one site; none if the site never entered the records.
fn simulate_site(
    rng: &mut ChaCha8Rng,
    truth: Truth,
    design: Design,
    treatment: Treatment,
    site: usize,
) -> Option<Vec<SimulatedPart>> {
    let draw: f64 = rng.random();
    let count = if draw < 0.50 {
        1
    } else if draw < 0.85 {
        2
    } else {
        3
    };
    let frailty = if truth.frailty_variance > 0.0 {
        let shape = 1.0 / truth.frailty_variance;
        Gamma::new(shape, truth.frailty_variance).map_or(1.0, |law| law.sample(rng))
    } else {
        1.0
    };
    let oldest = if design == Design::UnseenReplacements { 20.0 } else { 12.0 };
    let entry = oldest * rng.random::<f64>();
    let mut parts = Vec::with_capacity(count);
    for _ in 0..count {
        let x: f64 = rng.sample(StandardNormal);
        let speed = frailty * (truth.coefficient * x).exp();
        let mut life = || {
            let exponential: f64 = rng.sample(Exp1);
            truth.scale * (exponential / speed).powf(1.0 / truth.shape)
        };
        let (age_at_entry, life_of_part, until) = match design {
            Design::FromNew | Design::YearlyVisits => {
                let life = life();
                (0.0, life, 4.0 + 10.0 * rng.random::<f64>())
            }
            Design::TakenOver => {
                let life = life();
                if life <= entry {
                    return None;
                }
                (entry, life, entry + 5.0)
            }
            Design::UnseenReplacements => {
                let mut born = 0.0;
                let mut present = life();
                while born + present <= entry {
                    born += present;
                    present = life();
                }
                (entry - born, present, entry - born + 5.0)
            }
        };
        let visit_phase: f64 = rng.random();
        let lifetime = observe(
            (age_at_entry, life_of_part, until),
            (design == Design::YearlyVisits).then_some(visit_phase),
            treatment,
        )?;
        parts.push(SimulatedPart { site, x, lifetime });
    }
    Some(parts)
}

fn observe(
    (entry, life, until): (f64, f64, f64),
    visit_phase: Option<f64>,
    treatment: Treatment,
) -> Option<Lifetime> {
    let entry = if treatment == Treatment::EntryIgnored { 0.0 } else { entry };
    if life > until {
        return Lifetime::from_bounds(entry, Some(until), None, 1.0).ok();
    }
    let (lower, upper) = match visit_phase {
        None => (life, life),
        Some(phase) => {
            let found = (life - phase).ceil().max(0.0) + phase;
            if treatment == Treatment::FindingDay {
                (found, found)
            } else {
                ((found - 1.0).max(0.0), found)
            }
        }
    };
    Lifetime::from_bounds(entry, Some(lower), Some(upper), 1.0).ok()
}

fn fit_parts(parts: &[SimulatedPart], treatment: Treatment) -> Estimate {
    let layout = Layout { classes: 1, covariates: 1 };
    let covariates: Vec<[f64; 1]> = parts.iter().map(|part| [part.x]).collect();
    let units: Vec<GroupedUnit<'_>> = parts
        .iter()
        .zip(&covariates)
        .map(|(part, x)| GroupedUnit {
            group: part.site,
            class: 0,
            lifetime: part.lifetime,
            covariates: x,
        })
        .collect();
    let data = GroupedLifetimes::new(layout, &units);
    let failures = parts.iter().filter(|part| part.lifetime.failed()).count();
    let number = |n: usize| u32::try_from(n).map_or(f64::MAX, f64::from);
    let time: f64 = parts.iter().map(|p| p.lifetime.end_age() - p.lifetime.entry).sum();
    let start = [(time / number(failures.max(1))).ln(), 0.0, 0.0, f64::NEG_INFINITY];
    let null = fit_grouped(&data, None, &start, &[0, 1, 2]);
    let found = if treatment == Treatment::FrailtyIgnored {
        null.clone()
    } else {
        fit_grouped(&data, None, &null.point, &[0, 1, 2, 3])
    };
    let covariance = covariance_of(&found, layout);
    let mut estimate = Estimate {
        values: [0.0; 4],
        errors: [0.0; 4],
        failures,
        parts: parts.len(),
        likelihood_ratio: 2.0 * (found.at.value - null.at.value),
        converged: found.convergence.converged && null.convergence.converged,
    };
    for i in 0..4 {
        estimate.values[i] = found.point[i];
        estimate.errors[i] = covariance.get(i, i).sqrt();
    }
    estimate
}

/// Mean, spread and coverage of one parameter over replicates.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Recovered {
    /// Mean on the natural scale (the coefficient as it is).
    pub mean: f64,
    /// Standard deviation on the natural scale.
    pub sd: f64,
    /// Median on the natural scale.
    pub median: f64,
    /// Mean of the logarithm (of the coefficient as it is).
    pub log_mean: f64,
    /// Mean standard error over the standard deviation of estimates, on the logarithm.
    pub error_ratio: f64,
    /// Share of 95 % Wald intervals that hold the truth; replicates without a standard error are
    /// left out.
    pub coverage: f64,
    /// Share of replicates on the boundary (no frailty).
    pub on_boundary: f64,
}

/// Summarises parameter `index` (0 scale, 1 shape, 2 coefficient, 3 frailty variance).
#[must_use]
pub fn summarise(estimates: &[Estimate], index: usize, truth: f64) -> Recovered {
    let on_log = index != 2;
    let natural = |value: f64| if on_log { value.exp() } else { value };
    let true_value = if on_log { truth.ln() } else { truth };
    let mut values: Vec<f64> = estimates.iter().map(|e| natural(e.values[index])).collect();
    let (mean, sd) = moments(&values);
    values.sort_by(f64::total_cmp);
    let inner: Vec<&Estimate> = estimates.iter().filter(|e| e.errors[index] > 0.0).collect();
    let logs: Vec<f64> = inner.iter().map(|e| e.values[index]).collect();
    let (log_mean, log_sd) = moments(&logs);
    let (mean_error, _) = moments(&inner.iter().map(|e| e.errors[index]).collect::<Vec<_>>());
    let number = |n: usize| u32::try_from(n).map_or(f64::MAX, f64::from);
    let covered = inner
        .iter()
        .filter(|e| (e.values[index] - true_value).abs() <= 1.959_964 * e.errors[index])
        .count();
    Recovered {
        mean,
        sd,
        median: values[values.len() / 2],
        log_mean,
        error_ratio: mean_error / log_sd,
        coverage: number(covered) / number(inner.len()),
        on_boundary: 1.0 - number(inner.len()) / number(estimates.len()),
    }
}

fn moments(values: &[f64]) -> (f64, f64) {
    let count = u32::try_from(values.len()).map_or(f64::MAX, f64::from);
    let mean = values.iter().sum::<f64>() / count;
    let variance = values.iter().map(|v| (v - mean).powi(2)).sum::<f64>() / (count - 1.0);
    (mean, variance.sqrt())
}
