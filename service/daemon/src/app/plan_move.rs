//! One visit of a plan moved to another day or person: what it would cost, and the draft with it.
//!
//! Plans are never changed: the moved one is a new draft, and a draft that it was made from is
//! discarded.

use chrono::NaiveDate;
use hotspell_domain::{BranchId, PlanId, TechnicianId, VisitId};
use hotspell_planning::difference::Difference;
use hotspell_planning::reasons::cost_change;
use hotspell_planning::repair::TOLERANCE_S;
use hotspell_planning::season::{CostParts, Pin, SeasonPlan, SeasonProblem, plan_placing};
use hotspell_store::plans::{self, PlanRecord};
use hotspell_store::words::{PlanState, RunKind};
use hotspell_store::{AnyConnection, StoreError};
use serde_json::json;

use super::AppError;
use super::explain;
use super::plan_change::{self, Because, PlanChange};
use super::present::{self, Present};
use super::season_draft::{self, Drafted};
use super::season_plan::{Composed, PlanFigures};
use super::training;
use crate::state::AppState;

/// Which visit goes where.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct MoveRequest {
    /// The plan, a draft or the adopted one.
    pub plan: PlanId,
    /// The visit.
    pub visit: VisitId,
    /// Its new day, after today.
    pub day: NaiveDate,
    /// Its new person.
    pub technician: TechnicianId,
}

/// A move that is possible, before it is kept.
#[derive(Debug)]
pub struct Tried {
    present: Present,
    problem: SeasonProblem,
    before: SeasonPlan,
    after: SeasonPlan,
    record: PlanRecord,
    /// What it changes.
    pub change: PlanChange,
}

impl Tried {
    /// What the plan costs without the move and with it, by parts.
    #[must_use]
    pub fn costs(&self) -> (&CostParts, &CostParts) {
        (&self.before.cost, &self.after.cost)
    }

    /// The cost of the move in a sentence.
    #[must_use]
    pub fn cost_sentence(&self) -> String {
        cost_change(&self.before.cost, &self.after.cost)
    }
}

/// Moves a visit to the best place of another technician-day. Nobody else changes day or person.
///
/// # Errors
/// [`AppError::Conflict`] when it does not fit there, with the reason, or the plan is discarded;
/// [`AppError::Invalid`] for a day or person that cannot be chosen.
pub fn attempt(
    state: &AppState,
    branch: BranchId,
    request: &MoveRequest,
) -> Result<Tried, AppError> {
    let record = state.store.read(|conn| plans::find(conn, branch, request.plan))?;
    if record.state == PlanState::Discarded {
        return Err(AppError::Conflict(format!("plan {} is discarded", record.id)));
    }
    let present = if record.state == PlanState::Adopted {
        explain::in_force(state, branch)?
    } else {
        present::load_plan(state, branch, record.id)?
    };
    let index = present.index(request.visit)?;
    let (day, technician) = place(&present, request)?;
    let before = present.plan(&present.posed.built.problem)?;
    if let Some((route, _)) = before.find(index) {
        let today = present.posed.days.partition_point(|day| *day <= present.inputs.today);
        if before.routes[route].day < today {
            return Err(AppError::Conflict(format!(
                "visit {} stands on a day that has begun; state what happened as a repair",
                request.visit
            )));
        }
    }
    let mut problem = present.posed.built.problem.clone();
    let visit = &mut problem.visits[index];
    if visit.days.binary_search(&day).is_err() {
        return Err(AppError::Conflict(format!(
            "{} is out of the question for this visit: outside of what is owed, or the household \
             cannot take it",
            request.day
        )));
    }
    visit.pin = Pin { day: Some(day), technician: Some(technician), window: visit.pin.window };
    let mut sequences = before.sequences();
    for (_, _, visits) in &mut sequences {
        visits.retain(|visit| *visit != index);
    }
    let after = plan_placing(&problem, &sequences, index)
        .map_err(|error| AppError::planning("move of a visit", error))?;
    if let Some(left) = after.unplaced.iter().find(|left| left.visit == index) {
        return Err(AppError::Conflict(format!(
            "visit {} does not fit: {}",
            request.visit, left.reason
        )));
    }
    season_draft::checked(&problem, &after)?;
    let difference = Difference::between(&before, &after, TOLERANCE_S);
    let named = (&present.inputs, &present.posed);
    let change = plan_change::told(Because::Move, named, &problem, &before, &after, &difference)?;
    Ok(Tried { present, problem, before, after, record, change })
}

/// The problem's indices of the new day and person.
fn place(present: &Present, request: &MoveRequest) -> Result<(usize, usize), AppError> {
    let (built, days) = (&present.posed.built, &present.posed.days);
    if request.day <= present.inputs.today {
        return Err(AppError::field("/day", "choose a day after today"));
    }
    let day = days.binary_search(&request.day).map_err(|_| {
        AppError::field("/day", format!("{} is no working day of the plan", request.day))
    })?;
    let technician =
        built.technicians.iter().position(|id| *id == request.technician).ok_or_else(|| {
            AppError::field("/technician_id", "works on none of the days of the plan")
        })?;
    if built.problem.technicians[technician].shifts[day].is_none() {
        return Err(AppError::field("/technician_id", format!("does not work on {}", request.day)));
    }
    let visit = present.inputs.visits.iter().find(|visit| visit.id == request.visit);
    if let Some(visit) = visit {
        let machines = present.inputs.fleet.units_at(visit.site_id, visit.within_first);
        let needed = training::needed(machines);
        let calendar = &present.inputs.calendar;
        training::check_skills(calendar, &needed, request.day, request.technician)?;
    }
    Ok((day, technician))
}

/// Moves a visit and keeps the plan with it as a draft; a draft that it was made from is discarded.
///
/// # Errors
/// Those of [`attempt`] and of the store; [`StoreError::StaleVersion`] when the plan has changed
/// meanwhile.
pub fn keep(
    state: &AppState,
    branch: BranchId,
    request: &MoveRequest,
) -> Result<(Composed, Tried), AppError> {
    let tried = attempt(state, branch, request)?;
    let Tried { present, problem, after, record, change, .. } = &tried;
    let figures = season_draft::figures_of(&present.inputs, &present.posed, problem, after)?;
    let figures = PlanFigures { change: Some(change.clone()), ..figures };
    let given = json!({
        "plan": request.plan,
        "visit": request.visit,
        "day": request.day,
        "technician": request.technician,
        "scored_as_of": present.inputs.scored_as_of,
    });
    let seed = u64::try_from(record.seed).unwrap_or(0);
    let horizon = present.horizon;
    let drafted = Drafted { posed: &present.posed, problem, plan: after, figures, horizon, seed };
    let beside = |conn: &mut AnyConnection| -> Result<(), StoreError> {
        if record.state == PlanState::Draft {
            let discarded = PlanState::Discarded;
            plans::set_state(conn, branch, record.id, record.version, discarded, state.now())?;
        }
        Ok(())
    };
    let composed = season_draft::keep(state, branch, RunKind::Repair, &given, &drafted, &beside)?;
    Ok((composed, tried))
}
