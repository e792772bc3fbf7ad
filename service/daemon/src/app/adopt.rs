//! Adopting a plan: its visits get their places, its days become routes.

use std::collections::BTreeMap;

use chrono::{DateTime, NaiveDate, Utc};
use hotspell_domain::visit::arrival_window_seconds;
use hotspell_domain::{BranchId, DateRange, PlanId, TechnicianId, VisitId, VisitState};
use hotspell_store::plans::{
    self, PlanFilter, PlanRecord, PlanStopFilter, PlanStopRecord, UnplacedFilter,
};
use hotspell_store::routes::{self, RouteFilter, Stop};
use hotspell_store::visits::{self, Cause, VisitChange, VisitRecord};
use hotspell_store::words::{PlanState, RouteState};
use hotspell_store::{AnyConnection, Page, StoreError, notices};
use serde::{Deserialize, Serialize};

use super::AppError;
use super::calendar::time_of_day;
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
}

/// Adopts a draft; an earlier adopted plan is discarded. All or nothing.
///
/// `expected_version` guards against somebody else's change of the plan.
///
/// # Errors
/// [`AppError::Store`] when there is no such plan, it is no draft or it has changed.
pub fn adopt(
    state: &AppState,
    branch: BranchId,
    plan: PlanId,
    expected_version: i64,
    who: &str,
) -> Result<Adopted, AppError> {
    let now = state.now();
    state.store.write(|conn| {
        let adopted = PlanFilter { state: Some(PlanState::Adopted), ..PlanFilter::default() };
        for earlier in plans::list(conn, branch, &adopted, Page::everything())? {
            plans::set_state(conn, branch, earlier.id, earlier.version, PlanState::Discarded, now)?;
        }
        let record =
            plans::set_state(conn, branch, plan, expected_version, PlanState::Adopted, now)?;
        let filter = PlanStopFilter { plan: Some(plan), ..PlanStopFilter::default() };
        let mut stops = plans::list_stops(conn, branch, &filter, Page::everything())?;
        stops.sort_by_key(|stop| (stop.day, stop.technician_id, stop.place));
        let mut result = Adopted {
            plan,
            placed: 0,
            kept: 0,
            left_alone: Vec::new(),
            taken_away: Vec::new(),
            routes: 0,
        };
        let mut days: BTreeMap<(NaiveDate, TechnicianId), Vec<Stop>> = BTreeMap::new();
        for stop in &stops {
            let visit = visits::find(conn, branch, stop.visit_id)?;
            if !(visit.state == VisitState::Owed || visit.state.holds_a_place()) {
                result.left_alone.push(visit.id);
                continue;
            }
            if place(conn, branch, &visit, stop, who, now)? {
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
        for ((day, technician), stops) in &days {
            routes::publish(conn, branch, *technician, *day, Some(plan), stops, now)?;
        }
        result.routes = days.len();
        withdraw(conn, branch, &record, &days, now)?;
        result.taken_away = take_away(conn, branch, plan, who, now)?;
        Ok(result)
    })
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
    branch: BranchId,
    plan: PlanId,
    who: &str,
    now: DateTime<Utc>,
) -> Result<Vec<VisitId>, StoreError> {
    let filter = UnplacedFilter { plan: Some(plan) };
    let mut taken = Vec::new();
    for left in plans::list_unplaced(conn, branch, &filter, Page::everything())? {
        let visit = visits::find(conn, branch, left.visit_id)?;
        if !visit.state.holds_a_place() {
            continue;
        }
        notices::cancel_waiting(conn, branch, visit.id, now)?;
        let to = VisitChange { state: VisitState::Owed, place: None, slot: None };
        let cause = Cause { who, why: Some(&left.reason) };
        visits::change(conn, branch, visit.id, visit.version, to, cause, now)?;
        taken.push(visit.id);
    }
    Ok(taken)
}

/// Gives the visit its place; says whether it is another one than before.
fn place(
    conn: &mut AnyConnection,
    branch: BranchId,
    visit: &VisitRecord,
    stop: &PlanStopRecord,
    who: &str,
    now: DateTime<Utc>,
) -> Result<bool, StoreError> {
    let (from, to) = arrival_window_seconds(stop.start_seconds);
    let told = (time_of_day(from), time_of_day(to));
    let same_place = visit.day == Some(stop.day) && visit.technician_id == Some(stop.technician_id);
    // A household that was told keeps its window while the work still starts inside it.
    let slot = match (visit.starts, visit.ends) {
        (Some(starts), Some(ends))
            if same_place
                && visit.state != VisitState::Placed
                && starts <= time_of_day(stop.start_seconds)
                && time_of_day(stop.start_seconds) <= ends =>
        {
            (starts, ends)
        }
        _ => told,
    };
    if same_place && visit.starts == Some(slot.0) && visit.ends == Some(slot.1) {
        return Ok(false);
    }
    notices::cancel_waiting(conn, branch, visit.id, now)?;
    let to = VisitChange {
        state: VisitState::Placed,
        place: Some((stop.day, stop.technician_id)),
        slot: Some(slot),
    };
    let cause = Cause { who, why: Some(&stop.reason) };
    visits::change(conn, branch, visit.id, visit.version, to, cause, now)?;
    Ok(true)
}
