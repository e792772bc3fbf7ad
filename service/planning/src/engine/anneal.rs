//! The whole run: rounds of iterations at falling temperature. In a round the slots are dealt out to a
//! few searches that do not touch each other's slots, so that they may run side by side; the next round
//! deals anew. The number of searches depends on the problem alone, so the number of threads does not
//! change the result.

use std::sync::atomic::{AtomicBool, Ordering};

use super::dice::Dice;
use super::model::Model;
use super::search::{Search, Settings, Solution};
use crate::budget::{Budget, Progress};

/// How a run cools.
#[derive(Debug, Clone)]
pub(crate) struct Schedule {
    /// First temperature, in units of cost.
    pub(crate) hot: f64,
    /// Last temperature.
    pub(crate) cold: f64,
    /// Searches side by side.
    pub(crate) parts: u32,
    pub(crate) settings: Settings,
    /// Which slots may change; `None` = all.
    pub(crate) open: Option<Vec<bool>>,
}

/// Part of a slot that no search may change.
const NOBODY: u32 = u32::MAX;

/// Rounds of a whole run.
const ROUNDS: u64 = 200;
/// Longest round of one search; bounds how far the temperature may lag behind the clock.
const LONGEST_ROUND: u64 = 20_000;
/// How far time may run ahead of the iterations before the temperature follows it.
const TOLERATED_LAG: f64 = 0.02;

/// Improves a solution; returns the best one met and the number of iterations.
pub(crate) fn anneal(
    model: &Model,
    start: Solution,
    schedule: &Schedule,
    budget: &Budget<'_>,
    seed: u64,
) -> (Solution, u64) {
    let never = AtomicBool::new(false);
    let stop = budget.stop.unwrap_or(&never);
    let parts = schedule.parts.max(1);
    let mut searches: Vec<Search<'_>> = (0..parts)
        .map(|p| Search::new(model, schedule.settings, Dice::new(seed, 1 + u64::from(p)), p, parts))
        .collect();
    let mut dealer = Dice::new(seed, 0);
    let mut current = start;
    let mut best = current.clone();
    if let [search] = &mut searches[..] {
        search.remember(best.clone());
    }
    let (mut done, mut share) = (0, 0.0_f64);
    let round = (budget.iterations / ROUNDS / u64::from(parts)).clamp(1, LONGEST_ROUND);
    let mut number = 0;
    while done < budget.iterations && share < 1.0 && !stop.load(Ordering::Relaxed) {
        let planned = (round * u64::from(parts)).min(budget.iterations - done);
        let next = share.max((done + planned) as f64 / budget.iterations as f64).min(1.0);
        let at = |share: f64| schedule.hot * (schedule.cold / schedule.hot).powf(share);
        let job = Job {
            iterations: planned.div_ceil(u64::from(parts)),
            hot: at(share),
            cold: at(next),
            stop,
        };
        let mut deal = deal(model, &current, parts, number, &mut dealer);
        for (part, _) in
            deal.iter_mut().zip(schedule.open.iter().flatten()).filter(|(_, open)| !**open)
        {
            *part = NOBODY;
        }
        number += 1;
        done += run_round(&mut searches, &current, &deal, job, budget.threads);
        gather(&searches, &deal, &mut current);
        debug_assert_eq!(current.cost, current.recount(model), "the running cost is exact");
        share = next;
        if let Some(time_share) = budget.time_share.map(|f| f())
            && time_share > share + TOLERATED_LAG
        {
            share = time_share.min(1.0);
        }
        for search in &mut searches {
            search.offer_best(&mut best);
        }
        if current.cost < best.cost {
            best.clone_from(&current);
        }
        if let Some(progress) = budget.progress {
            progress(&Progress { share, best_s: best.cost, unplaced: best.unplaced.len() });
        }
    }
    (best, done)
}

#[derive(Clone, Copy)]
struct Job<'a> {
    iterations: u64,
    hot: f64,
    cold: f64,
    stop: &'a AtomicBool,
}

/// Lets every search run its share, on so many threads. Returns the iterations done.
fn run_round(
    searches: &mut [Search<'_>],
    current: &Solution,
    deal: &[u32],
    job: Job<'_>,
    threads: usize,
) -> u64 {
    let work = |part: usize, search: &mut Search<'_>| {
        search.load(current, deal, part as u32);
        search.anneal(job.iterations, job.hot, job.cold, job.stop)
    };
    let group = searches.len().div_ceil(threads.max(1));
    if group >= searches.len() {
        return searches.iter_mut().enumerate().map(|(part, s)| work(part, s)).sum();
    }
    std::thread::scope(|scope| {
        let handles: Vec<_> = searches
            .chunks_mut(group)
            .enumerate()
            .map(|(chunk, searches)| {
                let first = chunk * group;
                scope.spawn(move || -> u64 {
                    searches.iter_mut().enumerate().map(|(i, s)| work(first + i, s)).sum()
                })
            })
            .collect();
        handles
            .into_iter()
            .map(|handle| match handle.join() {
                Ok(done) => done,
                Err(panic) => std::panic::resume_unwind(panic),
            })
            .sum()
    })
}

/// Takes each slot from the search that owned it.
fn gather(searches: &[Search<'_>], deal: &[u32], current: &mut Solution) {
    if let [search] = searches {
        search.save(current);
        return;
    }
    let before = current.cost;
    current.cost += searches.iter().map(|search| search.cost() - before).sum::<i64>();
    for (slot, &part) in deal.iter().enumerate().filter(|(_, part)| **part != NOBODY) {
        searches[part as usize].save_slot(slot, current);
    }
    current.unplaced.clear();
    for search in searches {
        search.save_unplaced(current);
    }
    current.unplaced.sort_unstable();
}

/// Deals the slots to the parts: in turn by place (a cut in a random direction) and at random by group of
/// like slots (the technicians of one day), so that any two slots soon come together.
fn deal(model: &Model, current: &Solution, parts: u32, round: u64, dice: &mut Dice) -> Vec<u32> {
    let slots = model.slots.len();
    if parts == 1 {
        return vec![0; slots];
    }
    let mut keyed: Vec<(i64, usize)> = if round.is_multiple_of(2) {
        let groups = model.slots.iter().map(|slot| slot.group).max().unwrap_or(0) as usize + 1;
        let keys: Vec<i64> = (0..groups).map(|_| (dice.unit() * 1e9) as i64).collect();
        (0..slots).map(|slot| (keys[model.slots[slot].group as usize], slot)).collect()
    } else {
        // Distances to two random places tell on which side of the line between them a route lies.
        let n = model.visits();
        let (a, b) = (model.location[dice.below(n)], model.location[dice.below(n)]);
        let (to_a, to_b) = (model.travel.row_to(a as usize), model.travel.row_to(b as usize));
        let side = |slot: usize| {
            let nodes = &current.routes[slot].nodes;
            let sum: i64 = nodes
                .iter()
                .map(|node| node.location as usize)
                .map(|l| i64::from(to_a[l]) - i64::from(to_b[l]))
                .sum();
            sum * 1000 / nodes.len() as i64
        };
        (0..slots).map(|slot| (side(slot), slot)).collect()
    };
    keyed.sort_unstable();
    let mut deal = vec![0; slots];
    for (rank, &(_, slot)) in keyed.iter().enumerate() {
        deal[slot] = (rank * parts as usize / slots) as u32;
    }
    deal
}
