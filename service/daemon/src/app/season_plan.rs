//! The season plan: compose a draft, check it, keep it; adopt it.

use std::collections::BTreeMap;
use std::sync::atomic::AtomicBool;

use chrono::NaiveDate;
use hotspell_domain::{BranchId, DateRange, PlanId, RunId, SiteId, VisitState};
use hotspell_planning::checker;
use hotspell_planning::figures::figures;
use hotspell_planning::season::{self, Budget, SeasonPlan};
use hotspell_reliability::horizon::HorizonPoint;
use hotspell_store::Page;
use hotspell_store::plans::{self, NewPlanStop, NewUnplaced, PlanFields};
use hotspell_store::sites::{self, SiteAbsence};
use hotspell_store::visits::{self, VisitFilter, VisitRecord};
use hotspell_store::words::{PlanState, RunKind};
use serde::{Deserialize, Serialize};
use serde_json::json;

use super::calendar::Calendar;
use super::fleet::Fleet;
use super::record::recorded;
use super::season_problem::{self, BranchProblem, ProblemInput};
use super::{AppError, outlook, risk, scores};
use crate::state::AppState;

/// What is to be planned.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct PlanRequest {
    /// First and last day of the plan.
    pub horizon: DateRange,
    /// Seed of every random choice.
    pub seed: u64,
    /// Search iterations for each visit.
    pub iterations_per_visit: u64,
}

/// What a plan says of itself.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct PlanFigures {
    /// Visits owed in the horizon.
    pub owed: usize,
    /// Visits with a place.
    pub placed: usize,
    /// Visits without one.
    pub unplaced: usize,
    /// Date before which the first hot spell comes with one tenth.
    pub first_hot_spell_early: Option<NaiveDate>,
    /// Median date of the first hot spell.
    pub first_hot_spell_median: Option<NaiveDate>,
    /// Visits placed before the early date.
    pub placed_before_early: usize,
    /// Visits placed before the median date.
    pub placed_before_median: usize,
    /// Failures to be expected before the visits of this plan.
    pub expected_failures: f64,
    /// The same, if the same days were given to the visits in the order of the agreements.
    pub expected_failures_agreement_order: f64,
    /// Travel of all routes, minutes.
    pub travel_minutes: i64,
    /// Search iterations.
    pub iterations: u64,
}

/// A composed draft.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Composed {
    /// The draft.
    pub plan: PlanId,
    /// The recorded run.
    pub run: RunId,
    /// Its figures.
    pub figures: PlanFigures,
}

/// Everything that planning reads, taken from one view of the database.
struct Inputs {
    fleet: Fleet,
    calendar: Calendar,
    visits: Vec<VisitRecord>,
    expected: BTreeMap<SiteId, Vec<HorizonPoint>>,
    site_absences: BTreeMap<SiteId, Vec<SiteAbsence>>,
    scored_as_of: NaiveDate,
}

/// Composes a draft of the season plan: visits owed in the horizon on days and technicians.
///
/// Deterministic for the stored state, the request and the settings. `progress` hears of the
/// search's share done, from 0 to 1; `stop` ends it early with the best plan so far.
///
/// # Errors
/// [`AppError::NotReady`] before the first scoring or without technicians,
/// [`AppError::Internal`] when the plan does not pass the checker.
pub fn compose(
    state: &AppState,
    branch: BranchId,
    request: PlanRequest,
    progress: &(dyn Fn(f64) + Sync),
    stop: &AtomicBool,
) -> Result<Composed, AppError> {
    super::owed::write_owed(state, branch, request.horizon)?;
    let inputs = load(state, branch, request.horizon)?;
    let season = outlook::of_branch(state, &inputs.fleet.branch, inputs.scored_as_of)?;
    let days = inputs.calendar.working_days(request.horizon);
    let early = season.outlook.first_hot_spell.p10;
    let built = season_problem::build(&ProblemInput {
        fleet: &inputs.fleet,
        calendar: &inputs.calendar,
        days: &days,
        visits: &inputs.visits,
        site_absences: &inputs.site_absences,
        expected_failures: &inputs.expected,
        first_hot_spell_early: early,
        settings: &state.config.planning,
    })?;
    let plan = search(state, &built, request, progress, stop)?;
    let median = season.outlook.first_hot_spell.p50;
    let figures = figures_of(&inputs, &built, &plan, &days, early, median)?;
    keep(state, branch, request, &Drafted { inputs, built, plan, days, figures })
}

/// Threads for the search: as configured, or one per core.
fn threads(configured: usize) -> usize {
    if configured > 0 {
        configured
    } else {
        std::thread::available_parallelism().map_or(1, std::num::NonZero::get)
    }
}

/// A draft before it is stored.
struct Drafted {
    inputs: Inputs,
    built: BranchProblem,
    plan: SeasonPlan,
    days: Vec<NaiveDate>,
    figures: PlanFigures,
}

fn load(state: &AppState, branch: BranchId, horizon: DateRange) -> Result<Inputs, AppError> {
    state.store.read(|conn| {
        let fleet = Fleet::load(conn, branch, None)?;
        let calendar = Calendar::load(conn, &fleet.branch)?;
        let mut open = visits::list(conn, branch, &VisitFilter::default(), Page::everything())?;
        open.retain(|visit| {
            (visit.state == VisitState::Owed || visit.state.holds_a_place())
                && DateRange { first: visit.within_first, last: visit.within_last }
                    .intersection(&horizon)
                    .is_some()
        });
        let latest = scores::latest(conn, branch)?;
        let expected = risk::by_site(&fleet, &latest.curves);
        let site_absences = sites::absences(conn, branch, None)?;
        Ok(Inputs {
            fleet,
            calendar,
            visits: open,
            expected,
            site_absences,
            scored_as_of: latest.as_of,
        })
    })
}

fn search(
    state: &AppState,
    built: &BranchProblem,
    request: PlanRequest,
    progress: &(dyn Fn(f64) + Sync),
    stop: &AtomicBool,
) -> Result<SeasonPlan, AppError> {
    let visits = u64::try_from(built.visits.len()).unwrap_or(u64::MAX);
    let told = |done: &season::Progress| progress(done.share);
    let budget = Budget {
        iterations: request.iterations_per_visit.saturating_mul(visits),
        threads: threads(state.config.planning.threads),
        stop: Some(stop),
        time_share: None,
        progress: Some(&told),
    };
    let plan = season::plan(&built.problem, &budget, request.seed)
        .map_err(|error| AppError::internal("season plan", error))?;
    let report = checker::check(&built.problem, &plan);
    if let Some(violation) = report.violations.first() {
        return Err(AppError::internal(
            format!("the plan breaks {} rules", report.violations.len()),
            violation.to_string(),
        ));
    }
    Ok(plan)
}

/// The first problem day that is not before a date.
fn day_index(days: &[NaiveDate], date: Option<NaiveDate>) -> usize {
    date.map_or(0, |date| days.partition_point(|day| *day < date))
}

fn figures_of(
    inputs: &Inputs,
    built: &BranchProblem,
    plan: &SeasonPlan,
    days: &[NaiveDate],
    early: Option<NaiveDate>,
    median: Option<NaiveDate>,
) -> Result<PlanFigures, AppError> {
    // Agreement order is the order in which the agreements came in.
    let mut order: Vec<usize> = (0..built.visits.len()).collect();
    order.sort_by_key(|index| built.visits.get(*index).copied());
    let counted = figures(&built.problem, plan, &built.expected_failures, &order)
        .map_err(|error| AppError::internal("figures of the plan", error))?;
    let before = |date| counted.placed_before.get(day_index(days, date)).copied().unwrap_or(0);
    let travel_s: i64 = plan.routes.iter().map(|route| route.travel_s).sum();
    Ok(PlanFigures {
        owed: inputs.visits.len(),
        placed: counted.placed,
        unplaced: inputs.visits.len() - counted.placed,
        first_hot_spell_early: early,
        first_hot_spell_median: median,
        placed_before_early: before(early),
        placed_before_median: before(median),
        expected_failures: counted.expected_failures_plan,
        expected_failures_agreement_order: counted.expected_failures_agreement_order,
        travel_minutes: travel_s / 60,
        iterations: plan.iterations,
    })
}

fn keep(
    state: &AppState,
    branch: BranchId,
    request: PlanRequest,
    drafted: &Drafted,
) -> Result<Composed, AppError> {
    let inputs = json!({
        "first_day": request.horizon.first,
        "last_day": request.horizon.last,
        "seed": request.seed,
        "iterations_per_visit": request.iterations_per_visit,
        "scored_as_of": drafted.inputs.scored_as_of,
        "visits": drafted.built.visits.len(),
        "technicians": drafted.built.technicians.len(),
    });
    recorded(state, branch, RunKind::SeasonPlan, &inputs, |run| {
        let figures = drafted.figures.clone();
        let fields = PlanFields {
            run_id: run,
            state: PlanState::Draft,
            first_day: request.horizon.first,
            last_day: request.horizon.last,
            seed: i64::try_from(request.seed).unwrap_or(i64::MAX),
            objective: json!(drafted.plan.cost),
            figures: json!(figures),
        };
        let now = state.now();
        let plan = state.store.write(|conn| {
            let plan = plans::insert(conn, branch, &fields, now)?;
            plans::insert_stops(conn, branch, &stops(plan.id, drafted)?)?;
            plans::insert_unplaced(conn, branch, &unplaced(plan.id, drafted))?;
            Ok::<_, AppError>(plan.id)
        })?;
        let detail = json!({ "plan": plan, "figures": figures });
        Ok((Composed { plan, run, figures }, detail))
    })
}

fn stops(plan: PlanId, drafted: &Drafted) -> Result<Vec<NewPlanStop>, AppError> {
    let broken = || AppError::internal("season plan", "a stop names no visit, day or person");
    let mut rows = Vec::new();
    for route in &drafted.plan.routes {
        let day = *drafted.days.get(route.day).ok_or_else(broken)?;
        let technician = *drafted.built.technicians.get(route.technician).ok_or_else(broken)?;
        for (stop, place) in route.stops.iter().zip(0..) {
            let problem_visit = drafted.built.problem.visits.get(stop.visit).ok_or_else(broken)?;
            let failures = drafted.built.expected_failures.get(stop.visit);
            let expected = failures.and_then(|curve| curve.get(route.day)).copied().unwrap_or(0.0);
            rows.push(NewPlanStop {
                plan_id: plan,
                visit_id: *drafted.built.visits.get(stop.visit).ok_or_else(broken)?,
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

fn unplaced(plan: PlanId, drafted: &Drafted) -> Vec<NewUnplaced> {
    let searched =
        drafted.plan.unplaced.iter().filter_map(|left| {
            Some((*drafted.built.visits.get(left.visit)?, left.reason.to_string()))
        });
    let impossible = drafted.built.impossible.iter().cloned();
    searched
        .chain(impossible)
        .map(|(visit_id, reason)| NewUnplaced { plan_id: plan, visit_id, reason })
        .collect()
}
