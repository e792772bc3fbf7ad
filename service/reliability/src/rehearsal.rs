//! Rehearsal of the season: how many no-cool calls on which day, with a plan and without.
//!
//! Every replicate draws a weather path, a set of parameters from the fit's covariance, a frailty
//! for every site from its posterior and one exponential life for every part. The draws depend on
//! the seed, the replicate and the part alone, so that all plans meet the same fate and their
//! difference is sharp (common random numbers; A. Law, Simulation Modeling and Analysis,
//! chapter on variance reduction, from memory), and so that the result does not depend on the
//! number of threads. A part that failed is replaced; the new part may fail once more in the
//! same season.

use std::collections::BTreeMap;
use std::sync::atomic::{AtomicBool, AtomicUsize, Ordering};

use hotspell_domain::{ComponentClass, SiteId};
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, Exp1, Gamma, StandardNormal};
use rayon::prelude::*;
use serde::{Deserialize, Serialize};

use crate::drift::DriftModel;
use crate::ensemble::HeatEnsemble;
use crate::matrix::Cholesky;
use crate::risk_model::{RiskModel, class_index};
use crate::score::{ComponentState, Drifting, drifting, failed_already};

/// What a visit does to a part.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case", tag = "action")]
pub enum VisitEffect {
    /// The part is replaced.
    Swap,
    /// The part is measured; one that would fail later in the season is found, and replaced, with
    /// this probability.
    Check {
        /// Share of coming failures that a reading shows.
        detection: f64,
    },
}

/// One part met by one visit of a plan.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct PlannedVisit {
    /// Index of the part in the input.
    pub component: usize,
    /// Index of the day.
    pub day: usize,
    /// What happens.
    pub effect: VisitEffect,
}

/// A plan to rehearse: at most one visit per part counts, the earliest.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Plan {
    /// Its name in the result.
    pub name: String,
    /// Visits.
    pub visits: Vec<PlannedVisit>,
}

/// What a rehearsal needs.
#[derive(Debug, Clone, Copy)]
pub struct RehearsalInput<'a> {
    /// The life model.
    pub model: &'a RiskModel,
    /// The law of drifting readings, per class.
    pub drift: &'a BTreeMap<ComponentClass, DriftModel>,
    /// Parts in service at the start; one that has failed already calls on the first day.
    pub components: &'a [ComponentState],
    /// Failures and cumulative hazard of parts that ended, per site (see
    /// [`crate::score::past_of_sites`]).
    pub past: &'a BTreeMap<SiteId, (u32, f64)>,
    /// Cumulative heat per class, one value per day; path `i` of every class is the same weather.
    pub ensembles: &'a BTreeMap<ComponentClass, HeatEnsemble>,
    /// Plans; without any the season is rehearsed as it would come.
    pub plans: &'a [Plan],
    /// No-cool calls that the technicians can serve, per day.
    pub daily_capacity: &'a [f64],
    /// Number of replicates.
    pub replicates: usize,
    /// Seed.
    pub seed: u64,
}

/// Median with a band from the 5th to the 95th percentile.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Band {
    /// 5th percentile.
    pub low: f64,
    /// Median.
    pub median: f64,
    /// 95th percentile.
    pub high: f64,
    /// Mean.
    pub mean: f64,
}

/// The season under one plan.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct RehearsedPlan {
    /// Name; the first is always «without visits».
    pub name: String,
    /// No-cool calls per day.
    pub calls_per_day: Vec<Band>,
    /// No-cool calls in the season.
    pub calls: Band,
    /// Days on which calls exceed the capacity.
    pub days_over_capacity: Band,
    /// Calls avoided against no visits, replicate by replicate on the same fate.
    pub calls_avoided: Band,
}

/// What a rehearsal found.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Rehearsal {
    /// Without visits first, then the plans in order.
    pub plans: Vec<RehearsedPlan>,
    /// Replicates.
    pub replicates: usize,
    /// Seed.
    pub seed: u64,
}

/// Why there is no rehearsal.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum RehearsalError {
    /// The caller asked to stop.
    #[error("cancelled after {done} of {replicates} replicates")]
    Cancelled {
        /// Replicates done.
        done: usize,
        /// Replicates asked for.
        replicates: usize,
    },
    /// Heat of a class is missing, or the days or paths of classes differ.
    #[error(
        "every class needs future heat with the same days and paths, the capacity one value per day"
    )]
    Days,
    /// A visit names a part or day that does not exist.
    #[error("plan «{plan}»: visit {visit} names a part or day that does not exist")]
    Visit {
        /// The plan.
        plan: String,
        /// Index of the visit.
        visit: usize,
    },
    /// Nothing to do.
    #[error("at least one replicate is needed")]
    NoReplicates,
}

/// Rehearses the season.
///
/// `progress` is told the number of replicates done, from any thread; `cancel` is looked at
/// before every replicate.
///
/// # Errors
/// [`RehearsalError`], also when cancelled.
pub fn rehearse(
    input: RehearsalInput<'_>,
    progress: &(dyn Fn(usize) + Sync),
    cancel: &AtomicBool,
) -> Result<Rehearsal, RehearsalError> {
    let stage = Stage::new(&input)?;
    let done = AtomicUsize::new(0);
    let outcomes: Vec<Vec<u16>> = (0..input.replicates)
        .into_par_iter()
        .map(|replicate| {
            if cancel.load(Ordering::Relaxed) {
                let done = done.load(Ordering::Relaxed);
                return Err(RehearsalError::Cancelled { done, replicates: input.replicates });
            }
            let calls = stage.replicate(replicate);
            progress(done.fetch_add(1, Ordering::Relaxed) + 1);
            Ok(calls)
        })
        .collect::<Result<_, _>>()?;
    Ok(summarise(&input, stage.days, &outcomes))
}

/// What happens to a part under a plan.
#[derive(Debug, Clone, Copy)]
struct Met {
    day: u32,
    /// Probability that a part which would fail later is replaced; 1 for a swap.
    found: f64,
    swap: bool,
}

/// Everything that replicates share.
struct Stage<'a> {
    input: &'a RehearsalInput<'a>,
    days: usize,
    paths: Vec<BTreeMap<ComponentClass, &'a [f64]>>,
    factor: Option<Cholesky>,
    centre: Vec<f64>,
    /// Part indices grouped by site, sites in order.
    sites: Vec<(Vec<usize>, u32, f64)>,
    /// Per part, what its readings say, and whether it has failed already.
    read: Vec<(Option<Drifting>, bool)>,
    /// Per plan, per part.
    met: Vec<Vec<Option<Met>>>,
}

impl<'a> Stage<'a> {
    fn new(input: &'a RehearsalInput<'a>) -> Result<Self, RehearsalError> {
        if input.replicates == 0 {
            return Err(RehearsalError::NoReplicates);
        }
        let days = input.daily_capacity.len();
        let count = input.ensembles.values().map(|e| e.paths().len()).min().unwrap_or(0);
        let fits = |e: &HeatEnsemble| e.dates() == days && e.paths().len() == count;
        let known = |c: &ComponentState| {
            input.ensembles.contains_key(&c.class) && input.model.class(c.class).is_some()
        };
        if days == 0 || !input.ensembles.values().all(fits) || !input.components.iter().all(known) {
            return Err(RehearsalError::Days);
        }
        let mut paths = vec![BTreeMap::new(); count];
        for (&class, ensemble) in input.ensembles {
            for (path, heat) in paths.iter_mut().zip(ensemble.paths()) {
                path.insert(class, heat);
            }
        }
        let read = input
            .components
            .iter()
            .map(|component| {
                let law = input.model.class(component.class);
                let lines = law.and_then(|law| drifting(input.drift, component, law));
                (lines, failed_already(input.drift, component).is_some())
            })
            .collect();
        let met = input
            .plans
            .iter()
            .map(|plan| meetings(plan, input.components.len(), days))
            .collect::<Result<_, _>>()?;
        let mut covariance = input.model.covariance.clone();
        for i in 0..covariance.size() {
            // A direction without spread (no frailty) must not stop the factorisation.
            covariance.add(i, i, 1e-12);
        }
        Ok(Self {
            input,
            days,
            paths,
            factor: covariance.cholesky(),
            centre: input.model.parameters(),
            sites: sites_of(input),
            read,
            met,
        })
    }

    /// Calls per day of every plan, the one without visits first.
    fn replicate(&self, replicate: usize) -> Vec<u16> {
        let mut rng = ChaCha8Rng::seed_from_u64(self.input.seed);
        rng.set_stream(replicate as u64);
        // Weather in turn, so that every path is met equally often.
        let path = &self.paths[replicate % self.paths.len()];
        let parameters = self.draw_parameters(&mut rng);
        let layout = self.input.model.layout();
        let laws: Vec<(f64, f64)> = ComponentClass::ALL
            .iter()
            .map(|&class| class_index(class))
            .map(|i| (parameters[layout.log_shape(i)].exp(), parameters[layout.log_scale(i)]))
            .collect();
        let variance = parameters[layout.frailty()].exp();
        let mut calls = vec![0_u16; self.days * (1 + self.met.len())];
        let mut states: Vec<PartDraw> = Vec::new();
        for (parts, failures, past_hazard) in &self.sites {
            states.clear();
            let mut hazard = *past_hazard;
            for &i in parts {
                let component = &self.input.components[i];
                let (shape, log_scale) = laws[class_index(component.class)];
                let effect: f64 = component
                    .covariates
                    .iter()
                    .enumerate()
                    .map(|(j, x)| x * parameters[layout.coefficient(j)])
                    .sum();
                let draw = PartDraw {
                    part: i,
                    shape,
                    log_scale,
                    effect: effect.exp(),
                    life: rng.sample(Exp1),
                    drift_life: rng.sample(Exp1),
                    second_life: rng.sample(Exp1),
                    luck: rng.random(),
                };
                hazard += draw.effect * draw.mass(component.heat_age_hours);
                states.push(draw);
            }
            let frailty = draw_frailty(&mut rng, variance, *failures, hazard);
            for draw in &states {
                self.live(draw, frailty, path, &mut calls);
            }
        }
        calls
    }

    fn draw_parameters(&self, rng: &mut ChaCha8Rng) -> Vec<f64> {
        let normals: Vec<f64> = self.centre.iter().map(|_| rng.sample(StandardNormal)).collect();
        let Some(factor) = &self.factor else { return self.centre.clone() };
        self.centre.iter().zip(factor.times_lower(&normals)).map(|(c, d)| c + d).collect()
    }

    /// Day on which the part fails if nobody comes: suddenly or by drift, whichever is first.
    fn first_failure(
        &self,
        draw: &PartDraw,
        component: &ComponentState,
        speed: f64,
        heat: &[f64],
    ) -> Option<usize> {
        let (lines, failed) = &self.read[draw.part];
        if *failed {
            return Some(0);
        }
        let (age, rate) = (component.heat_age_hours, component.heat_rate);
        let Some(lines) = lines else {
            return draw.day_of_failure(age, draw.life / speed, rate, heat);
        };
        let sudden =
            draw.day_of_failure(age, draw.life / (speed * (1.0 - lines.share)), rate, heat);
        let drifted =
            heat.partition_point(|hours| lines.crossing_risk(age, rate * hours) < draw.drift_life);
        let drifted = (drifted < heat.len()).then_some(drifted);
        [sudden, drifted].into_iter().flatten().min()
    }

    /// Adds the calls of one part under every plan.
    fn live(
        &self,
        draw: &PartDraw,
        frailty: f64,
        path: &BTreeMap<ComponentClass, &[f64]>,
        calls: &mut [u16],
    ) {
        let component = &self.input.components[draw.part];
        let Some(heat) = path.get(&component.class) else { return };
        let speed = frailty * draw.effect;
        let rate = component.heat_rate;
        let first = self.first_failure(draw, component, speed, heat);
        for plan in 0..=self.met.len() {
            let visit = plan.checked_sub(1).and_then(|p| self.met[p][draw.part]);
            // Renewal on failure or by the visit, whichever comes first.
            let mut renewed = first;
            if let Some(met) = visit {
                let day = met.day as usize;
                let later = first.is_none_or(|failed| failed > day);
                if later && (met.swap || (first.is_some() && draw.luck < met.found)) {
                    renewed = Some(day);
                } else {
                    add_call(calls, plan * self.days, first);
                }
            } else {
                add_call(calls, plan * self.days, first);
            }
            if let Some(day) = renewed {
                let second = draw.day_of_failure(0.0, draw.second_life / speed, rate, &heat[day..]);
                let offset = heat[day];
                let again = second.filter(|_| offset.is_finite()).map(|d| d + day);
                add_call(calls, plan * self.days, again);
            }
        }
    }
}

fn add_call(calls: &mut [u16], offset: usize, day: Option<usize>) {
    if let Some(day) = day {
        calls[offset + day] = calls[offset + day].saturating_add(1);
    }
}

fn draw_frailty(rng: &mut ChaCha8Rng, variance: f64, failures: u32, hazard: f64) -> f64 {
    if variance < 1e-9 {
        return 1.0;
    }
    let shape = 1.0 / variance + f64::from(failures);
    let rate = 1.0 / variance + hazard;
    Gamma::new(shape, 1.0 / rate).map_or(1.0, |law| law.sample(rng))
}

/// The fate of one part in one replicate.
struct PartDraw {
    part: usize,
    shape: f64,
    log_scale: f64,
    effect: f64,
    life: f64,
    drift_life: f64,
    second_life: f64,
    luck: f64,
}

impl PartDraw {
    /// Cumulative hazard of a reference part.
    fn mass(&self, age: f64) -> f64 {
        if age > 0.0 { (self.shape * (age.ln() - self.log_scale)).exp() } else { 0.0 }
    }

    /// First day on which the hazard gathered since the start of `heat` exceeds `life`.
    /// `heat` is cumulative from an earlier day; its first value counts as gathered when a part
    /// starts in mid-season (`age` 0 on a later day).
    fn day_of_failure(&self, age: f64, life: f64, rate: f64, heat: &[f64]) -> Option<usize> {
        let start = if age > 0.0 { 0.0 } else { heat.first().copied().unwrap_or(0.0) };
        let last = heat.last()? - start;
        let now = self.mass(age);
        if self.mass(age + rate * last) - now <= life {
            return None;
        }
        let age_at_failure = ((now + life).ln() / self.shape + self.log_scale).exp();
        let needed = start + (age_at_failure - age) / rate;
        let day = heat.partition_point(|gathered| *gathered < needed);
        (day < heat.len()).then_some(day)
    }
}

/// Part indices by site, with the failures and the hazard that do not come from working parts.
fn sites_of(input: &RehearsalInput<'_>) -> Vec<(Vec<usize>, u32, f64)> {
    let mut by_site: BTreeMap<SiteId, Vec<usize>> = BTreeMap::new();
    for (i, component) in input.components.iter().enumerate() {
        by_site.entry(component.site).or_default().push(i);
    }
    by_site
        .into_iter()
        .map(|(site, parts)| {
            let (failures, hazard) = input.past.get(&site).copied().unwrap_or((0, 0.0));
            let failed = parts
                .iter()
                .filter(|&&i| failed_already(input.drift, &input.components[i]).is_some());
            let failures = failures + u32::try_from(failed.count()).unwrap_or(0);
            (parts, failures, hazard)
        })
        .collect()
}

fn meetings(
    plan: &Plan,
    components: usize,
    days: usize,
) -> Result<Vec<Option<Met>>, RehearsalError> {
    let mut met: Vec<Option<Met>> = vec![None; components];
    for (i, visit) in plan.visits.iter().enumerate() {
        let day = u32::try_from(visit.day).unwrap_or(u32::MAX);
        if visit.component >= components || visit.day >= days {
            return Err(RehearsalError::Visit { plan: plan.name.clone(), visit: i });
        }
        let slot = &mut met[visit.component];
        if slot.is_none_or(|earlier| day < earlier.day) {
            let (found, swap) = match visit.effect {
                VisitEffect::Swap => (1.0, true),
                VisitEffect::Check { detection } => (detection, false),
            };
            *slot = Some(Met { day, found, swap });
        }
    }
    Ok(met)
}

fn summarise(input: &RehearsalInput<'_>, days: usize, outcomes: &[Vec<u16>]) -> Rehearsal {
    let names =
        core::iter::once("without visits").chain(input.plans.iter().map(|p| p.name.as_str()));
    let total = |outcome: &[u16], plan: usize| {
        outcome[plan * days..(plan + 1) * days].iter().map(|c| f64::from(*c)).sum::<f64>()
    };
    let plans = names
        .enumerate()
        .map(|(plan, name)| {
            let over = |outcome: &[u16]| {
                let calls = &outcome[plan * days..(plan + 1) * days];
                let days = calls
                    .iter()
                    .zip(input.daily_capacity)
                    .filter(|(calls, capacity)| f64::from(**calls) > **capacity);
                u32::try_from(days.count()).map_or(f64::MAX, f64::from)
            };
            RehearsedPlan {
                name: name.to_owned(),
                calls_per_day: (0..days)
                    .map(|day| band(outcomes.iter().map(|o| f64::from(o[plan * days + day]))))
                    .collect(),
                calls: band(outcomes.iter().map(|o| total(o, plan))),
                days_over_capacity: band(outcomes.iter().map(|o| over(o))),
                calls_avoided: band(outcomes.iter().map(|o| total(o, 0) - total(o, plan))),
            }
        })
        .collect();
    Rehearsal { plans, replicates: input.replicates, seed: input.seed }
}

fn band(values: impl Iterator<Item = f64>) -> Band {
    let mut sorted: Vec<f64> = values.collect();
    sorted.sort_by(f64::total_cmp);
    let count = u32::try_from(sorted.len()).map_or(f64::MAX, f64::from);
    let at = |percent: usize| sorted[(sorted.len() - 1) * percent / 100];
    Band { low: at(5), median: at(50), high: at(95), mean: sorted.iter().sum::<f64>() / count }
}
