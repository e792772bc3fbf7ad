//! The order in which a plan from nothing is first filled.

use super::problem::SeasonProblem;
use crate::travel::TravelTimes;

/// Days of due dates that are filled together.
const CLUSTER_DAYS: usize = 5;

/// By due day, then by the cost of leaving out.
pub(super) fn due_first(problem: &SeasonProblem) -> Vec<u32> {
    let mut order: Vec<u32> = (0..problem.visits.len() as u32).collect();
    order.sort_by_key(|&v| (due(problem, v), -problem.visits[v as usize].drop_cost_s, v));
    order
}

/// By stretches of due days, and within each from neighbour to neighbour, beginning with the home that is
/// farthest from where the work starts: what is near each other in place and risk is placed one after the
/// other and so fills the same days.
pub(super) fn clustered(problem: &SeasonProblem) -> Vec<u32> {
    let Some(base) = problem.technicians.first().map(|person| person.start_location) else {
        return due_first(problem);
    };
    let location = |visit: u32| problem.visits[visit as usize].location;
    let order = due_first(problem);
    let mut chained = Vec::with_capacity(order.len());
    for stretch in
        order.chunk_by(|a, b| due(problem, *a) / CLUSTER_DAYS == due(problem, *b) / CLUSTER_DAYS)
    {
        let mut left = stretch.to_vec();
        let farthest =
            (0..left.len()).max_by_key(|&i| problem.travel.seconds(base, location(left[i])));
        let mut next = farthest;
        while let Some(at) = next {
            let visit = left.swap_remove(at);
            chained.push(visit);
            let way = |i: &usize| problem.travel.seconds(location(visit), location(left[*i]));
            next = (0..left.len()).min_by_key(|i| (way(i), left[*i]));
        }
    }
    chained
}

fn due(problem: &SeasonProblem, visit: u32) -> usize {
    let visit = &problem.visits[visit as usize];
    visit.due_day.or(visit.days.last().copied()).unwrap_or(0)
}
