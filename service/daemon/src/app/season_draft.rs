//! A plan on its way into the store: checked, reckoned, kept as a draft with the run that made it.

use chrono::NaiveDate;
use hotspell_domain::{BranchId, DateRange, PlanId, RunId};
use hotspell_planning::checker;
use hotspell_planning::figures::{figures, loads};
use hotspell_planning::season::{Route, SeasonPlan, SeasonProblem};
use hotspell_store::plans::{self, NewPlanRoute, NewPlanStop, NewUnplaced, PlanFields};
use hotspell_store::words::{PlanState, RunKind};
use hotspell_store::{AnyConnection, StoreError};
use serde_json::{Value, json};

use super::AppError;
use super::record::recorded;
use super::season_inputs::{Inputs, Posed};
use super::season_plan::{Composed, PlanFigures, TechnicianLoad};
use super::season_problem::BranchProblem;
use crate::state::AppState;

/// A draft before it is stored.
#[derive(Debug)]
pub struct Drafted<'a> {
    /// The problem with its names.
    pub posed: &'a Posed,
    /// The problem that the plan refers to; another one than posed after events.
    pub problem: &'a SeasonProblem,
    /// The plan.
    pub plan: &'a SeasonPlan,
    /// Its figures.
    pub figures: PlanFigures,
    /// Days that it covers.
    pub horizon: DateRange,
    /// Seed of the search.
    pub seed: u64,
}

/// Looks at a plan with the checker, which shares no code with the solver.
///
/// # Errors
/// [`AppError::Internal`] when the plan breaks a rule.
pub fn checked(problem: &SeasonProblem, plan: &SeasonPlan) -> Result<(), AppError> {
    let report = checker::check(problem, plan);
    match report.violations.first() {
        None => Ok(()),
        Some(violation) => Err(AppError::internal(
            format!("the plan breaks {} rules", report.violations.len()),
            violation.to_string(),
        )),
    }
}

/// The first problem day that is not before a date.
fn day_index(days: &[NaiveDate], date: Option<NaiveDate>) -> usize {
    date.map_or(0, |date| days.partition_point(|day| *day < date))
}

/// What a plan says of itself.
///
/// # Errors
/// [`AppError::Internal`] when plan and problem do not belong together.
pub fn figures_of(
    inputs: &Inputs,
    posed: &Posed,
    problem: &SeasonProblem,
    plan: &SeasonPlan,
) -> Result<PlanFigures, AppError> {
    let built = &posed.built;
    // Agreement order is the order in which the agreements came in.
    let mut order: Vec<usize> = (0..built.visits.len()).collect();
    order.sort_by_key(|index| built.visits.get(*index).copied());
    let counted = figures(problem, plan, &built.expected_failures, &order)
        .map_err(|error| AppError::internal("figures of the plan", error))?;
    let before =
        |date| counted.placed_before.get(day_index(&posed.days, date)).copied().unwrap_or(0);
    let travel_s: i64 = plan.routes.iter().map(|route| route.travel_s).sum();
    Ok(PlanFigures {
        owed: inputs.visits.len(),
        placed: counted.placed,
        unplaced: inputs.visits.len() - counted.placed,
        first_hot_spell_early: posed.spell.early,
        first_hot_spell_median: posed.spell.median,
        placed_before_early: before(posed.spell.early),
        placed_before_median: before(posed.spell.median),
        expected_failures: counted.expected_failures_plan,
        expected_failures_agreement_order: counted.expected_failures_agreement_order,
        travel_minutes: travel_s / 60,
        loads: loads_of(built, problem, plan)?,
        iterations: plan.iterations,
        travel: built.travel.clone(),
        staffing: None,
        change: None,
    })
}

fn loads_of(
    built: &BranchProblem,
    problem: &SeasonProblem,
    plan: &SeasonPlan,
) -> Result<Vec<TechnicianLoad>, AppError> {
    let loads =
        loads(problem, plan).map_err(|error| AppError::internal("loads of the plan", error))?;
    let named = built.technicians.iter().zip(loads);
    Ok(named
        .map(|(technician_id, load)| TechnicianLoad {
            technician_id: *technician_id,
            shifts: load.shifts,
            days: load.days,
            visits: load.visits,
            work_minutes: load.work_s / 60,
            travel_minutes: load.travel_s / 60,
            fullest_day_work_minutes: load.fullest_day_work_s / 60,
        })
        .collect())
}

/// Something to be stored together with a draft.
pub type Beside<'a> = &'a dyn Fn(&mut AnyConnection) -> Result<(), StoreError>;

/// Stores the draft and the run that made it, and what belongs to it.
///
/// # Errors
/// Those of the store.
pub fn keep(
    state: &AppState,
    branch: BranchId,
    kind: RunKind,
    inputs: &Value,
    drafted: &Drafted<'_>,
    beside: Beside<'_>,
) -> Result<Composed, AppError> {
    recorded(state, branch, kind, inputs, |run| {
        let composed = store(state, branch, run, drafted, beside)?;
        let detail = detail(&composed);
        Ok((composed, detail))
    })
}

/// What the run of a draft says of it.
#[must_use]
pub fn detail(composed: &Composed) -> Value {
    json!({ "plan": composed.plan, "figures": composed.figures })
}

/// Stores the draft of a run that is recorded already.
///
/// # Errors
/// Those of the store.
pub fn store(
    state: &AppState,
    branch: BranchId,
    run: RunId,
    drafted: &Drafted<'_>,
    beside: Beside<'_>,
) -> Result<Composed, AppError> {
    let figures = drafted.figures.clone();
    let fields = PlanFields {
        run_id: run,
        state: PlanState::Draft,
        first_day: drafted.horizon.first,
        last_day: drafted.horizon.last,
        seed: i64::try_from(drafted.seed).unwrap_or(i64::MAX),
        objective: json!(drafted.plan.cost),
        figures: json!(figures),
    };
    let now = state.now();
    let plan = state.store.write(|conn| {
        let plan = plans::insert(conn, branch, &fields, now)?;
        plans::insert_stops(conn, branch, &stops(plan.id, drafted)?)?;
        plans::insert_routes(conn, branch, &routes(plan.id, drafted)?)?;
        plans::insert_unplaced(conn, branch, &unplaced(plan.id, drafted))?;
        beside(conn)?;
        Ok::<_, AppError>(plan.id)
    })?;
    Ok(Composed { plan, run, figures })
}

fn routes(plan: PlanId, drafted: &Drafted<'_>) -> Result<Vec<NewPlanRoute>, AppError> {
    let broken = || AppError::internal("season plan", "a route names no day or person");
    let built = &drafted.posed.built;
    let row = |route: &Route| {
        let work: i32 = route.stops.iter().map(|stop| stop.leave_s - stop.start_s).sum();
        Ok(NewPlanRoute {
            plan_id: plan,
            day: *drafted.posed.days.get(route.day).ok_or_else(broken)?,
            technician_id: *built.technicians.get(route.technician).ok_or_else(broken)?,
            work_seconds: work,
            travel_seconds: i32::try_from(route.travel_s).unwrap_or(i32::MAX),
            pause_begins_seconds: route.break_s,
            ends_seconds: route.end_s,
        })
    };
    drafted.plan.routes.iter().map(row).collect()
}

fn stops(plan: PlanId, drafted: &Drafted<'_>) -> Result<Vec<NewPlanStop>, AppError> {
    let broken = || AppError::internal("season plan", "a stop names no visit, day or person");
    let built = &drafted.posed.built;
    let mut rows = Vec::new();
    for route in &drafted.plan.routes {
        let day = *drafted.posed.days.get(route.day).ok_or_else(broken)?;
        let technician = *built.technicians.get(route.technician).ok_or_else(broken)?;
        for (stop, place) in route.stops.iter().zip(0..) {
            let problem_visit = drafted.problem.visits.get(stop.visit).ok_or_else(broken)?;
            let failures = built.expected_failures.get(stop.visit);
            let expected = failures.and_then(|curve| curve.get(route.day)).copied().unwrap_or(0.0);
            rows.push(NewPlanStop {
                plan_id: plan,
                visit_id: *built.visits.get(stop.visit).ok_or_else(broken)?,
                day,
                technician_id: technician,
                place,
                arrival_seconds: stop.arrival_s,
                start_seconds: stop.start_s,
                leave_seconds: stop.leave_s,
                pinned: problem_visit.pin.day.is_some(),
                reason: format!("{:.1} % chance of a failure before this day", 100.0 * expected),
            });
        }
    }
    Ok(rows)
}

fn unplaced(plan: PlanId, drafted: &Drafted<'_>) -> Vec<NewUnplaced> {
    let built = &drafted.posed.built;
    let searched = drafted
        .plan
        .unplaced
        .iter()
        .filter_map(|left| Some((*built.visits.get(left.visit)?, left.reason.to_string())));
    let impossible = built.impossible.iter().cloned();
    searched
        .chain(impossible)
        .map(|(visit_id, reason)| NewUnplaced { plan_id: plan, visit_id, reason })
        .collect()
}
