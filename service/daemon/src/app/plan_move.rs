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
use super::plan_change::{self, Because, ProblemNames};
use super::present::{self, Near, Present};
use super::season_draft::{self, Drafted};
use super::season_inputs::FirstHotSpell;
use super::season_plan::{Composed, PlanFigures};
use super::training;
use crate::routing;
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

/// What a move would do.
#[derive(Debug, Clone)]
pub struct Outlook {
    /// What the plan costs without it, by parts.
    pub before: CostParts,
    /// What the plan costs with it, by parts.
    pub after: CostParts,
    /// Each change in words.
    pub changes: Vec<String>,
}

impl Outlook {
    /// The cost of the move in a sentence.
    #[must_use]
    pub fn cost_sentence(&self) -> String {
        cost_change(&self.before, &self.after)
    }
}

/// A move in its problem.
struct Moved {
    problem: SeasonProblem,
    before: SeasonPlan,
    after: SeasonPlan,
    difference: Difference,
}

impl Moved {
    fn outlook(&self, present: &Present) -> Outlook {
        Outlook {
            before: self.before.cost,
            after: self.after.cost,
            changes: self.difference.sentences(&ProblemNames::new(&present.inputs, &present.posed)),
        }
    }
}

/// The plan that a visit is to be moved in, and its number if it is not what is in force.
fn movable(
    state: &AppState,
    branch: BranchId,
    plan: PlanId,
) -> Result<(PlanRecord, Option<PlanId>), AppError> {
    let record = state.store.read(|conn| plans::find(conn, branch, plan))?;
    match record.state {
        PlanState::Discarded => Err(AppError::Conflict(format!("plan {plan} is discarded"))),
        PlanState::Adopted => Ok((record, None)),
        _ => Ok((record, Some(plan))),
    }
}

/// What moving a visit to the best place of another technician-day would do. Nobody else changes day or
/// person, so it is reckoned with the two days that it touches; `spell` is the first hot spell where it
/// has been reckoned already.
///
/// # Errors
/// [`AppError::Conflict`] when it does not fit there, with the reason, or the plan is discarded;
/// [`AppError::Invalid`] for a day or person that cannot be chosen.
pub fn look(
    state: &AppState,
    branch: BranchId,
    request: &MoveRequest,
    spell: Option<FirstHotSpell>,
) -> Result<Outlook, AppError> {
    let (_, plan) = movable(state, branch, request.plan)?;
    let near = Near { visit: request.visit, plan, days: Some(&[request.day]), spell };
    let present = present::near(state, branch, near, routing::travel)?;
    Ok(moved(&present, request)?.outlook(&present))
}

/// Moves the visit within its problem.
fn moved(present: &Present, request: &MoveRequest) -> Result<Moved, AppError> {
    let index = present.index(request.visit)?;
    let (day, technician) = place(present, request)?;
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
            plan_change::day(request.day)
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
    Ok(Moved { problem, before, after, difference })
}

/// The problem's indices of the new day and person.
fn place(present: &Present, request: &MoveRequest) -> Result<(usize, usize), AppError> {
    let (built, days) = (&present.posed.built, &present.posed.days);
    if request.day <= present.inputs.today {
        return Err(AppError::field("/day", "choose a day after today"));
    }
    let day = days.binary_search(&request.day).map_err(|_| {
        let on = plan_change::day(request.day);
        AppError::field("/day", format!("{on} is no working day of the plan"))
    })?;
    let person = present.inputs.calendar.technicians.get(&request.technician);
    let name = || {
        let id = request.technician;
        person.map_or_else(|| format!("technician {id}"), |person| person.name.clone())
    };
    let away = |when: &str| AppError::field("/technician_id", format!("{} {when}", name()));
    let technician = built.technicians.iter().position(|id| *id == request.technician);
    let technician = technician.ok_or_else(|| away("works on none of the days of the plan"))?;
    if built.problem.technicians[technician].shifts[day].is_none() {
        return Err(away(&format!("does not work on {}", plan_change::day(request.day))));
    }
    let visit = present.inputs.visits.iter().find(|visit| visit.id == request.visit);
    if let Some(visit) = visit {
        let homes = &present.inputs.homes;
        let needed = homes.skills_needed(visit.site_id, visit.within_first);
        let calendar = &present.inputs.calendar;
        training::check_skills(calendar, &needed, request.day, request.technician)?;
    }
    Ok((day, technician))
}

/// Moves a visit and keeps the plan with it as a draft; a draft that it was made from is discarded.
///
/// # Errors
/// Those of [`look`] and of the store; [`StoreError::StaleVersion`] when the plan has changed
/// meanwhile.
pub fn keep(
    state: &AppState,
    branch: BranchId,
    request: &MoveRequest,
) -> Result<(Composed, Outlook), AppError> {
    let (record, plan) = movable(state, branch, request.plan)?;
    let present = match plan {
        None => present::in_force(state, branch)?,
        Some(plan) => present::load_plan(state, branch, plan)?,
    };
    let moved = moved(&present, request)?;
    let outlook = moved.outlook(&present);
    let Moved { problem, before, after, difference } = &moved;
    let named = (&present.inputs, &present.posed);
    let change = plan_change::told(Because::Move, named, problem, before, after, difference)?;
    let figures = season_draft::figures_of(&present.inputs, &present.posed, problem, after)?;
    let figures = PlanFigures { change: Some(change), ..figures };
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
    Ok((composed, outlook))
}
