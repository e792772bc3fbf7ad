//! One visit into the plan in force, as a household or the office chose it: a draft made like a repair,
//! adopted in one transaction with what led to it.

use std::collections::BTreeMap;

use chrono::NaiveDate;
use hotspell_domain::{BranchId, PlanId, TechnicianId, VisitId, VisitState};
use hotspell_planning::insertion::{Others, Target, insert};
use hotspell_planning::season::Window;
use hotspell_store::plans;
use hotspell_store::visits::{self, VisitFilter};
use hotspell_store::words::{PlanState, RunKind};
use hotspell_store::{AnyConnection, Page, StoreError};
use serde_json::json;

use super::AppError;
use super::adopt::{self, Adopted};
use super::present::{self, Present};
use super::repair::{self, Happened};
use super::season_draft::{self, Drafted};
use super::season_inputs;
use crate::state::AppState;

/// Where a visit is to go.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Wanted {
    /// Which visit.
    pub visit: VisitId,
    /// The day.
    pub day: NaiveDate,
    /// Who comes.
    pub technician: TechnicianId,
    /// Earliest and latest start of the work, in seconds after midnight; any if absent.
    pub starts: Option<(i32, i32)>,
    /// Whether others on that day may lose the time that they were promised.
    pub others: Others,
}

/// A draft that moves one visit, and what it was made from.
#[derive(Debug)]
pub struct Prepared {
    /// The draft.
    pub plan: PlanId,
    /// The plan in force that it changes.
    base: PlanId,
    /// Versions of the visits that it was made from.
    versions: BTreeMap<VisitId, i64>,
}

/// Makes the draft; nothing when the visit does not fit there without moving somebody else. `happened`
/// says why, as households are told.
///
/// # Errors
/// [`AppError::Conflict`] when the visit is not open or what is in force does not hold together.
pub fn prepare(
    state: &AppState,
    branch: BranchId,
    wanted: Wanted,
    happened: &Happened,
) -> Result<Option<Prepared>, AppError> {
    let present = present::in_force(state, branch)?;
    let Some(target) = target(&present, wanted) else { return Ok(None) };
    let (posed, problem) = (&present.posed, &present.posed.built.problem);
    let base = present.inputs.adopted.as_ref().map(|plan| plan.id);
    let base = base.ok_or_else(|| AppError::Conflict("no plan is adopted".to_owned()))?;
    let before = present.whole_plan()?;
    let index = present.index(wanted.visit)?;
    let now = repair::moment(state, &present, present.inputs.homes.branch.time_zone);
    let mended = insert(problem, &before, index, target, now)
        .map_err(|error| AppError::planning("insertion of a visit", error))?;
    let Some(mended) = mended else { return Ok(None) };
    season_draft::checked(&mended.problem, &mended.plan)?;
    let given = json!({
        "plan": base,
        "first_day": present.horizon.first,
        "last_day": present.horizon.last,
        "events": [happened],
        "visit": wanted.visit,
        "day": wanted.day,
        "technician": wanted.technician,
        "starts": wanted.starts,
        "others_may_be_late": wanted.others == Others::MayBeLate,
        "at": state.now(),
        "scored_as_of": present.inputs.scored_as_of,
    });
    let drafted = Drafted {
        posed,
        problem: &mended.problem,
        plan: &mended.plan,
        figures: repair::figures(&present, &mended)?,
        horizon: present.horizon,
        seed: 0,
    };
    let nothing = |_: &mut AnyConnection| Ok::<(), StoreError>(());
    let kept = season_draft::keep(state, branch, RunKind::Repair, &given, &drafted, &nothing)?;
    let versions = present.inputs.visits.iter().map(|visit| (visit.id, visit.version)).collect();
    Ok(Some(Prepared { plan: kept.plan, base, versions }))
}

fn target(present: &Present, wanted: Wanted) -> Option<Target> {
    let posed = &present.posed;
    Some(Target {
        day: posed.days.binary_search(&wanted.day).ok()?,
        technician: posed.built.technicians.iter().position(|id| *id == wanted.technician)?,
        span: wanted.starts.map(|(start_s, end_s)| Window { start_s, end_s }),
        others: wanted.others,
    })
}

/// Adopts a draft of [`prepare`] in the caller's transaction, if nobody changed the plan in the meantime.
///
/// # Errors
/// [`AppError::Conflict`] when somebody did; those of adopting.
pub fn adopt_prepared(
    conn: &mut AnyConnection,
    state: &AppState,
    branch: BranchId,
    prepared: &Prepared,
    who: &str,
) -> Result<Adopted, AppError> {
    let in_force = season_inputs::adopted(conn, branch)?.map(|plan| plan.id);
    let filter = VisitFilter {
        states: Some(VisitState::HOLDING_A_PLACE.to_vec()),
        ..VisitFilter::default()
    };
    let held = visits::list(conn, branch, &filter, Page::everything())?;
    let changed = held.iter().any(|visit| {
        prepared.versions.get(&visit.id).is_some_and(|version| *version != visit.version)
    });
    if in_force != Some(prepared.base) || changed {
        return Err(AppError::Conflict(
            "the plan has changed in the meantime; please choose again".to_owned(),
        ));
    }
    let draft = plans::find(conn, branch, prepared.plan)?;
    adopt::adopt_within(conn, state, branch, prepared.plan, draft.version, who)
}

/// Puts a draft away that was not adopted.
///
/// # Errors
/// Those of the store.
pub fn put_away(state: &AppState, branch: BranchId, prepared: &Prepared) -> Result<(), AppError> {
    state.store.write(|conn| {
        let draft = plans::find(conn, branch, prepared.plan)?;
        if draft.state == PlanState::Draft {
            let (id, version) = (draft.id, draft.version);
            plans::set_state(conn, branch, id, version, PlanState::Discarded, state.now())?;
        }
        Ok(())
    })
}
