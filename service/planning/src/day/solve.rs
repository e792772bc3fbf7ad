//! Solving an instance.

use serde::Serialize;

use super::instance::{Distances, Instance};
use super::verify::verify;
use crate::budget::Budget;
use crate::engine::model::{Candidate, WindowOption};
use crate::engine::{
    Dice, Model, ModelBuilder, Schedule, Search, Settings, Slot, Solution, anneal,
};
use crate::error::PlanningError;
use crate::travel::{TravelTable, TravelTimes};

/// What is to be small.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Goal {
    /// Total distance, with any number of the vehicles.
    Distance,
    /// The number of vehicles first, then distance.
    Vehicles,
}

/// What `route` prints.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct RouteReport {
    /// Name of the instance.
    pub instance: String,
    /// Total distance in the instance's unit.
    pub distance: f64,
    /// Vehicles used.
    pub vehicles: usize,
    /// Customer numbers of each vehicle in order.
    pub routes: Vec<Vec<usize>>,
    /// Whether the walk in double precision found every rule kept and every customer served.
    pub feasible: bool,
    /// What is wrong, if anything.
    pub breaches: Vec<String>,
    /// Iterations of the search.
    pub iterations: u64,
    /// Wall time, which the caller measured.
    pub seconds: f64,
}

/// Iterations that one core of a machine of 2026 gets through in so many seconds, on the safe side; see
/// [`crate::season::iterations_for`].
#[must_use]
pub fn iterations_for(instance: &Instance, seconds: f64) -> u64 {
    // Nine tenths of what two cores of 2026 do before other work: 410,000 a second at 100 customers,
    // 180,000 at 400. Where it is too much, the temperature follows the time.
    let customers = instance.customers.len().max(50) as f64;
    (seconds * 410_000.0 * (100.0 / customers).powf(0.6)) as u64
}

/// Units of the solver's integers in one unit of the instance.
fn scale(distances: Distances) -> f64 {
    match distances {
        Distances::Real => 10_000.0,
        Distances::Tenths => 10.0,
    }
}

/// Distances in whole units. Real ones are rounded up, so that what the integers allow is feasible in
/// truth.
struct Scaled<'i> {
    instance: &'i Instance,
    distances: Distances,
}

impl TravelTimes for Scaled<'_> {
    fn locations(&self) -> usize {
        self.instance.customers.len()
    }

    fn seconds(&self, from: usize, to: usize) -> i32 {
        let scaled = self.instance.distance(from, to, Distances::Real) * scale(self.distances);
        match self.distances {
            // A distance that is whole in truth must not be rounded up for the last bit of its root.
            Distances::Real => (scaled - 1e-6).ceil().max(0.0) as i32,
            Distances::Tenths => scaled.floor() as i32,
        }
    }

    fn obeys_triangle_inequality(&self) -> bool {
        true
    }
}

/// Solves an instance within a budget. Customers that cannot be served are named in the breaches.
///
/// # Errors
/// If the instance is too large for the solver's tables.
pub fn solve(
    instance: &Instance,
    goal: Goal,
    distances: Distances,
    budget: &Budget<'_>,
    seed: u64,
) -> Result<RouteReport, PlanningError> {
    let travel = TravelTable::build(&Scaled { instance, distances })?;
    let customers = instance.customers.len() - 1;
    let fleet = instance.vehicles.min(customers.max(1));
    let (routes, iterations) = match goal {
        Goal::Distance => {
            let model = model(instance, &travel, distances, fleet);
            let (best, done) = search(&model, start(&model, &[], seed), budget, seed, distances);
            (sequences(&best), done)
        }
        Goal::Vehicles => fewest(instance, &travel, distances, fleet, budget, seed),
    };
    let verdict = verify(instance, &routes, distances);
    Ok(RouteReport {
        instance: instance.name.clone(),
        distance: verdict.distance,
        vehicles: verdict.vehicles,
        routes,
        feasible: verdict.breaches.is_empty(),
        breaches: verdict.breaches,
        iterations,
        seconds: 0.0,
    })
}

/// Cost of leaving a customer out: more than any detour.
fn drop_cost(travel: &TravelTable) -> i32 {
    let longest = (0..travel.locations()).flat_map(|i| travel.row_from(i)).max().copied();
    longest.unwrap_or(0).saturating_mul(10).clamp(1, 500_000_000)
}

fn model(instance: &Instance, travel: &TravelTable, distances: Distances, fleet: usize) -> Model {
    let unit = scale(distances);
    let time = |value: f64| (value * unit).floor() as i32;
    let depot = instance.customers[0];
    let slot = Slot {
        start_location: 0,
        end_location: 0,
        start_s: (depot.ready * unit).ceil() as i32,
        end_s: time(depot.due),
        capacity: instance.capacity,
        fixed_cost: 0,
        pause: None,
        group: 0,
    };
    let mut builder = ModelBuilder::new(vec![slot; fleet], travel.clone(), None, None);
    let drop_cost = drop_cost(travel);
    for (number, customer) in instance.customers.iter().enumerate().skip(1) {
        let window = builder.add_windows(&[WindowOption {
            start_s: (customer.ready * unit).ceil() as i32,
            end_s: time(customer.due),
            cost: 0,
        }]);
        let everywhere =
            (0..fleet).map(|slot| Candidate { slot: slot as u32, cost: 0, window, windows: 1 });
        let fits = customer.demand <= instance.capacity;
        let service = (customer.service * unit).ceil() as i32;
        let everywhere = everywhere.filter(|_| fits);
        builder.add_visit(number as u32, service, customer.demand, drop_cost, everywhere);
    }
    builder.build()
}

/// Rebuilds given routes and inserts the rest, the earliest due first.
fn start(model: &Model, routes: &[Vec<usize>], seed: u64) -> Solution {
    let mut search = Search::new(model, Settings::default(), Dice::new(seed, u64::MAX), 0, 1);
    for (slot, route) in routes.iter().enumerate() {
        let visits: Vec<usize> = route.iter().map(|number| number - 1).collect();
        search.append_all(slot, &visits);
    }
    let mut order: Vec<u32> = (0..model.visits() as u32).collect();
    order.sort_by_key(|&v| (model.earliest[v as usize] + model.span[v as usize], v));
    search.construct(&order);
    search.solution()
}

fn search(
    model: &Model,
    start: Solution,
    budget: &Budget<'_>,
    seed: u64,
    distances: Distances,
) -> (Solution, u64) {
    let unit = scale(distances);
    let settings = Settings::for_visits(model.visits());
    let (hot, cold) = (HOT * unit, COLD * unit);
    let schedule = Schedule { hot, cold, parts: 1, settings, open: None };
    anneal(model, start, &schedule, budget, seed)
}

/// Temperatures in units of distance.
const HOT: f64 = 20.0;
const COLD: f64 = 0.3;

fn sequences(solution: &Solution) -> Vec<Vec<usize>> {
    let routes = solution.routes.iter().filter(|route| !route.is_empty());
    routes.map(|route| route.visits().map(|v| v as usize + 1).collect()).collect()
}

/// Takes one vehicle away at a time for as long as all customers can be served, then shortens the way.
fn fewest(
    instance: &Instance,
    travel: &TravelTable,
    distances: Distances,
    fleet: usize,
    budget: &Budget<'_>,
    seed: u64,
) -> (Vec<Vec<usize>>, u64) {
    let whole = model(instance, travel, distances, fleet);
    let mut best = sequences(&start(&whole, &[], seed));
    let mut used = 0;
    // Half of the budget for the fleet, in attempts of at most a tenth of it.
    let attempt = (budget.iterations / 10).max(1);
    while used < budget.iterations / 2 && best.len() > 1 {
        let fewer = model(instance, travel, distances, best.len() - 1);
        // The vehicle with the fewest customers goes.
        let mut kept = best.clone();
        kept.sort_by_key(|route| std::cmp::Reverse(route.len()));
        kept.pop();
        let part = Budget { iterations: attempt, ..*budget };
        let begin = start(&fewer, &kept, seed);
        let (found, done) = search(&fewer, begin, &part, seed.wrapping_add(used), distances);
        used += done.max(1);
        let served: usize = sequences(&found).iter().map(Vec::len).sum();
        if served + 1 == instance.customers.len() {
            best = sequences(&found);
        } else if done < attempt {
            break;
        }
    }
    let last = model(instance, travel, distances, best.len());
    let part = Budget { iterations: budget.iterations.saturating_sub(used), ..*budget };
    let (found, done) = search(&last, start(&last, &best, seed), &part, seed, distances);
    (sequences(&found), used + done)
}
