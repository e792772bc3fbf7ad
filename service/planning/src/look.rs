//! Looking at a finished plan's routes one by one: where would a visit fit, and at what cost. Shared by
//! offers and reasons; no search, so it takes milliseconds.

use crate::engine::model::WindowOption;
use crate::engine::route::Route;
use crate::error::PlanningError;
use crate::season::compile::{Compiled, choice_cost, compile_plain, window_options};
use crate::season::plan::{CostParts, SeasonPlan};
use crate::season::problem::{SeasonProblem, Window};

/// A plan's routes, ready to be asked.
pub(crate) struct Look<'p> {
    pub(crate) problem: &'p SeasonProblem,
    compiled: Compiled,
    routes: Vec<Route>,
}

/// A place for a visit in one technician-day.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct Fit {
    pub(crate) day: usize,
    pub(crate) technician: usize,
    /// Visits of the day that come before it.
    pub(crate) after: usize,
    /// Starts of the work that disturb nothing else.
    pub(crate) earliest_s: i32,
    pub(crate) latest_s: i32,
    /// Cost of the choice and of the detour and load it brings.
    pub(crate) cost: CostParts,
}

impl<'p> Look<'p> {
    /// Rebuilds the plan's routes, without one visit if given.
    pub(crate) fn new(
        problem: &'p SeasonProblem,
        plan: &SeasonPlan,
        without: Option<usize>,
    ) -> Result<Self, PlanningError> {
        let compiled = compile_plain(problem)?;
        let model = &compiled.model;
        let mut routes: Vec<Route> =
            (0..compiled.slots.len()).map(|slot| Route::empty(model, slot)).collect();
        for route in &plan.routes {
            let Ok(slot) = compiled.slots.binary_search(&(route.day, route.technician)) else {
                return Err(PlanningError::Content(format!(
                    "the plan has a route on day {} for technician {}, who does not work then",
                    route.day, route.technician
                )));
            };
            for stop in route.stops.iter().filter(|stop| Some(stop.visit) != without) {
                if stop.visit >= problem.visits.len() {
                    return Err(PlanningError::Content(format!(
                        "the plan names visit {}, which the problem lacks",
                        stop.visit
                    )));
                }
                let window = WindowOption {
                    start_s: stop.window.start_s,
                    end_s: stop.window.end_s,
                    cost: 0,
                };
                let after = routes[slot].nodes.len() - 2;
                routes[slot].insert(model, stop.visit, after, window);
            }
            routes[slot].refresh(model, slot);
        }
        Ok(Self { problem, compiled, routes })
    }

    /// Who works on a day.
    pub(crate) fn on_day(&self, day: usize) -> impl Iterator<Item = (usize, usize)> + '_ {
        let slots = &self.compiled.slots;
        let first = slots.partition_point(|slot| slot.0 < day);
        slots[first..]
            .iter()
            .take_while(move |slot| slot.0 == day)
            .enumerate()
            .map(move |(i, slot)| (first + i, slot.1))
    }

    /// The cheapest place for a visit in a slot, with the start of work within `span`.
    pub(crate) fn fit(&self, visit: usize, slot: usize, span: Window) -> Option<Fit> {
        let (day, technician) = self.compiled.slots[slot];
        let wanted = &self.problem.visits[visit];
        let mut cost = choice_cost(self.problem, wanted, day, technician)?;
        let options: Vec<WindowOption> = window_options(wanted, day)
            .into_iter()
            .map(|o| WindowOption {
                start_s: o.start_s.max(span.start_s),
                end_s: o.end_s.min(span.end_s),
                cost: o.cost,
            })
            .filter(|o| o.start_s <= o.end_s)
            .collect();
        let model = &self.compiled.model;
        let route = &self.routes[slot];
        let place = route.best_place(model, slot, visit, &options, i32::MAX, |_| false);
        let window = options.get(usize::from(place.option)).filter(|_| place.delta != i32::MAX)?;
        let mut with = route.clone();
        with.insert(model, visit, usize::from(place.after), *window);
        with.refresh(model, slot);
        let loads = [route, &with].map(|r| i64::from(model.fairness_cost(r.work)));
        cost.fairness_s = loads[1] - if route.is_empty() { 0 } else { loads[0] };
        cost.travel_s =
            i64::from(with.travel) - if route.is_empty() { 0 } else { i64::from(route.travel) };
        cost.change_s += i64::from(window.cost);
        let node_index = usize::from(place.after) + 1;
        let (earliest_s, latest_s) = with.starts(node_index);
        let after = usize::from(place.after);
        Some(Fit { day, technician, after, earliest_s, latest_s: latest_s.max(earliest_s), cost })
    }

    /// Whether a visit would fit into the slot if it were empty.
    pub(crate) fn fits_empty(&self, visit: usize, slot: usize) -> bool {
        let model = &self.compiled.model;
        let (day, _) = self.compiled.slots[slot];
        let options = window_options(&self.problem.visits[visit], day);
        let empty = Route::empty(model, slot);
        empty.best_place(model, slot, visit, &options, i32::MAX, |_| false).delta != i32::MAX
    }

    /// Visits in a slot.
    pub(crate) fn stops(&self, slot: usize) -> usize {
        self.routes[slot].stops()
    }
}

/// The whole day.
pub(crate) const ANY_TIME: Window = Window { start_s: i32::MIN, end_s: i32::MAX };
