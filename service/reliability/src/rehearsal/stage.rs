//! What all replicates share, and one replicate played on it.

use std::collections::BTreeMap;

use hotspell_domain::{ComponentClass, SiteId};
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rand_distr::StandardNormal;
use rayon::prelude::*;

use super::fate::{DrawnLaw, PartDraw, Start, draw_frailty};
use super::observer::Watch;
use super::{Plan, RehearsalError, RehearsalInput, VisitEffect};
use crate::matrix::Cholesky;
use crate::risk_model::class_index;
use crate::score::{Drifting, check_component, drifting, failed_already};

/// Parts that are lived through between two looks at the observer.
const PARTS_BETWEEN_LOOKS: usize = 4096;

/// What happens to a part under a plan.
#[derive(Debug, Clone, Copy)]
struct Met {
    day: usize,
    /// Probability that a part which would fail later is replaced; 1 for a swap.
    found: f64,
    swap: bool,
}

/// A site with its parts in service.
struct Site {
    parts: Vec<usize>,
    /// Failures on record, those of parts that have failed by now included.
    failures: u32,
    /// Cumulative hazard of the parts that ended.
    past_hazard: f64,
}

/// What a part's readings and conditions say.
struct Read {
    drifting: Option<Drifting>,
    failed: bool,
}

/// Cumulative heat of one weather path, by [`class_index`]; empty for a class without parts.
type Path<'a> = [&'a [f64]];

/// Everything that replicates share.
pub(super) struct Stage<'a> {
    input: &'a RehearsalInput<'a>,
    paths: Vec<Vec<&'a [f64]>>,
    factor: Cholesky,
    centre: Vec<f64>,
    /// In the order of their ids.
    sites: Vec<Site>,
    /// Per part.
    read: Vec<Read>,
    /// Per plan, per part.
    met: Vec<Vec<Option<Met>>>,
}

impl<'a> Stage<'a> {
    pub(super) fn new(input: &'a RehearsalInput<'a>) -> Result<Self, RehearsalError> {
        if input.replicates == 0 {
            return Err(RehearsalError::NoReplicates);
        }
        for component in input.components {
            check_component(input.model, input.ensembles, component)?;
        }
        let mut covariance = input.model.covariance.clone();
        for i in 0..covariance.size() {
            // A direction without spread (no frailty) must not stop the factorisation.
            covariance.add(i, i, 1e-12);
        }
        let days = input.daily_capacity.len();
        let met = input.plans.iter().map(|plan| meetings(plan, input.components.len(), days));
        let read: Vec<Read> = input
            .components
            .par_iter()
            .map(|component| {
                let law = input.model.class(component.class);
                Read {
                    drifting: law.and_then(|law| drifting(input.drift, component, law)),
                    failed: failed_already(input.drift, component).is_some(),
                }
            })
            .collect();
        Ok(Self {
            paths: paths_of(input)?,
            factor: covariance.cholesky().ok_or(RehearsalError::Covariance)?,
            centre: input.model.parameters(),
            sites: sites_of(input, &read),
            read,
            met: met.collect::<Result<_, _>>()?,
            input,
        })
    }

    /// Calls per day of every plan, the one without visits first.
    pub(super) fn replicate(
        &self,
        replicate: usize,
        watch: &Watch<'_>,
    ) -> Result<Vec<u16>, RehearsalError> {
        let mut rng = ChaCha8Rng::seed_from_u64(self.input.seed);
        rng.set_stream(replicate as u64);
        // Weather in turn, so that every path is met equally often.
        let path = &self.paths[replicate % self.paths.len()];
        let parameters = self.draw_parameters(&mut rng);
        let layout = self.input.model.layout();
        let laws: Vec<DrawnLaw> = (0..layout.classes)
            .map(|i| DrawnLaw {
                shape: parameters[layout.log_shape(i)].exp(),
                log_scale: parameters[layout.log_scale(i)],
            })
            .collect();
        let coefficients: Vec<f64> =
            (0..layout.covariates).map(|j| parameters[layout.coefficient(j)]).collect();
        let variance = parameters[layout.frailty()].exp();
        let mut calls = vec![0_u16; self.input.daily_capacity.len() * (1 + self.met.len())];
        let mut draws: Vec<PartDraw> = Vec::new();
        let mut since_look = PARTS_BETWEEN_LOOKS;
        for site in &self.sites {
            if since_look >= PARTS_BETWEEN_LOOKS {
                watch.ask()?;
                since_look = 0;
            }
            since_look += site.parts.len();
            draws.clear();
            draws.extend(site.parts.iter().map(|&i| {
                let component = &self.input.components[i];
                let effect: f64 =
                    component.covariates.iter().zip(&coefficients).map(|(x, b)| x * b).sum();
                let law = laws[class_index(component.class)];
                PartDraw::new(&mut rng, i, law, effect.exp(), component.heat_age_hours)
            }));
            let hazard = draws.iter().fold(site.past_hazard, |sum, draw| sum + draw.hazard_now);
            let frailty = draw_frailty(&mut rng, variance, site.failures, hazard);
            for draw in &draws {
                self.live(draw, frailty, path, &mut calls);
            }
        }
        Ok(calls)
    }

    fn draw_parameters(&self, rng: &mut ChaCha8Rng) -> Vec<f64> {
        let normals: Vec<f64> = self.centre.iter().map(|_| rng.sample(StandardNormal)).collect();
        let spread = self.factor.times_lower(&normals);
        self.centre.iter().zip(spread).map(|(centre, off)| centre + off).collect()
    }

    /// Adds the calls of one part under every plan.
    fn live(&self, draw: &PartDraw, frailty: f64, path: &Path<'_>, calls: &mut [u16]) {
        let component = &self.input.components[draw.part];
        let heat = path[class_index(component.class)];
        let Read { drifting, failed } = &self.read[draw.part];
        let rate = component.heat_rate;
        let start = Start { age: component.heat_age_hours, gathered: 0.0, rate };
        let first = if *failed {
            Some(0)
        } else {
            draw.first_failure(frailty, drifting.as_ref(), start, heat)
        };
        let plans = core::iter::once(None).chain(self.met.iter().map(|met| met[draw.part]));
        for (visit, calls) in plans.zip(calls.chunks_exact_mut(heat.len())) {
            // A visit that comes before the failure and replaces the part spares the call.
            let spared = visit.filter(|met| {
                let in_time = first.is_none_or(|failed| failed > met.day);
                in_time && (met.swap || (first.is_some() && draw.luck < met.found))
            });
            if spared.is_none() {
                add_call(calls, first);
            }
            if let Some(day) = spared.map(|met| met.day).or(first) {
                add_call(calls, draw.second_failure(frailty, day, rate, heat));
            }
        }
    }
}

fn add_call(calls: &mut [u16], day: Option<usize>) {
    if let Some(day) = day {
        calls[day] = calls[day].saturating_add(1);
    }
}

fn paths_of<'a>(input: &'a RehearsalInput<'_>) -> Result<Vec<Vec<&'a [f64]>>, RehearsalError> {
    let days = input.daily_capacity.len();
    let count = input.ensembles.values().map(|e| e.paths().len()).min().unwrap_or(0);
    let fit = input.ensembles.values().all(|e| e.dates() == days && e.paths().len() == count);
    if days == 0 || count == 0 || !fit || !input.daily_capacity.iter().all(|most| *most >= 0.0) {
        return Err(RehearsalError::Days);
    }
    let mut paths: Vec<Vec<&[f64]>> = vec![vec![&[]; ComponentClass::ALL.len()]; count];
    for (&class, ensemble) in input.ensembles {
        for (path, heat) in paths.iter_mut().zip(ensemble.paths()) {
            path[class_index(class)] = heat;
        }
    }
    Ok(paths)
}

fn sites_of(input: &RehearsalInput<'_>, read: &[Read]) -> Vec<Site> {
    let mut by_site: BTreeMap<SiteId, Vec<usize>> = BTreeMap::new();
    for (i, component) in input.components.iter().enumerate() {
        by_site.entry(component.site).or_default().push(i);
    }
    by_site
        .into_iter()
        .map(|(site, parts)| {
            let (past_failures, past_hazard) = input.past.get(&site).copied().unwrap_or((0, 0.0));
            let failed = parts.iter().map(|&i| u32::from(read[i].failed)).sum::<u32>();
            Site { parts, failures: past_failures + failed, past_hazard }
        })
        .collect()
}

/// The visit that each part meets: the earliest.
fn meetings(
    plan: &Plan,
    components: usize,
    days: usize,
) -> Result<Vec<Option<Met>>, RehearsalError> {
    let mut met: Vec<Option<Met>> = vec![None; components];
    for (i, visit) in plan.visits.iter().enumerate() {
        let (found, swap) = match visit.effect {
            VisitEffect::Swap => (1.0, true),
            VisitEffect::Check { detection } => (detection, false),
        };
        let known = visit.component < components && visit.day < days;
        if !known || !(0.0..=1.0).contains(&found) {
            return Err(RehearsalError::Visit { plan: plan.name.clone(), visit: i });
        }
        let slot = &mut met[visit.component];
        if slot.is_none_or(|earlier| visit.day < earlier.day) {
            *slot = Some(Met { day: visit.day, found, swap });
        }
    }
    Ok(met)
}
