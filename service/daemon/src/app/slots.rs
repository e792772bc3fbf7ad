//! Another slot by link: the best ones are kept for a while, one is taken.

use chrono::{NaiveDate, NaiveTime, TimeDelta};
use hotspell_domain::visit::arrival_window_seconds;
use hotspell_domain::{VisitId, VisitState};
use hotspell_planning::insertion::Others;
use hotspell_store::answers::{self as answer_rows, AnswerFilter};
use hotspell_store::holds::{self, HoldFilter, HoldRecord, NewHold};
use hotspell_store::visits::{self, Cause, VisitChange, VisitRecord};
use hotspell_store::words::AnswerKind;
use hotspell_store::{AnyConnection, Page, StoreError, technicians};
use serde_json::json;

use super::answers::{self, AnswerView, Said};
use super::calendar::time_of_day;
use super::explain::{self, Offered};
use super::insertion::{self, Wanted};
use super::repair::Happened;
use super::{AppError, telling};
use crate::state::AppState;

/// Slots shown to a household.
const SHOWN: usize = 3;
/// Slots reckoned, so that some are left when others are kept for other households.
const RECKONED: usize = 12;
/// How often a chosen slot is tried when the plan changes under the hand.
const TRIES: u32 = 3;

/// A slot that is kept for a household.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct KeptSlot {
    /// Number of the hold.
    pub hold: i64,
    /// The day.
    pub day: NaiveDate,
    /// Earliest arrival.
    pub from: NaiveTime,
    /// Latest arrival.
    pub to: NaiveTime,
    /// First name of who would come.
    pub technician_first_name: Option<String>,
    /// Whether it fits into the plan best of those that are offered.
    pub best: bool,
}

/// Keeps up to three other slots for the visit of a link, earliest first, for as long as the settings say; those kept for
/// it before are let go. None when no other slot fits, or when there is no plan to fit it into.
///
/// # Errors
/// [`AppError::Forbidden`] for a link that does not count, [`AppError::Conflict`] when the visit is not
/// open.
pub fn keep(state: &AppState, token: &str) -> Result<(AnswerView, Vec<KeptSlot>), AppError> {
    let view = answers::view(state, token)?;
    open(&view.visit)?;
    let branch = view.branch.id;
    let offers = match explain::other_slots(state, branch, view.visit.id, &[], RECKONED) {
        Ok(offers) => offers,
        // No plan, no scores, no place for it: then the office must find a slot.
        Err(AppError::Conflict(_) | AppError::NotReady(_) | AppError::Invalid(_)) => Vec::new(),
        Err(error) => return Err(error),
    };
    let now = state.now();
    let until = now + TimeDelta::minutes(i64::from(state.config.links.hold_minutes));
    let kept = state.store.write(|conn| {
        holds::forget(conn, branch, now)?;
        holds::release(conn, branch, view.visit.id)?;
        let mut kept = Vec::new();
        for offer in &offers {
            if kept.len() == SHOWN {
                break;
            }
            let hold = holds::keep(conn, branch, new_hold(view.visit.id, offer, until))?;
            if let Some(hold) = hold {
                kept.push(shown(conn, &hold)?);
            }
        }
        by_time(&mut kept);
        Ok::<_, AppError>(kept)
    })?;
    Ok((view, kept))
}

/// Names the best of slots that come best first, then orders them as people read a calendar.
fn by_time(kept: &mut [KeptSlot]) {
    if let Some(best) = kept.first_mut() {
        best.best = true;
    }
    kept.sort_by_key(|slot| (slot.day, slot.from, slot.hold));
}

fn new_hold(visit: VisitId, offered: &Offered, until: chrono::DateTime<chrono::Utc>) -> NewHold {
    NewHold {
        visit_id: visit,
        day: offered.day,
        technician_id: offered.technician,
        afternoon: offered.offer.is_afternoon(),
        start_seconds: offered.offer.earliest_s,
        latest_seconds: offered.offer.latest_s,
        held_until: until,
    }
}

fn shown(conn: &mut AnyConnection, hold: &HoldRecord) -> Result<KeptSlot, AppError> {
    let person = technicians::find(conn, hold.branch_id, hold.technician_id)?;
    let (from, to) = arrival_window_seconds(hold.start_seconds);
    Ok(KeptSlot {
        hold: hold.id,
        day: hold.day,
        from: time_of_day(from),
        to: time_of_day(to),
        technician_first_name: person.name.split_whitespace().next().map(str::to_owned),
        best: false,
    })
}

fn open(visit: &VisitRecord) -> Result<(), AppError> {
    if visit.state == VisitState::Owed || visit.state.holds_a_place() {
        return Ok(());
    }
    Err(AppError::Conflict(format!("this visit is {}; please call us", visit.state)))
}

/// Takes a slot that was kept: moves the visit there in the plan and the routes, agreed, and writes the
/// calendar update. The same choice twice counts once.
///
/// # Errors
/// [`AppError::Forbidden`] for a link that does not count, [`AppError::Conflict`] when the slot is no
/// longer kept or does not fit any more: then the household may ask for others.
pub fn take(state: &AppState, token: &str, hold: i64) -> Result<AnswerView, AppError> {
    let view = answers::view(state, token)?;
    open(&view.visit)?;
    let (branch, visit) = (view.branch.id, view.visit.id);
    let filter = HoldFilter { visit: Some(visit), held_after: Some(state.now()) };
    let kept = state.store.read(|conn| holds::list(conn, branch, &filter, Page::everything()))?;
    let Some(kept) = kept.into_iter().find(|kept| kept.id == hold) else {
        return if state.store.read(|conn| was_taken(conn, &view, hold))? {
            Ok(view)
        } else {
            Err(gone())
        };
    };
    let wanted = Wanted {
        visit,
        day: kept.day,
        technician: kept.technician_id,
        starts: Some((kept.start_seconds, kept.latest_seconds)),
        others: Others::KeepTheirTime,
    };
    let mut left = TRIES;
    loop {
        left -= 1;
        match move_there(state, token, &view, &kept, wanted) {
            Ok(()) => return answers::view(state, token),
            // Somebody else changed the plan at the same moment; the slot itself is still kept.
            Err(AppError::Conflict(_) | AppError::Store(StoreError::StaleVersion { .. }))
                if left > 0 => {}
            Err(error) => return Err(error),
        }
    }
}

/// Moves the visit into a kept slot, all or nothing.
fn move_there(
    state: &AppState,
    token: &str,
    view: &AnswerView,
    kept: &HoldRecord,
    wanted: Wanted,
) -> Result<(), AppError> {
    let branch = view.branch.id;
    let happened = Happened::SlotChosen { visit_id: wanted.visit };
    let prepared = insertion::prepare(state, branch, wanted, &happened)?.ok_or_else(gone)?;
    let taken = state.store.write(|conn| {
        let before = visits::find(conn, branch, wanted.visit)?;
        insertion::adopt_prepared(conn, state, branch, &prepared, "household")?;
        let after = agree(conn, state, token, view, kept)?;
        telling::of_choice(conn, state, &view.branch, &before, &after)
    });
    if taken.is_err() {
        insertion::put_away(state, branch, &prepared)?;
    }
    taken
}

fn gone() -> AppError {
    AppError::Conflict("this time is no longer free; please choose again".to_owned())
}

/// Whether the household took this very slot before.
fn was_taken(conn: &mut AnyConnection, view: &AnswerView, hold: i64) -> Result<bool, StoreError> {
    let filter = AnswerFilter { visit: Some(view.visit.id), ..AnswerFilter::default() };
    let given = answer_rows::list(conn, view.branch.id, &filter, Page::everything())?;
    let last = given.iter().rev().find_map(|answer| answer.detail.as_ref()?.get("hold")?.as_i64());
    Ok(last == Some(hold) && view.visit.state == VisitState::Agreed)
}

fn agree(
    conn: &mut AnyConnection,
    state: &AppState,
    token: &str,
    view: &AnswerView,
    kept: &HoldRecord,
) -> Result<VisitRecord, AppError> {
    let (branch, now) = (view.branch.id, state.now());
    let visit = visits::find(conn, branch, view.visit.id)?;
    if visit.day != Some(kept.day) || visit.technician_id != Some(kept.technician_id) {
        return Err(gone());
    }
    let to = VisitChange {
        state: VisitState::Agreed,
        place: visit.day.zip(visit.technician_id),
        slot: visit.starts.zip(visit.ends),
    };
    let cause = Cause { who: "household", why: Some("chose this time by the link in the mail") };
    let after = visits::change(conn, branch, visit.id, visit.version, to, cause, now)?;
    holds::release(conn, branch, visit.id)?;
    let detail = json!({
        "hold": kept.id, "day": visit.day, "starts": visit.starts, "ends": visit.ends,
    });
    let (what, detail) = (AnswerKind::AnotherSlot, Some(detail));
    let said = Said { token, by: view.contact.id, visit: Some(visit.id), what, detail };
    answers::keep(conn, branch, said, now)?;
    Ok(after)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn slots_are_read_in_the_order_of_time_and_the_best_is_named() {
        let slot = |hold, day: &str, hour| KeptSlot {
            hold,
            day: day.parse().unwrap(),
            from: NaiveTime::from_hms_opt(hour, 0, 0).unwrap(),
            to: NaiveTime::from_hms_opt(hour + 2, 0, 0).unwrap(),
            technician_first_name: None,
            best: false,
        };
        let mut kept =
            [slot(1, "2025-03-04", 14), slot(2, "2025-03-04", 8), slot(3, "2025-03-03", 10)];
        by_time(&mut kept);
        let read: Vec<(i64, bool)> = kept.iter().map(|slot| (slot.hold, slot.best)).collect();
        assert_eq!(read, [(3, false), (2, false), (1, true)]);
        by_time(&mut []);
    }
}
