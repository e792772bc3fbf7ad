//! Planning a season within a budget.

use super::compile::{Compiled, compile, write_plan};
use super::plan::SeasonPlan;
use super::problem::SeasonProblem;
use super::start::{clustered, due_first};
use crate::budget::Budget;
use crate::engine::{Dice, Schedule, Search, Settings, anneal};
use crate::error::PlanningError;

/// Temperatures in seconds of objective: from nothing in a short run and in one that has the iterations to
/// cool from twice as hot, from a plan, and at the end.
const HOT: f64 = 600.0;
const HOTTEST: f64 = 1_200.0;
const WARM: f64 = 150.0;
const COLD: f64 = 12.0;
/// Iterations a visit from which a run starts at the hottest.
const LONG_RUN: u64 = 1_000;
/// Iterations a visit below which the start decides much, and a clustered one pays.
const SHORT_RUN: u64 = 200;
/// Searches side by side, and the number of slots from which they are worth their exchange.
const PARTS: u32 = 4;
const SLOTS_TO_SHARE: usize = 40;

/// Iterations that a machine of 2026 gets through in so many seconds, on the safe side. A fixed estimate
/// and not a measurement, so that the same seconds mean the same plan on every machine that keeps up.
#[must_use]
pub fn iterations_for(problem: &SeasonProblem, seconds: f64, threads: usize) -> u64 {
    let visits = problem.visits.len().max(50) as f64;
    let side_by_side = if problem.days * problem.technicians.len() < SLOTS_TO_SHARE {
        1.0
    } else {
        threads.clamp(1, PARTS as usize) as f64
    };
    // What two cores of 2026 do before other work: 450,000 iterations a second and thread at 300 visits,
    // 180,000 at 1,800, 130,000 at 3,600. Where it is too much, the temperature follows the time.
    let rate = 450_000.0 * (300.0 / visits).powf(0.5);
    (seconds * rate * side_by_side) as u64
}

/// Plans a season from nothing.
///
/// # Errors
/// If the problem is not sound.
pub fn plan(
    problem: &SeasonProblem,
    budget: &Budget<'_>,
    seed: u64,
) -> Result<SeasonPlan, PlanningError> {
    let compiled = compile(problem)?;
    let mut search =
        Search::new(&compiled.model, Settings::default(), Dice::new(seed, u64::MAX), 0, 1);
    let for_each_visit = budget.iterations / (problem.visits.len().max(1) as u64);
    let order = if for_each_visit < SHORT_RUN { clustered(problem) } else { due_first(problem) };
    search.construct(&order);
    let hot = if for_each_visit >= LONG_RUN { HOTTEST } else { HOT };
    let schedule = Schedule { hot, ..schedule(&compiled, None) };
    Ok(run(problem, &compiled, &search, &schedule, budget, seed))
}

/// Plans again from a plan's sequences (see [`SeasonPlan::sequences`]); what no longer fits is taken out
/// and placed anew.
///
/// # Errors
/// If the problem is not sound.
pub fn plan_from(
    problem: &SeasonProblem,
    start: &[(usize, usize, Vec<usize>)],
    budget: &Budget<'_>,
    seed: u64,
) -> Result<SeasonPlan, PlanningError> {
    plan_days_from(problem, start, None, budget, seed)
}

/// The plan that the sequences are, without any search. What does not fit (any more) is left out.
///
/// # Errors
/// If the problem is not sound.
pub fn plan_of(
    problem: &SeasonProblem,
    sequences: &[(usize, usize, Vec<usize>)],
) -> Result<SeasonPlan, PlanningError> {
    let compiled = compile(problem)?;
    let settings = Settings::default();
    let mut search = Search::new(&compiled.model, settings, Dice::new(0, u64::MAX), 0, 1);
    append(&compiled, &mut search, sequences);
    Ok(write_plan(problem, &compiled, &search.solution().routes, 0))
}

/// The plan that the sequences are, with one visit in addition where it costs least (see
/// [`Pin`](super::Pin) for a place of one's own choice). Nobody else is placed or moved to another day.
///
/// # Errors
/// If the problem is not sound or the visit unknown.
pub fn plan_placing(
    problem: &SeasonProblem,
    sequences: &[(usize, usize, Vec<usize>)],
    visit: usize,
) -> Result<SeasonPlan, PlanningError> {
    let compiled = compile(problem)?;
    if visit >= problem.visits.len() {
        let count = problem.visits.len();
        let message = format!("visit {visit} is not among the {count} visits");
        return Err(PlanningError::Content(message));
    }
    let settings = Settings::default();
    let mut search = Search::new(&compiled.model, settings, Dice::new(0, u64::MAX), 0, 1);
    append(&compiled, &mut search, sequences);
    search.construct(&[visit as u32]);
    Ok(write_plan(problem, &compiled, &search.solution().routes, 0))
}

fn append(compiled: &Compiled, search: &mut Search<'_>, sequences: &[(usize, usize, Vec<usize>)]) {
    for (day, technician, visits) in sequences {
        if let Ok(slot) = compiled.slots.binary_search(&(*day, *technician)) {
            search.append_all(slot, visits);
        }
    }
}

/// As [`plan_from`], but only the days from the first to the last given one may change.
///
/// # Errors
/// If the problem is not sound.
pub fn plan_days_from(
    problem: &SeasonProblem,
    start: &[(usize, usize, Vec<usize>)],
    days: Option<(usize, usize)>,
    budget: &Budget<'_>,
    seed: u64,
) -> Result<SeasonPlan, PlanningError> {
    let compiled = compile(problem)?;
    let mut search =
        Search::new(&compiled.model, Settings::default(), Dice::new(seed, u64::MAX), 0, 1);
    append(&compiled, &mut search, start);
    let open = days.map(|(first, last)| {
        compiled.slots.iter().map(|(day, _)| (first..=last).contains(day)).collect::<Vec<_>>()
    });
    if let Some(open) = &open {
        search.close(open);
    }
    search.construct(&due_first(problem));
    let schedule = Schedule { hot: WARM, ..schedule(&compiled, open) };
    Ok(run(problem, &compiled, &search, &schedule, budget, seed))
}

fn schedule(compiled: &Compiled, open: Option<Vec<bool>>) -> Schedule {
    let slots =
        open.as_ref().map_or(compiled.slots.len(), |o| o.iter().filter(|open| **open).count());
    let parts = if slots < SLOTS_TO_SHARE { 1 } else { PARTS };
    let settings = Settings::for_visits(compiled.model.visits());
    Schedule { hot: HOT, cold: COLD, parts, settings, open }
}

fn run(
    problem: &SeasonProblem,
    compiled: &Compiled,
    search: &Search<'_>,
    schedule: &Schedule,
    budget: &Budget<'_>,
    seed: u64,
) -> SeasonPlan {
    let (best, done) = anneal(&compiled.model, search.solution(), schedule, budget, seed);
    write_plan(problem, compiled, &best.routes, done)
}
