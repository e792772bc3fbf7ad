//! An older draft must not undo what was chosen since: a slot that a household took or declined, its yes,
//! a visit that the office moved by hand, a call that was accepted.

use std::collections::{BTreeMap, BTreeSet};

use chrono::{DateTime, Utc};
use hotspell_domain::{BranchId, DateRange, VisitId, VisitState};
use hotspell_store::plans::{
    self, PlanRecord, PlanStopFilter, PlanStopRecord, UnplacedFilter, UnplacedRecord,
};
use hotspell_store::visits::{
    self, NewVisitEvent, VisitEventFilter, VisitEventRecord, VisitRecord,
};
use hotspell_store::words::PlanState;
use hotspell_store::{AnyConnection, Page, runs};
use serde_json::Value;

use super::AppError;
use super::calendar::seconds_of_day;

/// Visits that are named in full; of more only the number is said.
const NAMED: usize = 10;
/// Drafts of drafts that are followed back, so that no circle of stored numbers is followed for ever.
const CHAIN: usize = 50;

/// Refuses a draft that would move a visit back, or take a route away under it, whose place was chosen
/// after the draft was begun.
///
/// # Errors
/// [`AppError::Conflict`] that names the visits and what to do.
pub(super) fn refuse(
    conn: &mut AnyConnection,
    branch: BranchId,
    plan: &PlanRecord,
) -> Result<(), AppError> {
    let (since, asked) = begun(conn, branch, plan)?;
    let filter = PlanStopFilter { plan: Some(plan.id), ..PlanStopFilter::default() };
    let stops: BTreeMap<VisitId, PlanStopRecord> =
        plans::list_stops(conn, branch, &filter, Page::everything())?
            .into_iter()
            .map(|stop| (stop.visit_id, stop))
            .collect();
    let filter = UnplacedFilter { plan: Some(plan.id) };
    let left_out: BTreeSet<VisitId> =
        plans::list_unplaced(conn, branch, &filter, Page::everything())?
            .into_iter()
            .map(|left: UnplacedRecord| left.visit_id)
            .collect();
    let days = DateRange { first: plan.first_day, last: plan.last_day };
    let mut undone = Vec::new();
    for id in chosen_since(conn, branch, since)? {
        if asked.contains(&id) {
            continue;
        }
        let visit = visits::find(conn, branch, id)?;
        let stop = stops.get(&id);
        let known = stop.is_some() || left_out.contains(&id);
        if would_undo(&visit, stop, known, days) {
            undone.push(id);
        }
    }
    if undone.is_empty() { Ok(()) } else { Err(refusal(plan, since, &undone)) }
}

/// When what the draft rests on was read, and the visits that the office moved in it by hand: a draft with
/// one move rests on the draft that it was made from.
fn begun(
    conn: &mut AnyConnection,
    branch: BranchId,
    plan: &PlanRecord,
) -> Result<(DateTime<Utc>, BTreeSet<VisitId>), AppError> {
    let mut run = runs::find(conn, branch, plan.run_id)?;
    let (mut since, mut asked) = (run.started_at, BTreeSet::new());
    for _ in 0..CHAIN {
        let number = |member: &str| run.inputs.get(member).and_then(Value::as_i64);
        let moved = run.inputs.get("events").is_none();
        let (Some(base), Some(visit), true) = (number("plan"), number("visit"), moved) else {
            break;
        };
        asked.insert(VisitId(visit));
        let base = plans::find(conn, branch, base.into())?;
        if base.state == PlanState::Adopted {
            // It was made from what visits held then, not from what the plan in force once said.
            break;
        }
        run = runs::find(conn, branch, base.run_id)?;
        since = since.min(run.started_at);
    }
    Ok((since, asked))
}

/// Visits whose place somebody chose since: everything but the adoption of another plan and the reminders
/// that say where a visit stands.
fn chosen_since(
    conn: &mut AnyConnection,
    branch: BranchId,
    since: DateTime<Utc>,
) -> Result<BTreeSet<VisitId>, AppError> {
    let filter = VisitEventFilter { from: Some(since), ..VisitEventFilter::default() };
    let mut chosen = BTreeSet::new();
    for event in visits::list_events(conn, branch, &filter, Page::everything())? {
        if is_choice(&event) && !by_a_plan(conn, branch, &event)? {
            chosen.insert(event.visit_id);
        }
    }
    Ok(chosen)
}

fn is_choice(event: &NewVisitEvent) -> bool {
    let moved = event.day_before != event.day_after
        || event.technician_before_id != event.technician_after_id;
    let retimed = event.from_state.is_some() && event.to_state == VisitState::Placed;
    moved || retimed || event.to_state == VisitState::Agreed
}

/// Whether an adopted plan put the visit there by itself, in its own words. A plan that was made to put
/// this very visit there, as an accepted call is, carries out what somebody chose.
fn by_a_plan(
    conn: &mut AnyConnection,
    branch: BranchId,
    event: &VisitEventRecord,
) -> Result<bool, AppError> {
    if event.to_state != VisitState::Placed {
        return Ok(false);
    }
    let filter = PlanStopFilter { visit: Some(event.visit_id), ..PlanStopFilter::default() };
    let stops = plans::list_stops(conn, branch, &filter, Page::everything())?;
    let mut placed = false;
    for stop in stops.iter().filter(|stop| {
        Some(stop.day) == event.day_after
            && Some(stop.technician_id) == event.technician_after_id
            && Some(&stop.reason) == event.why.as_ref()
    }) {
        let plan = plans::find(conn, branch, stop.plan_id)?;
        let asked = runs::find(conn, branch, plan.run_id)?.inputs["visit"].as_i64();
        if asked.map(VisitId) == Some(event.visit_id) {
            return Ok(false);
        }
        placed = true;
    }
    Ok(placed)
}

/// Whether the draft would give a visit another place than it has now, or leave its route out.
fn would_undo(
    visit: &VisitRecord,
    stop: Option<&PlanStopRecord>,
    known: bool,
    days: DateRange,
) -> bool {
    match (visit.state, stop) {
        (VisitState::Owed, stop) => stop.is_some(),
        (state, Some(stop)) if state.holds_a_place() => {
            let inside = visit.starts.zip(visit.ends).is_none_or(|(from, to)| {
                (seconds_of_day(from)..=seconds_of_day(to)).contains(&stop.start_seconds)
            });
            visit.day != Some(stop.day)
                || visit.technician_id != Some(stop.technician_id)
                || !inside
        }
        // The draft does not place it: its day's route would go without it, or it would lose its place.
        (state, None) if state.holds_a_place() => {
            known || visit.day.is_some_and(|day| days.first <= day && day <= days.last)
        }
        _ => false,
    }
}

fn refusal(plan: &PlanRecord, since: DateTime<Utc>, undone: &[VisitId]) -> AppError {
    let named: Vec<String> = undone.iter().take(NAMED).map(ToString::to_string).collect();
    let more = undone.len().saturating_sub(NAMED);
    let more = if more > 0 { format!(" and {more} more") } else { String::new() };
    AppError::Conflict(format!(
        "plan {} was begun at {}; since then somebody chose the place of visits {}{more}, and this plan \
         would undo that. Compose a plan anew, or state what happened as a repair: both begin from what \
         holds now",
        plan.id,
        since.format("%Y-%m-%dT%H:%M:%SZ"),
        named.join(", "),
    ))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_reminder_is_no_choice_and_a_yes_is_one() {
        let event = |from: Option<VisitState>, to_state| NewVisitEvent {
            visit_id: VisitId(1),
            at: DateTime::UNIX_EPOCH,
            who: "hotspell".to_owned(),
            from_state: from,
            to_state,
            day_before: None,
            day_after: None,
            technician_before_id: None,
            technician_after_id: None,
            why: None,
        };
        assert!(!is_choice(&event(Some(VisitState::Placed), VisitState::Announced)));
        assert!(is_choice(&event(Some(VisitState::Announced), VisitState::Agreed)));
        assert!(is_choice(&event(Some(VisitState::Announced), VisitState::Placed)));
        assert!(
            !is_choice(&event(None, VisitState::Owed)),
            "a new visit is nobody's choice of a place"
        );
    }
}
