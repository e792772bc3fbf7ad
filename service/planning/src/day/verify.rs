//! Walks routes of an instance in double precision, apart from the solver's integers.

use crate::day::instance::{Distances, Instance};

/// What the walk found.
#[derive(Debug, Clone, PartialEq)]
pub struct Verdict {
    /// Sum of all legs.
    pub distance: f64,
    /// Routes with at least one customer.
    pub vehicles: usize,
    /// What is wrong; empty if feasible.
    pub breaches: Vec<String>,
}

/// Sums of tenths are not exact in binary.
const ROUNDING: f64 = 1e-6;

/// Checks routes (customer numbers in order, without the depot).
#[must_use]
pub fn verify(instance: &Instance, routes: &[Vec<usize>], distances: Distances) -> Verdict {
    let mut verdict = Verdict { distance: 0.0, vehicles: 0, breaches: Vec::new() };
    let mut served = vec![0_usize; instance.customers.len()];
    for route in routes.iter().filter(|route| !route.is_empty()) {
        verdict.vehicles += 1;
        walk(instance, route, distances, &mut served, &mut verdict);
    }
    for (number, count) in served.iter().enumerate().skip(1) {
        if *count != 1 {
            verdict.breaches.push(format!("customer {number} is served {count} times"));
        }
    }
    if verdict.vehicles > instance.vehicles {
        let (used, given) = (verdict.vehicles, instance.vehicles);
        verdict.breaches.push(format!("{used} vehicles are used, {given} are there"));
    }
    verdict
}

fn walk(
    instance: &Instance,
    route: &[usize],
    distances: Distances,
    served: &mut [usize],
    verdict: &mut Verdict,
) {
    let depot = instance.customers[0];
    let (mut at, mut time, mut load) = (0, depot.ready, 0_i64);
    for &next in route {
        if next == 0 || next >= instance.customers.len() {
            verdict.breaches.push(format!("there is no customer {next}"));
            return;
        }
        served[next] += 1;
        let leg = instance.distance(at, next, distances);
        let customer = instance.customers[next];
        verdict.distance += leg;
        let start = (time + leg).max(customer.ready);
        if start > customer.due + ROUNDING {
            verdict
                .breaches
                .push(format!("customer {next} is reached at {start}, after its due date"));
        }
        time = start + customer.service;
        load += i64::from(customer.demand);
        at = next;
    }
    let home = instance.distance(at, 0, distances);
    verdict.distance += home;
    if time + home > depot.due + ROUNDING {
        verdict
            .breaches
            .push(format!("a vehicle is back at {}, after the depot closed", time + home));
    }
    if load > i64::from(instance.capacity) {
        verdict.breaches.push(format!("a vehicle carries {load}, more than its capacity"));
    }
}
