//! The season plan: compose a draft, check it, keep it; adopt it.

use std::sync::atomic::{AtomicBool, Ordering};

use chrono::NaiveDate;
use hotspell_domain::{BranchId, DateRange, PlanId, RunId, TechnicianId};
use hotspell_planning::season::{self, Budget, SeasonPlan};
use hotspell_store::words::RunKind;
use serde::{Deserialize, Serialize};
use serde_json::{Value, json};

use super::AppError;
use super::background;
use super::plan_change::PlanChange;
use super::scores;
use super::season_draft::{self, Drafted};
use super::season_inputs::{self, Inputs, Posed};
use super::season_problem::Agreed;
use super::staffing::{self, Staffing};
use crate::routing;
use crate::routing::TravelReport;
use crate::state::AppState;

/// Longest stretch that one plan covers, in days.
pub const DAYS_MAX: i64 = 366;
/// Share of the work that is the search; the rest reckons whether there are people enough.
const SEARCH_SHARE: f64 = 0.9;

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

/// What a plan gives one technician to do.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub struct TechnicianLoad {
    /// Who.
    pub technician_id: TechnicianId,
    /// Days with a shift.
    pub shifts: usize,
    /// Days with at least one visit.
    pub days: usize,
    /// Visits.
    pub visits: usize,
    /// Work at homes, minutes.
    pub work_minutes: i64,
    /// Travel, minutes.
    pub travel_minutes: i64,
    /// Work at homes on the day with most of it, minutes.
    pub fullest_day_work_minutes: i64,
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
    /// What each technician who has a shift is given to do.
    #[serde(default)]
    pub loads: Vec<TechnicianLoad>,
    /// Search iterations.
    pub iterations: u64,
    /// Where the travel times come from.
    #[serde(default)]
    pub travel: TravelReport,
    /// Technician-days that are short, and what one more would save; not reckoned for a repair.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub staffing: Option<Staffing>,
    /// Against the plan that was in force, for a repair or a night's plan.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub change: Option<PlanChange>,
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

/// Composes a draft of the season plan: visits owed in the horizon on days and technicians.
///
/// Deterministic for the stored state, the request and the settings. `progress` hears of the share
/// done, from 0 to 1.
///
/// # Errors
/// [`AppError::NotReady`] before the first scoring or without technicians,
/// [`AppError::Internal`] when the plan does not pass the checker.
pub fn compose(
    state: &AppState,
    branch: BranchId,
    request: PlanRequest,
    progress: &(dyn Fn(f64) + Sync),
) -> Result<Composed, AppError> {
    let found = search(state, branch, request, progress, &AtomicBool::new(false))?;
    let given = given(request, found.inputs.scored_as_of);
    season_draft::keep(state, branch, RunKind::SeasonPlan, &given, &found.drafted(request), &|_| {
        Ok(())
    })
}

/// Composes a draft beside the requests; answers with its run at once. The run's detail names the
/// draft. Stopped work leaves none: half a search would look like a plan, and the same seed would
/// give another one.
///
/// # Errors
/// [`AppError::NotReady`] before the first scoring, [`AppError::Conflict`] while another plan of the
/// branch is composed.
pub fn start(state: &AppState, branch: BranchId, request: PlanRequest) -> Result<RunId, AppError> {
    let (_, scored_as_of) = state.store.read(|conn| scores::last_scoring(conn, branch))?;
    let given = given(request, scored_as_of);
    background::start(state, branch, RunKind::SeasonPlan, &given, move |state, run, watch| {
        let found = search(state, branch, request, &|share| watch.tell(share), watch.stop())?;
        if watch.stop().load(Ordering::Relaxed) {
            return Err(AppError::Stopped("stopped on request; no draft is kept".to_owned()));
        }
        let drafted = found.drafted(request);
        Ok(season_draft::detail(&season_draft::store(state, branch, run, &drafted, &|_| Ok(()))?))
    })
}

/// What a plan is made from, for its run.
fn given(request: PlanRequest, scored_as_of: NaiveDate) -> Value {
    json!({
        "first_day": request.horizon.first,
        "last_day": request.horizon.last,
        "seed": request.seed,
        "iterations_per_visit": request.iterations_per_visit,
        "scored_as_of": scored_as_of,
    })
}

/// A plan that was found, before it is kept.
struct Found {
    inputs: Inputs,
    posed: Posed,
    plan: SeasonPlan,
    figures: PlanFigures,
}

impl Found {
    fn drafted(&self, request: PlanRequest) -> Drafted<'_> {
        Drafted {
            posed: &self.posed,
            problem: &self.posed.built.problem,
            plan: &self.plan,
            figures: self.figures.clone(),
            horizon: request.horizon,
            seed: request.seed,
        }
    }
}

/// Threads for the search: as configured, or one per core.
#[must_use]
pub fn threads(state: &AppState) -> usize {
    match state.config.planning.threads {
        0 => std::thread::available_parallelism().map_or(1, std::num::NonZero::get),
        configured => configured,
    }
}

fn search(
    state: &AppState,
    branch: BranchId,
    request: PlanRequest,
    tell: &(dyn Fn(f64) + Sync),
    stop: &AtomicBool,
) -> Result<Found, AppError> {
    super::owed::write_owed(state, branch, request.horizon)?;
    let inputs = season_inputs::load(state, branch, request.horizon)?;
    let posed =
        season_inputs::pose(state, &inputs, request.horizon, Agreed::Fixed, routing::travel, None)?;
    let problem = &posed.built.problem;
    let visits = u64::try_from(problem.visits.len()).unwrap_or(u64::MAX);
    let told = |done: &season::Progress| tell(SEARCH_SHARE * done.share);
    let budget = Budget {
        iterations: request.iterations_per_visit.saturating_mul(visits),
        threads: threads(state),
        stop: Some(stop),
        time_share: None,
        progress: Some(&told),
    };
    let plan = season::plan(problem, &budget, request.seed)
        .map_err(|error| AppError::planning("season plan", error))?;
    season_draft::checked(problem, &plan)?;
    let mut figures = season_draft::figures_of(&inputs, &posed, problem, &plan)?;
    if !stop.load(Ordering::Relaxed) {
        figures.staffing = Some(staffing::answer(state, &posed, &plan, request.seed)?);
    }
    Ok(Found { inputs, posed, plan, figures })
}
