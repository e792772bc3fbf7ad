//! Planning a season within a budget.

use std::sync::atomic::{AtomicBool, Ordering};

use super::compile::{Compiled, compile, write_plan};
use super::plan::SeasonPlan;
use super::problem::SeasonProblem;
use crate::engine::model::Model;
use crate::engine::search::Settings;
use crate::engine::{Dice, Search};
use crate::error::PlanningError;

/// What the search may use. There is no clock here: the caller measures time and says so.
#[derive(Clone, Copy)]
pub struct Budget<'a> {
    /// Iterations in all. The temperature falls with them, so the same number and seed give the same plan
    /// whatever the number of threads.
    pub iterations: u64,
    /// Threads to use.
    pub threads: usize,
    /// Set from outside to end the search at the next iteration; the plan so far is returned.
    pub stop: Option<&'a AtomicBool>,
    /// Share of the allowed time that has gone by (0 to 1). If it runs well ahead of the iterations, the
    /// temperature follows the time, so that a slow machine still ends with a cooled plan (which then
    /// depends on its speed).
    pub time_share: Option<&'a (dyn Fn() -> f64 + Sync)>,
    /// Called after each round with the state of the search.
    pub progress: Option<&'a (dyn Fn(&Progress) + Sync)>,
}

impl Budget<'_> {
    /// So many iterations on one thread, nothing else.
    #[must_use]
    pub fn iterations(iterations: u64) -> Self {
        Self { iterations, threads: 1, stop: None, time_share: None, progress: None }
    }
}

/// State of a running search.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Progress {
    /// Share of the budget that is used, 0 to 1.
    pub share: f64,
    /// Objective of the best plan so far, in seconds.
    pub best_s: i64,
    /// Visits that it leaves out.
    pub unplaced: usize,
}

/// Rounds of a search; threads exchange their routes after each.
const ROUNDS: u64 = 100;
/// Temperatures in seconds of objective.
const HOT: f64 = 600.0;
const COLD: f64 = 6.0;

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
    let mut search = Search::new(&compiled.model, Settings::default(), Dice::new(seed, 0), 0, 1);
    search.construct(&due_first(problem, &compiled.model));
    Ok(run(problem, &compiled, search, budget, HOT))
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
    let compiled = compile(problem)?;
    let mut search = Search::new(&compiled.model, Settings::default(), Dice::new(seed, 0), 0, 1);
    for (day, technician, visits) in start {
        if let Some(slot) = compiled.slots.iter().position(|s| s == &(*day, *technician)) {
            search.append_all(slot, visits);
        }
    }
    search.construct(&due_first(problem, &compiled.model));
    Ok(run(problem, &compiled, search, budget, HOT / 4.0))
}

/// Order of the first construction: due day, then cost of leaving out.
fn due_first(problem: &SeasonProblem, model: &Model) -> Vec<u32> {
    let mut order: Vec<u32> = (0..model.visits() as u32).collect();
    let key = |v: u32| {
        let visit = &problem.visits[v as usize];
        let due = visit.due_day.or(visit.days.last().copied()).unwrap_or(0);
        (due, -visit.drop_cost_s, v)
    };
    order.sort_by_key(|&v| key(v));
    order
}

fn run(
    problem: &SeasonProblem,
    compiled: &Compiled,
    mut search: Search<'_>,
    budget: &Budget<'_>,
    hot: f64,
) -> SeasonPlan {
    let never = AtomicBool::new(false);
    let stop = budget.stop.unwrap_or(&never);
    let mut best = search.routes.clone();
    let (mut best_cost, mut best_unplaced) = (search.cost, search.unplaced.len());
    let (mut done, mut share) = (0, 0.0_f64);
    while done < budget.iterations && share < 1.0 && !stop.load(Ordering::Relaxed) {
        let round = (budget.iterations / ROUNDS).max(1).min(budget.iterations - done);
        let next = share.max((done + round) as f64 / budget.iterations as f64).min(1.0);
        let at = |share: f64| hot * (COLD / hot).powf(share);
        done += search.anneal(round, at(share), at(next), stop);
        share = next;
        if let Some(time_share) = budget.time_share.map(|f| f())
            && time_share > share + 0.05
        {
            share = time_share.min(1.0);
        }
        if search.cost < best_cost {
            best_cost = search.cost;
            best_unplaced = search.unplaced.len();
            best.clone_from(&search.routes);
        }
        if let Some(progress) = budget.progress {
            progress(&Progress { share, best_s: best_cost, unplaced: best_unplaced });
        }
    }
    debug_assert_eq!(search.cost, search.recount(), "the running cost is exact");
    write_plan(problem, compiled, &best, done)
}
