//! From the plain problem to the model of the search, and from its routes to a plan.

use super::plan::{CostParts, Route as PlanRoute, SeasonPlan, Stop, Unplaced, UnplacedReason};
use super::problem::{MAX_CANDIDATES, SeasonProblem, Visit, Window};
use crate::engine::model::{Candidate, WindowOption};
use crate::engine::route::NONE;
use crate::engine::{Model, ModelBuilder, Slot};
use crate::error::PlanningError;

/// The model and the meaning of its slots.
#[derive(Debug)]
pub(crate) struct Compiled {
    pub(crate) model: Model,
    /// Day and technician of each slot, by day, then technician.
    pub(crate) slots: Vec<(usize, usize)>,
}

pub(crate) fn compile(problem: &SeasonProblem) -> Result<Compiled, PlanningError> {
    problem.validate()?;
    let (slots, of_day, mut builder) = slots(problem);
    let pairs: usize = problem
        .visits
        .iter()
        .map(|visit| visit.days.iter().map(|&day| of_day[day].len()).sum::<usize>())
        .sum();
    if pairs > MAX_CANDIDATES {
        return Err(PlanningError::TooMany {
            what: "pairs of visit and technician-day",
            count: pairs,
            limit: MAX_CANDIDATES,
        });
    }
    for visit in &problem.visits {
        let candidates = candidates(problem, visit, &slots, &of_day, &mut builder);
        let (location, drop_cost) = (visit.location as u32, visit.drop_cost_s as i32);
        builder.add_visit(location, visit.duration_s, 0, drop_cost, candidates);
    }
    Ok(Compiled { model: builder.build(), slots })
}

/// A model without candidates, enough to look at the routes of a plan; takes milliseconds.
pub(crate) fn compile_plain(problem: &SeasonProblem) -> Result<Compiled, PlanningError> {
    problem.validate()?;
    let (slots, _, mut builder) = slots(problem);
    for visit in &problem.visits {
        let drop_cost = visit.drop_cost_s as i32;
        builder.add_visit(visit.location as u32, visit.duration_s, 0, drop_cost, []);
    }
    Ok(Compiled { model: builder.build_plain(), slots })
}

/// Day and technician of each slot, the slots of each day, and a builder that knows them.
type Slots = (Vec<(usize, usize)>, Vec<Vec<usize>>, ModelBuilder);

fn slots(problem: &SeasonProblem) -> Slots {
    let mut slots = Vec::new();
    let mut engine_slots = Vec::new();
    let mut of_day: Vec<Vec<usize>> = vec![Vec::new(); problem.days];
    for (day, here) in of_day.iter_mut().enumerate() {
        for (index, technician) in problem.technicians.iter().enumerate() {
            let Some(shift) = technician.shifts[day] else { continue };
            here.push(slots.len());
            engine_slots.push(Slot {
                start_location: technician.start_location as u32,
                end_location: technician.end_location as u32,
                start_s: shift.start_s,
                end_s: shift.end_s,
                capacity: i32::MAX,
                fixed_cost: 0,
                pause: shift.pause,
                group: day as u32,
            });
            slots.push((day, index));
        }
    }
    let builder = ModelBuilder::new(
        engine_slots,
        problem.travel.clone(),
        problem.profile.clone(),
        problem.fairness,
    );
    (slots, of_day, builder)
}

/// All technician-days that may do a visit, with their costs.
fn candidates(
    problem: &SeasonProblem,
    visit: &Visit,
    slots: &[(usize, usize)],
    of_day: &[Vec<usize>],
    builder: &mut ModelBuilder,
) -> Vec<Candidate> {
    let mut found = Vec::new();
    let mut shared: Option<(Vec<WindowOption>, u32)> = None;
    for &day in visit.days.iter().filter(|&&day| visit.pin.day.is_none_or(|pinned| pinned == day)) {
        let options = window_options(visit, day);
        if options.is_empty() {
            continue;
        }
        let first = match &shared {
            Some((same, first)) if *same == options => *first,
            _ => builder.add_windows(&options),
        };
        let count = options.len() as u32;
        shared = Some((options, first));
        for &slot in &of_day[day] {
            let technician = slots[slot].1;
            if let Some(parts) = choice_cost(problem, visit, day, technician) {
                let cost = parts.total_s().min(i64::from(i32::MAX / 4)) as i32;
                found.push(Candidate { slot: slot as u32, cost, window: first, windows: count });
            }
        }
    }
    found
}

/// The spans in which the work may start on a day, with the cost of each. After a promise of a time for
/// this day the promised span is free and the whole day costs the change.
pub(crate) fn window_options(visit: &Visit, day: usize) -> Vec<WindowOption> {
    let whole = SeasonProblem::window_on(visit, day);
    let whole = visit.pin.window.map_or(Some(whole), |pin| meet(whole, pin));
    let Some(whole) = whole.filter(|w| w.start_s <= w.end_s) else { return Vec::new() };
    let option = |w: Window, cost: i64| WindowOption {
        start_s: w.start_s,
        end_s: w.end_s,
        cost: cost as i32,
    };
    let promised = visit.promise.filter(|p| p.day == day);
    match promised.and_then(|p| p.window.map(|w| (w, p.time_change_cost_s))) {
        Some((window, change)) => {
            let kept = meet(whole, window).map(|w| option(w, 0));
            kept.into_iter().chain([option(whole, change)]).collect()
        }
        None => vec![option(whole, 0)],
    }
}

fn meet(a: Window, b: Window) -> Option<Window> {
    let both = Window { start_s: a.start_s.max(b.start_s), end_s: a.end_s.min(b.end_s) };
    (both.start_s <= both.end_s).then_some(both)
}

/// What doing a visit on a day by a technician costs apart from travel and time of day; `None` if that
/// person may not.
pub(crate) fn choice_cost(
    problem: &SeasonProblem,
    visit: &Visit,
    day: usize,
    technician: usize,
) -> Option<CostParts> {
    let allowed = problem.technicians[technician].skills.covers(visit.skills)
        && visit.pin.technician.is_none_or(|pinned| pinned == technician);
    if !allowed {
        return None;
    }
    let change_s = visit.promise.map_or(0, |p| {
        if p.day != day {
            p.day_change_cost_s
        } else if p.technician != technician {
            p.technician_change_cost_s
        } else {
            0
        }
    });
    let preference_s = visit
        .technician_cost_s
        .iter()
        .filter(|&&(t, _)| t == technician)
        .map(|&(_, cost)| cost)
        .sum();
    Some(CostParts {
        risk_s: visit.risk_on(day),
        late_s: problem.late_cost_s(visit, day),
        change_s,
        preference_s,
        ..CostParts::default()
    })
}

/// Why a visit that is in no route is in none.
pub(crate) fn unplaced_reason(
    problem: &SeasonProblem,
    compiled: &Compiled,
    index: usize,
) -> UnplacedReason {
    let visit = &problem.visits[index];
    if !compiled.model.candidates_of(index).is_empty() {
        return UnplacedReason::NoRoom;
    }
    let days: Vec<usize> =
        visit.days.iter().copied().filter(|&d| visit.pin.day.is_none_or(|pin| pin == d)).collect();
    if days.is_empty() {
        return UnplacedReason::NoDay;
    }
    let somebody = compiled.slots.iter().any(|&(day, technician)| {
        days.binary_search(&day).is_ok() && choice_cost(problem, visit, day, technician).is_some()
    });
    if somebody { UnplacedReason::DoesNotFit } else { UnplacedReason::NoTechnician }
}

/// Writes the routes of a search down as a plan.
pub(crate) fn write_plan(
    problem: &SeasonProblem,
    compiled: &Compiled,
    routes: &[crate::engine::route::Route],
    iterations: u64,
) -> SeasonPlan {
    let mut cost = CostParts::default();
    let mut placed = vec![false; problem.visits.len()];
    let mut written = Vec::new();
    for (slot, route) in routes.iter().enumerate().filter(|(_, route)| !route.is_empty()) {
        let (day, technician) = compiled.slots[slot];
        let written_route = write_route(&compiled.model, slot, route, day, technician);
        cost.travel_s += written_route.travel_s;
        cost.fairness_s += i64::from(compiled.model.fairness_cost(route.work));
        for stop in &written_route.stops {
            placed[stop.visit] = true;
            let visit = &problem.visits[stop.visit];
            if let Some(parts) = choice_cost(problem, visit, day, technician) {
                cost.risk_s += parts.risk_s;
                cost.late_s += parts.late_s;
                cost.change_s += parts.change_s;
                cost.preference_s += parts.preference_s;
            }
            cost.change_s += time_change_s(visit, day, stop.start_s);
        }
        written.push(written_route);
    }
    let mut unplaced = Vec::new();
    for visit in (0..placed.len()).filter(|&v| !placed[v]) {
        cost.dropped_s += problem.visits[visit].drop_cost_s;
        unplaced.push(Unplaced { visit, reason: unplaced_reason(problem, compiled, visit) });
    }
    SeasonPlan { routes: written, unplaced, cost, iterations }
}

/// Cost of starting outside the promised span on the promised day.
pub(crate) fn time_change_s(visit: &Visit, day: usize, start_s: i32) -> i64 {
    visit
        .promise
        .filter(|p| p.day == day)
        .and_then(|p| p.window.map(|w| (w, p.time_change_cost_s)))
        .filter(|(w, _)| !(w.start_s..=w.end_s).contains(&start_s))
        .map_or(0, |(_, cost)| cost)
}

fn write_route(
    model: &Model,
    slot: usize,
    route: &crate::engine::route::Route,
    day: usize,
    technician: usize,
) -> PlanRoute {
    let mut pause_left = model.slots[slot].pause;
    let mut break_s = None;
    let mut time = model.slots[slot].start_s;
    let mut stops = Vec::with_capacity(route.stops());
    for pair in route.nodes.windows(2) {
        let (before, node) = (pair[0], pair[1]);
        let mut arrival = model.arrive(time, before.leg);
        let next = stops.len() + 1;
        if let Some(pause) = pause_left.filter(|&p| route.pauses_before(model, p, next, time)) {
            break_s = Some(arrival.max(pause.earliest_s).min(pause.latest_s));
            arrival = arrival.max(pause.earliest_s) + pause.duration_s;
            pause_left = None;
        }
        if node.visit == NONE {
            time = arrival;
            break;
        }
        let start = arrival.max(node.from);
        stops.push(Stop {
            visit: node.visit as usize,
            travel_s: before.leg,
            arrival_s: arrival,
            start_s: start,
            leave_s: start + node.service,
            window: Window { start_s: node.from, end_s: node.until },
        });
        time = start + node.service;
    }
    PlanRoute { day, technician, stops, break_s, end_s: time, travel_s: i64::from(route.travel) }
}
