//! The season plan: compose a draft, check it, keep it; adopt it.

use std::sync::atomic::AtomicBool;

use chrono::NaiveDate;
use hotspell_domain::{BranchId, DateRange, PlanId, RunId, TechnicianId};
use hotspell_planning::season::{self, Budget, SeasonPlan};
use hotspell_store::words::RunKind;
use serde::{Deserialize, Serialize};
use serde_json::json;

use super::AppError;
use super::plan_change::PlanChange;
use super::season_draft::{self, Drafted};
use super::season_inputs::{self, Posed};
use super::season_problem::Agreed;
use super::staffing::{self, Staffing};
use crate::routing::TravelReport;
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
    let inputs = season_inputs::load(state, branch, request.horizon)?;
    let posed = season_inputs::pose(state, &inputs, request.horizon, Agreed::Fixed)?;
    let problem = &posed.built.problem;
    let plan = search(state, &posed, request, progress, stop)?;
    let mut figures = season_draft::figures_of(&inputs, &posed, problem, &plan)?;
    figures.staffing = Some(staffing::answer(state, &posed, &plan, request.seed)?);
    let given = json!({
        "first_day": request.horizon.first,
        "last_day": request.horizon.last,
        "seed": request.seed,
        "iterations_per_visit": request.iterations_per_visit,
        "scored_as_of": inputs.scored_as_of,
        "visits": posed.built.visits.len(),
        "technicians": posed.built.technicians.len(),
    });
    let (horizon, seed) = (request.horizon, request.seed);
    let drafted = Drafted { posed: &posed, problem, plan: &plan, figures, horizon, seed };
    season_draft::keep(state, branch, RunKind::SeasonPlan, &given, &drafted, &|_| Ok(()))
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
    posed: &Posed,
    request: PlanRequest,
    progress: &(dyn Fn(f64) + Sync),
    stop: &AtomicBool,
) -> Result<SeasonPlan, AppError> {
    let built = &posed.built;
    let visits = u64::try_from(built.visits.len()).unwrap_or(u64::MAX);
    let told = |done: &season::Progress| progress(done.share);
    let budget = Budget {
        iterations: request.iterations_per_visit.saturating_mul(visits),
        threads: threads(state),
        stop: Some(stop),
        time_share: None,
        progress: Some(&told),
    };
    let plan = season::plan(&built.problem, &budget, request.seed)
        .map_err(|error| AppError::planning("season plan", error))?;
    season_draft::checked(&built.problem, &plan)?;
    Ok(plan)
}
