//! Adopting a plan: its visits get their places, its days become routes.

use std::collections::BTreeMap;

use chrono::{DateTime, NaiveDate, Utc};
use hotspell_domain::visit::kept_or_new_window_seconds;
use hotspell_domain::{BranchId, DateRange, PlanId, TechnicianId, VisitId, VisitState};
use hotspell_notices::compose::ChangeCause;
use hotspell_store::branches::{self, BranchRecord};
use hotspell_store::plans::{
    self, PlanFilter, PlanRecord, PlanStopFilter, PlanStopRecord, UnplacedFilter,
};
use hotspell_store::routes::{self, RouteFilter, Stop};
use hotspell_store::visits::{self, Cause, VisitChange, VisitRecord};
use hotspell_store::words::{PlanState, RouteState};
use hotspell_store::{AnyConnection, Page, StoreError, runs};
use serde::{Deserialize, Serialize};
use serde_json::Value;

use super::AppError;
use super::calendar::{seconds_of_day, time_of_day};
use super::repair::Happened;
use super::telling::{self, Telling, Why};
use super::undoing;
use crate::state::AppState;

/// What became of an adopted plan.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Adopted {
    /// The plan.
    pub plan: PlanId,
    /// Visits that got a place or another one.
    pub placed: usize,
    /// Visits that keep the place they had.
    pub kept: usize,
    /// Visits that changed since the plan was composed and were left as they are.
    pub left_alone: Vec<VisitId>,
    /// Visits that the plan leaves out and that lose the place they had.
    pub taken_away: Vec<VisitId>,
    /// Technician-days with a route.
    pub routes: usize,
    /// Visits whose households are written to, since what they were told no longer holds.
    pub told: Vec<VisitId>,
    /// Visits whose households must be called, since no mail may or can reach them in time.
    pub by_phone: Vec<VisitId>,
}

impl Adopted {
    fn heard(&mut self, visit: VisitId, telling: Telling) {
        match telling {
            Telling::NotNeeded => {}
            Telling::Written => self.told.push(visit),
            Telling::ByPhone => self.by_phone.push(visit),
        }
    }
}

/// What is the same for every visit of an adoption.
struct Adoption<'a> {
    state: &'a AppState,
    branch: BranchRecord,
    /// What happened, if the plan is a repair.
    events: Vec<Happened>,
    who: &'a str,
    now: DateTime<Utc>,
}

/// Adopts a draft; an earlier adopted plan is discarded. All or nothing. Households that were told of a
/// visit that changes hear of it, and nobody else.
///
/// `expected_version` guards against somebody else's change of the plan.
///
/// # Errors
/// [`AppError::Store`] when there is no such plan, it is no draft or it has changed;
/// [`AppError::Conflict`] when it would undo what was chosen since it was begun, with the visits.
pub fn adopt(
    state: &AppState,
    branch: BranchId,
    plan: PlanId,
    expected_version: i64,
    who: &str,
) -> Result<Adopted, AppError> {
    state.store.write(|conn| {
        let draft = plans::find(conn, branch, plan)?;
        if draft.state == PlanState::Draft && draft.version == expected_version {
            undoing::refuse(conn, branch, &draft)?;
        }
        adopt_within(conn, state, branch, plan, expected_version, who)
    })
}

/// The same inside the caller's transaction.
///
/// # Errors
/// As [`adopt`].
pub fn adopt_within(
    conn: &mut AnyConnection,
    state: &AppState,
    branch: BranchId,
    plan: PlanId,
    expected_version: i64,
    who: &str,
) -> Result<Adopted, AppError> {
    let now = state.now();
    let adopted = PlanFilter { state: Some(PlanState::Adopted), ..PlanFilter::default() };
    for earlier in plans::list(conn, branch, &adopted, Page::everything())? {
        plans::set_state(conn, branch, earlier.id, earlier.version, PlanState::Discarded, now)?;
    }
    let record = plans::set_state(conn, branch, plan, expected_version, PlanState::Adopted, now)?;
    let adoption = Adoption {
        state,
        branch: branches::find(conn, branch)?,
        events: events_of(conn, branch, &record)?,
        who,
        now,
    };
    let mut result = Adopted {
        plan,
        placed: 0,
        kept: 0,
        left_alone: Vec::new(),
        taken_away: Vec::new(),
        routes: 0,
        told: Vec::new(),
        by_phone: Vec::new(),
    };
    let days = place_all(conn, &adoption, &mut result)?;
    for ((day, technician), stops) in &days {
        routes::publish(conn, branch, *technician, *day, Some(plan), stops, now)?;
    }
    result.routes = days.len();
    withdraw(conn, branch, &record, &days, now)?;
    take_away(conn, &adoption, &mut result)?;
    Ok(result)
}

/// The stops of each technician's day.
type Days = BTreeMap<(NaiveDate, TechnicianId), Vec<Stop>>;

/// Gives every visit of the plan its place.
fn place_all(
    conn: &mut AnyConnection,
    adoption: &Adoption<'_>,
    result: &mut Adopted,
) -> Result<Days, AppError> {
    let branch = adoption.branch.id;
    let filter = PlanStopFilter { plan: Some(result.plan), ..PlanStopFilter::default() };
    let mut stops = plans::list_stops(conn, branch, &filter, Page::everything())?;
    stops.sort_by_key(|stop| (stop.day, stop.technician_id, stop.place));
    let mut days = Days::new();
    for stop in &stops {
        let visit = visits::find(conn, branch, stop.visit_id)?;
        if !(visit.state == VisitState::Owed || visit.state.holds_a_place()) {
            result.left_alone.push(visit.id);
            continue;
        }
        if place(conn, adoption, &visit, stop, result)? {
            result.placed += 1;
        } else {
            result.kept += 1;
        }
        days.entry((stop.day, stop.technician_id)).or_default().push(Stop {
            visit_id: stop.visit_id,
            arrival_seconds: stop.arrival_seconds,
            start_seconds: stop.start_seconds,
            leave_seconds: stop.leave_seconds,
        });
    }
    Ok(days)
}

/// What happened, of a plan that is a repair.
fn events_of(
    conn: &mut AnyConnection,
    branch: BranchId,
    plan: &PlanRecord,
) -> Result<Vec<Happened>, AppError> {
    let run = runs::find(conn, branch, plan.run_id)?;
    match run.inputs.get("events").cloned() {
        None | Some(Value::Null) => Ok(Vec::new()),
        Some(events) => serde_json::from_value(events)
            .map_err(|error| AppError::internal("stored events of a repair", error)),
    }
}

/// What led to a visit's change, as its household is told.
fn cause_of(
    events: &[Happened],
    visit: VisitId,
    place: Option<(NaiveDate, TechnicianId)>,
) -> ChangeCause {
    let lost = |technician: TechnicianId, first: NaiveDate, last: NaiveDate| {
        place.is_some_and(|(day, who)| who == technician && first <= day && day <= last)
    };
    let causes = events.iter().map(|event| match event {
        Happened::SlotDeclined { visit_id, .. } | Happened::SlotChosen { visit_id }
            if *visit_id == visit =>
        {
            ChangeCause::HouseholdAsked
        }
        Happened::TechnicianAbsent { technician_id, first_day, last_day }
            if lost(*technician_id, *first_day, *last_day) =>
        {
            ChangeCause::TechnicianAway
        }
        Happened::TechnicianBlocked { technician_id, day, .. }
            if lost(*technician_id, *day, *day) =>
        {
            ChangeCause::TechnicianAway
        }
        Happened::VisitAdded { .. } => ChangeCause::UrgentCalls,
        _ => ChangeCause::OfficeDecision,
    });
    // In the order of the words: what the household asked for comes first, the office's will last.
    causes.min().unwrap_or(ChangeCause::OfficeDecision)
}

/// Takes the routes of the plan's days out of force on which nobody drives any more.
fn withdraw(
    conn: &mut AnyConnection,
    branch: BranchId,
    plan: &PlanRecord,
    days: &BTreeMap<(NaiveDate, TechnicianId), Vec<Stop>>,
    now: DateTime<Utc>,
) -> Result<(), StoreError> {
    let filter = RouteFilter {
        days: DateRange::new(plan.first_day, plan.last_day),
        state: Some(RouteState::Current),
        ..RouteFilter::default()
    };
    for route in routes::list(conn, branch, &filter, Page::everything())? {
        if !days.contains_key(&(route.day, route.technician_id)) {
            routes::withdraw(conn, branch, &route, now)?;
        }
    }
    Ok(())
}

/// Takes the place away from visits that the plan leaves out; what has ended stays as it is.
fn take_away(
    conn: &mut AnyConnection,
    adoption: &Adoption<'_>,
    result: &mut Adopted,
) -> Result<(), AppError> {
    let branch = adoption.branch.id;
    let filter = UnplacedFilter { plan: Some(result.plan) };
    for left in plans::list_unplaced(conn, branch, &filter, Page::everything())? {
        let visit = visits::find(conn, branch, left.visit_id)?;
        if !visit.state.holds_a_place() {
            continue;
        }
        let to = VisitChange { state: VisitState::Owed, place: None, slot: None };
        let (id, why) = (visit.id, left.reason.clone());
        change(conn, adoption, &visit, to, &why, result)?;
        result.taken_away.push(id);
    }
    Ok(())
}

/// Gives the visit its place; says whether it is another one than before.
fn place(
    conn: &mut AnyConnection,
    adoption: &Adoption<'_>,
    visit: &VisitRecord,
    stop: &PlanStopRecord,
    result: &mut Adopted,
) -> Result<bool, AppError> {
    // A household that was told keeps its window while the work still starts inside it.
    let promised = (visit.day == Some(stop.day) && visit.state != VisitState::Placed)
        .then(|| visit.starts.zip(visit.ends))
        .flatten()
        .map(|(from, to)| (seconds_of_day(from), seconds_of_day(to)));
    let (from, to) = kept_or_new_window_seconds(stop.start_seconds, promised);
    let slot = (time_of_day(from), time_of_day(to));
    let same_place = visit.day == Some(stop.day) && visit.technician_id == Some(stop.technician_id);
    if same_place && visit.starts == Some(slot.0) && visit.ends == Some(slot.1) {
        return Ok(false);
    }
    let to = VisitChange {
        state: VisitState::Placed,
        place: Some((stop.day, stop.technician_id)),
        slot: Some(slot),
    };
    change(conn, adoption, visit, to, &stop.reason, result)?;
    Ok(true)
}

/// Changes a visit and lets its household hear of it.
fn change(
    conn: &mut AnyConnection,
    adoption: &Adoption<'_>,
    visit: &VisitRecord,
    to: VisitChange,
    why: &str,
    result: &mut Adopted,
) -> Result<(), AppError> {
    let Adoption { state, branch, events, who, now } = adoption;
    let cause = Cause { who, why: Some(why) };
    let after = visits::change(conn, branch.id, visit.id, visit.version, to, cause, *now)?;
    let told_as = Why::Changed(cause_of(events, visit.id, visit.day.zip(visit.technician_id)));
    let (after, telling) = telling::of_change(conn, state, branch, visit, after, told_as)?;
    result.heard(after.id, telling);
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn day(text: &str) -> NaiveDate {
        text.parse().unwrap()
    }

    #[test]
    fn a_household_is_told_of_the_nearest_cause() {
        let (sick, other) = (TechnicianId(1), TechnicianId(2));
        let events = [
            Happened::VisitAdded { visit_id: VisitId(9) },
            Happened::TechnicianAbsent {
                technician_id: sick,
                first_day: day("2026-06-01"),
                last_day: day("2026-06-02"),
            },
            Happened::SlotDeclined { visit_id: VisitId(3), day: day("2026-06-01"), hours: None },
        ];
        let cause = |visit, date, who| cause_of(&events, VisitId(visit), Some((day(date), who)));
        assert_eq!(cause(1, "2026-06-02", sick), ChangeCause::TechnicianAway);
        assert_eq!(cause(1, "2026-06-03", sick), ChangeCause::UrgentCalls);
        assert_eq!(cause(1, "2026-06-02", other), ChangeCause::UrgentCalls);
        assert_eq!(cause(3, "2026-06-02", sick), ChangeCause::HouseholdAsked);
        assert_eq!(cause_of(&[], VisitId(1), None), ChangeCause::OfficeDecision);
    }
}
