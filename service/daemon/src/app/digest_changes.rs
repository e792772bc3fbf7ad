//! What changed in a stretch of time, as the office's digest tells it: one row for a visit, by where it
//! stood before and where it stands now.

use std::collections::{BTreeMap, BTreeSet};

use chrono::{DateTime, Utc};
use hotspell_domain::{BranchId, ComponentId, SiteId, VisitId, VisitKind, VisitState};
use hotspell_notices::compose::{DigestChange, DigestSlot};
use hotspell_store::answers::{self, AnswerFilter};
use hotspell_store::visits::{
    self, VisitEventFilter, VisitEventRecord, VisitRecord, VisitResultFilter,
};
use hotspell_store::words::AnswerKind;
use hotspell_store::{AnyConnection, Page, agreements, contacts};

use super::notices::technician_names;
use super::results::VisitResult;
use super::{AppError, letters, renewals};

/// A home for which something changed.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Changed {
    /// The home.
    pub(super) site: SiteId,
    /// What its visit is for.
    pub(super) visit_kind: Option<VisitKind>,
    /// What happened.
    pub(super) what: DigestChange,
}

/// What changed.
#[derive(Debug, Clone, Default, PartialEq)]
pub(super) struct Changes {
    /// In the order in which it happened last.
    pub(super) rows: Vec<Changed>,
    /// Visits that had no day and have one now.
    pub(super) newly_placed: usize,
}

/// What changed from one instant until just before another.
///
/// # Errors
/// Those of the store.
pub(super) fn between(
    conn: &mut AnyConnection,
    branch: BranchId,
    from: DateTime<Utc>,
    until: DateTime<Utc>,
) -> Result<Changes, AppError> {
    let filter =
        VisitEventFilter { from: Some(from), until: Some(until), ..VisitEventFilter::default() };
    let mut of_visits: BTreeMap<VisitId, Vec<VisitEventRecord>> = BTreeMap::new();
    for event in visits::list_events(conn, branch, &filter, Page::everything())? {
        of_visits.entry(event.visit_id).or_default().push(event);
    }
    let mut stories: Vec<Vec<VisitEventRecord>> = of_visits.into_values().collect();
    stories.sort_by_key(|story| story.last().map(|event| event.id));
    let names = technician_names(conn, branch)?;
    let mut changes = Changes::default();
    for story in &stories {
        let (Some(first), Some(last)) = (story.first(), story.last()) else { continue };
        let visit = visits::find(conn, branch, last.visit_id)?;
        let who = last.technician_after_id.and_then(|id| names.get(&id));
        let who = who.map(|name| letters::first_name(name)).unwrap_or_default();
        match told(first, last, &visit, who) {
            Told::Nothing => {}
            Told::NewlyPlaced => changes.newly_placed += 1,
            Told::Done => {
                let parts_replaced = replaced(conn, branch, visit.id)?;
                changes.rows.push(row(&visit, DigestChange::Done { parts_replaced }));
            }
            Told::Change(what) => changes.rows.push(row(&visit, what)),
        }
    }
    changes.rows.extend(answered(conn, branch, from, until)?);
    Ok(changes)
}

fn row(visit: &VisitRecord, what: DigestChange) -> Changed {
    Changed { site: visit.site_id, visit_kind: Some(visit.kind), what }
}

/// What a visit's story comes to.
#[derive(Debug, PartialEq)]
enum Told {
    /// Nothing that the office needs to read.
    Nothing,
    /// It had no day and has one.
    NewlyPlaced,
    /// It was carried out.
    Done,
    /// Something else.
    Change(DigestChange),
}

/// Compares where a visit stood before its first event with where its last one left it. Hours are
/// those of the visit as it is now: events keep days alone.
fn told(
    first: &VisitEventRecord,
    last: &VisitEventRecord,
    visit: &VisitRecord,
    technician_first_name: String,
) -> Told {
    let before = first.from_state;
    let was_placed = before.is_some_and(VisitState::holds_a_place);
    let slot = last.day_after.map(|day| DigestSlot {
        day,
        hours: visit.starts.zip(visit.ends).filter(|_| visit.day == Some(day)),
    });
    let what = match (last.to_state, first.day_before, slot) {
        (VisitState::Done, ..) => return Told::Done,
        (VisitState::Missed, _, Some(slot)) => DigestChange::Missed { day: slot.day },
        (VisitState::Dropped, ..) => DigestChange::Dropped,
        (VisitState::Agreed, _, Some(slot)) if before != Some(VisitState::Agreed) => {
            DigestChange::Agreed { slot }
        }
        _ if before.is_none() && visit.kind == VisitKind::NoCoolCall => DigestChange::CalledIn,
        (VisitState::Owed, Some(day), _) if was_placed => DigestChange::LostItsPlace { day },
        (_, Some(from), Some(to)) if was_placed && from != to.day => {
            DigestChange::Moved { from, to }
        }
        (_, Some(_), Some(slot))
            if was_placed && first.technician_before_id != last.technician_after_id =>
        {
            DigestChange::OtherTechnician { slot, technician_first_name }
        }
        (_, _, Some(_)) if !was_placed => return Told::NewlyPlaced,
        _ => return Told::Nothing,
    };
    Told::Change(what)
}

/// How many parts were replaced at a visit; one that two phones told of counts once.
fn replaced(conn: &mut AnyConnection, branch: BranchId, visit: VisitId) -> Result<u32, AppError> {
    let filter = VisitResultFilter { visit: Some(visit) };
    let mut parts: BTreeSet<ComponentId> = BTreeSet::new();
    for row in visits::list_results(conn, branch, &filter, Page::everything())? {
        let result: VisitResult = serde_json::from_value(row.row.payload)
            .map_err(|error| AppError::internal("stored result of a visit", error))?;
        parts.extend(result.replacements.iter().map(|replacement| replacement.component));
    }
    Ok(u32::try_from(parts.len()).unwrap_or(u32::MAX))
}

/// Answers that are not about a visit and ask for no call.
fn answered(
    conn: &mut AnyConnection,
    branch: BranchId,
    from: DateTime<Utc>,
    until: DateTime<Utc>,
) -> Result<Vec<Changed>, AppError> {
    let filter = AnswerFilter { from: Some(from), ..AnswerFilter::default() };
    let mut rows = Vec::new();
    for answer in answers::list(conn, branch, &filter, Page::everything())? {
        let Some(contact) = answer.contact_id.filter(|_| answer.at < until) else { continue };
        let what = match (answer.what, renewals::answered_agreement(&answer)) {
            (AnswerKind::StopMail, _) => DigestChange::StoppedMail,
            (AnswerKind::Confirmed, Some(agreement)) => {
                let Some(last_day) = agreements::find(conn, branch, agreement)?.last_day else {
                    continue;
                };
                DigestChange::WantsToGoOn { last_day }
            }
            _ => continue,
        };
        let site = contacts::find(conn, branch, contact)?.site_id;
        rows.push(Changed { site, visit_kind: None, what });
    }
    Ok(rows)
}

#[cfg(test)]
mod tests {
    use chrono::NaiveDate;
    use hotspell_domain::{DateRange, TechnicianId};
    use hotspell_store::visits::{NewVisitEvent, VisitFields};

    use super::*;

    fn day(text: &str) -> NaiveDate {
        text.parse().unwrap()
    }

    fn at() -> DateTime<Utc> {
        "2026-05-01T12:00:00Z".parse().unwrap()
    }

    type Place = Option<(&'static str, i64)>;

    fn event(
        from: Option<VisitState>,
        before: Place,
        to: VisitState,
        after: Place,
    ) -> VisitEventRecord {
        let technician = |place: Place| place.map(|(_, who)| TechnicianId(who));
        let on = |place: Place| place.map(|(text, _)| day(text));
        VisitEventRecord {
            id: 1,
            branch_id: BranchId(1),
            row: NewVisitEvent {
                visit_id: VisitId(1),
                at: at(),
                who: "office".to_owned(),
                from_state: from,
                to_state: to,
                day_before: on(before),
                day_after: on(after),
                technician_before_id: technician(before),
                technician_after_id: technician(after),
                why: None,
            },
        }
    }

    fn visit(kind: VisitKind) -> VisitRecord {
        let within = DateRange { first: day("2026-05-01"), last: day("2026-05-31") };
        VisitRecord {
            id: VisitId(1),
            branch_id: BranchId(1),
            fields: VisitFields::owed(SiteId(1), kind, within, 2700),
            version: 1,
            created_at: at(),
            updated_at: at(),
        }
    }

    fn story(first: &VisitEventRecord, last: &VisitEventRecord) -> Told {
        told(first, last, &visit(VisitKind::TuneUp), "Teo".to_owned())
    }

    #[test]
    fn a_visit_that_was_moved_twice_is_told_once_from_its_first_day_to_its_last() {
        use VisitState::{Announced, Placed};
        let first =
            event(Some(Announced), Some(("2026-05-04", 1)), Placed, Some(("2026-05-06", 1)));
        let last = event(Some(Placed), Some(("2026-05-06", 1)), Placed, Some(("2026-05-08", 1)));
        let to = DigestSlot { day: day("2026-05-08"), hours: None };
        let moved = DigestChange::Moved { from: day("2026-05-04"), to };
        assert_eq!(story(&first, &last), Told::Change(moved));
        // And back again: nothing that anybody needs to know.
        let back = event(Some(Placed), Some(("2026-05-06", 1)), Announced, Some(("2026-05-04", 1)));
        assert_eq!(story(&first, &back), Told::Nothing);
    }

    #[test]
    fn a_first_day_is_counted_and_a_yes_another_person_and_a_lost_place_are_told() {
        use VisitState::{Agreed, Announced, Owed, Placed};
        let place = Some(("2026-05-04", 1));
        let slot = DigestSlot { day: day("2026-05-04"), hours: None };
        let placed = event(Some(Owed), None, Placed, place);
        assert_eq!(story(&placed, &placed), Told::NewlyPlaced);
        let yes = event(Some(Announced), place, Agreed, place);
        assert_eq!(story(&yes, &yes), Told::Change(DigestChange::Agreed { slot }));
        assert_eq!(story(&placed, &yes), Told::Change(DigestChange::Agreed { slot }));
        let other = event(Some(Agreed), place, Agreed, Some(("2026-05-04", 2)));
        let instead =
            DigestChange::OtherTechnician { slot, technician_first_name: "Teo".to_owned() };
        assert_eq!(story(&other, &other), Told::Change(instead));
        let lost = event(Some(Agreed), place, Owed, None);
        let told_lost = DigestChange::LostItsPlace { day: slot.day };
        assert_eq!(story(&lost, &lost), Told::Change(told_lost));
        let called = event(None, None, Owed, None);
        let call = told(&called, &called, &visit(VisitKind::NoCoolCall), String::new());
        assert_eq!(call, Told::Change(DigestChange::CalledIn));
        assert_eq!(story(&called, &called), Told::Nothing);
    }
}
