//! What a plan is worth against visiting in the order of the agreements with the same capacity, and how
//! evenly it spreads the work.

use serde::Serialize;

use crate::error::PlanningError;
use crate::season::plan::SeasonPlan;
use crate::season::problem::{SeasonProblem, Shift};

/// The comparison.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Figures {
    /// Expected failures before the visits, in this plan. A visit left out counts with its last day.
    pub expected_failures_plan: f64,
    /// The same if the visits were made in agreement order.
    pub expected_failures_agreement_order: f64,
    /// Visits placed.
    pub placed: usize,
    /// Number of visits that the plan places before each day; one entry a day and one for "before the end".
    pub placed_before: Vec<usize>,
}

/// Compares a plan with agreement order. `expected_failures` gives for each visit the failures expected
/// before it if it is made on each day of the problem. Agreement order puts the visits, in the given
/// order, on the plan's own list of stop days in ascending order: as many stops a day as the plan makes.
/// That flatters agreement order, as it ignores travel, windows, skills and the households' wishes.
///
/// # Errors
/// If the curves or the order do not fit the problem.
pub fn figures(
    problem: &SeasonProblem,
    plan: &SeasonPlan,
    expected_failures: &[Vec<f64>],
    agreement_order: &[usize],
) -> Result<Figures, PlanningError> {
    let visits = problem.visits.len();
    let curves = expected_failures.len() == visits
        && expected_failures.iter().all(|curve| curve.len() == problem.days);
    if !curves || problem.days == 0 {
        return Err(PlanningError::Content(format!(
            "give each of the {visits} visits a curve of {} days",
            problem.days
        )));
    }
    let mut seen = vec![false; visits];
    for &visit in agreement_order {
        if visit >= visits || std::mem::replace(&mut seen[visit], true) {
            return Err(PlanningError::Content(format!(
                "agreement order must name each visit below {visits} once; {visit} is wrong"
            )));
        }
    }
    if agreement_order.len() != visits {
        return Err(PlanningError::Content(format!(
            "agreement order names {} of {visits} visits",
            agreement_order.len()
        )));
    }
    let mut day_of = vec![None; visits];
    let mut days = Vec::new();
    for route in &plan.routes {
        for stop in &route.stops {
            let day = day_of.get_mut(stop.visit).filter(|_| route.day < problem.days);
            *day.ok_or_else(|| {
                PlanningError::Content("the plan is not one of this problem".into())
            })? = Some(route.day);
            days.push(route.day);
        }
    }
    days.sort_unstable();
    let last = problem.days - 1;
    let expected = |visit: usize, day: Option<usize>| expected_failures[visit][day.unwrap_or(last)];
    Ok(Figures {
        expected_failures_plan: (0..visits).map(|v| expected(v, day_of[v])).sum(),
        expected_failures_agreement_order: agreement_order
            .iter()
            .enumerate()
            .map(|(rank, &visit)| expected(visit, days.get(rank).copied()))
            .sum(),
        placed: days.len(),
        placed_before: (0..=problem.days).map(|d| days.partition_point(|&day| day < d)).collect(),
    })
}

/// What a plan gives one technician to do.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize)]
pub struct Load {
    /// Days with a shift.
    pub shifts: usize,
    /// Days with at least one visit.
    pub days: usize,
    /// Visits.
    pub visits: usize,
    /// Work at homes.
    pub work_s: i64,
    /// Nominal travel.
    pub travel_s: i64,
    /// Work of the day with most of it.
    pub fullest_day_work_s: i64,
}

/// The load of each technician of a plan, by index.
///
/// # Errors
/// If the plan names a technician that the problem lacks.
pub fn loads(problem: &SeasonProblem, plan: &SeasonPlan) -> Result<Vec<Load>, PlanningError> {
    let shifts = |shifts: &[Option<Shift>]| shifts.iter().flatten().count();
    let mut loads: Vec<Load> = problem
        .technicians
        .iter()
        .map(|person| Load { shifts: shifts(&person.shifts), ..Load::default() })
        .collect();
    for route in &plan.routes {
        let load = loads
            .get_mut(route.technician)
            .ok_or_else(|| PlanningError::Content("the plan is not one of this problem".into()))?;
        let work_s: i64 =
            route.stops.iter().map(|stop| i64::from(stop.leave_s - stop.start_s)).sum();
        load.days += 1;
        load.visits += route.stops.len();
        load.work_s += work_s;
        load.travel_s += route.travel_s;
        load.fullest_day_work_s = load.fullest_day_work_s.max(work_s);
    }
    Ok(loads)
}
