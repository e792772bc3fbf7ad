//! Notices that are due: households about their visits, technicians about tomorrow, the office
//! about what needs a person.

use std::collections::BTreeMap;

use chrono::Days;
use hotspell_domain::local_time::{instant, local_day};
use hotspell_domain::{BranchId, DateRange, NoticeKind, SiteId, TechnicianId, VisitState};
use hotspell_notices::compose::{self, UpcomingVisit, VisitReason};
use hotspell_store::branches::BranchRecord;
use hotspell_store::contacts::{self, ContactFilter, ContactRecord};
use hotspell_store::sites::{self, SiteRecord};
use hotspell_store::technicians::{self, TechnicianFilter};
use hotspell_store::visits::{
    self, Cause, VisitChange, VisitEventFilter, VisitFilter, VisitRecord,
};
use hotspell_store::{AnyConnection, Page, branches};
use serde::{Deserialize, Serialize};

use super::call_list::{self, CallReason, OpenCall};
use super::digest::{self, People};
use super::letters::{self, HouseholdLetter, Told};
use super::{AppError, renewals};
use crate::state::AppState;

/// Days before a visit that the first reminder goes out.
pub(super) const REMINDER_DAYS: u64 = 14;
/// Days before a visit that a household without an answer is reminded again.
pub const SECOND_REMINDER_DAYS: u64 = 5;

/// How many notices were written.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Written {
    /// First reminders.
    pub reminders: usize,
    /// Second reminders.
    pub second_reminders: usize,
    /// The day before.
    pub day_before: usize,
    /// Agreements that end soon.
    pub renewals: usize,
    /// Digests to the office.
    pub digests: usize,
    /// Households that mail does not reach.
    pub by_phone: usize,
}

/// Writes every household notice that is due today and the office's digest. Safe to run again:
/// one event and person make one message.
///
/// # Errors
/// Those of the store and of composing.
pub fn write_due(state: &AppState, branch: BranchId) -> Result<Written, AppError> {
    let now = state.now();
    let record = state.store.read(|conn| branches::find(conn, branch))?;
    let today = local_day(now, record.time_zone);
    let outlook = digest::look_ahead(state, &record, today)?;
    state.store.write(|conn| {
        let people = people(conn, branch)?;
        let ahead = |days: u64| today.checked_add_days(Days::new(days)).unwrap_or(today);
        let filter = VisitFilter {
            states: Some(VisitState::HOLDING_A_PLACE.to_vec()),
            days: DateRange::new(ahead(1), ahead(REMINDER_DAYS)),
            ..VisitFilter::default()
        };
        let mut written = Written::default();
        for visit in visits::list(conn, branch, &filter, Page::everything())? {
            let (Some((site, contact)), Some(day)) = (people.get(&visit.site_id), visit.day) else {
                continue;
            };
            let Some(contact) = contact.as_ref().filter(|contact| contact.may_be_mailed()) else {
                continue;
            };
            // Who was told of a slot, or answered, today is not reminded of it today.
            let fresh = local_day(visit.updated_at, record.time_zone) == today;
            let kind = match visit.state {
                VisitState::Placed => NoticeKind::Reminder,
                _ if fresh => continue,
                _ if day == ahead(1) => NoticeKind::DayBefore,
                VisitState::Announced if day <= ahead(SECOND_REMINDER_DAYS) => {
                    NoticeKind::SecondReminder
                }
                _ => continue,
            };
            if write_one(conn, state, &record, site, contact, &visit, kind)? {
                match kind {
                    NoticeKind::Reminder => written.reminders += 1,
                    NoticeKind::SecondReminder => written.second_reminders += 1,
                    _ => written.day_before += 1,
                }
            }
        }
        written.renewals = renewals::write_due(conn, state, &record, today)?;
        let calls = call_list::list(conn, &record, state.config.mail.renewal_days, now)?;
        let unreached =
            |call: &&OpenCall| call.reason == CallReason::NoMail && call.visit().is_some();
        written.by_phone = calls.iter().filter(unreached).count();
        written.digests = digest::write(conn, state, &record, &people, outlook, &calls)?;
        Ok(written)
    })
}

fn people(conn: &mut AnyConnection, branch: BranchId) -> Result<People, AppError> {
    let mut first: BTreeMap<SiteId, ContactRecord> = BTreeMap::new();
    for contact in contacts::list(conn, branch, &ContactFilter::default(), Page::everything())? {
        match first.get(&contact.site_id) {
            Some(kept) if kept.may_be_mailed() || !contact.may_be_mailed() => {}
            _ => {
                first.insert(contact.site_id, contact);
            }
        }
    }
    let all = sites::list(conn, branch, &sites::SiteFilter::default(), Page::everything())?;
    Ok(all
        .into_iter()
        .map(|site| {
            (site.id, {
                let contact = first.remove(&site.id);
                (site, contact)
            })
        })
        .collect())
}

/// Composes one household notice; announces the visit with the first one.
fn write_one(
    conn: &mut AnyConnection,
    state: &AppState,
    branch: &BranchRecord,
    site: &SiteRecord,
    contact: &ContactRecord,
    visit: &VisitRecord,
    kind: NoticeKind,
) -> Result<bool, AppError> {
    let Some(told) = Told::of(visit) else { return Ok(false) };
    let now = state.now();
    let event_key = event_key(conn, branch.id, visit, &told, kind)?;
    let technician = technicians::find(conn, branch.id, told.technician)?;
    let sequence = letters::next_sequence(conn, branch.id, visit)?;
    let values = UpcomingVisit {
        branch: letters::writer_of(conn, state, branch, kind, site.language)?,
        household: letters::household_of(site, contact),
        visit_kind: visit.kind,
        window: told.window(),
        technician_first_name: Some(letters::first_name(&technician.name)),
        why: VisitReason::BeforeTheHeat,
        answer_url: letters::answer_url(conn, state, visit.id, contact, told.day)?,
        stop_url: letters::stop_url(state, contact.id, now),
        calendar: Some(letters::calendar_of(branch, visit.id, sequence)),
        composed_at: now,
    };
    let content = match kind {
        NoticeKind::SecondReminder => compose::second_reminder(&values),
        NoticeKind::DayBefore => compose::day_before(&values),
        _ => compose::reminder(&values),
    }
    .map_err(|error| AppError::internal("household notice", error))?;
    let letter = HouseholdLetter {
        branch,
        site,
        contact,
        kind,
        event_key,
        visit: Some(visit.id),
        content,
        stop_url: values.stop_url,
        told: Some(told),
        sequence: Some(sequence),
        useful_until: Some(instant(told.day, told.from, branch.time_zone)),
    };
    let new = letters::to_household(conn, state, letter)?;
    if new && visit.state == VisitState::Placed {
        let to = VisitChange {
            state: VisitState::Announced,
            place: visit.day.zip(visit.technician_id),
            slot: visit.starts.zip(visit.ends),
        };
        let cause = Cause { who: "hotspell", why: Some("first reminder written") };
        visits::change(conn, branch.id, visit.id, visit.version, to, cause, now)?;
    }
    Ok(new)
}

/// What makes a notice about a coming visit one message: the slot, and how often the visit was placed,
/// so that a slot that was taken back and given again is told again.
fn event_key(
    conn: &mut AnyConnection,
    branch: BranchId,
    visit: &VisitRecord,
    told: &Told,
    kind: NoticeKind,
) -> Result<String, AppError> {
    let filter = VisitEventFilter { visit: Some(visit.id), ..VisitEventFilter::default() };
    let events = visits::list_events(conn, branch, &filter, Page::everything())?;
    let placings = events.iter().filter(|event| event.to_state == VisitState::Placed).count();
    Ok(format!("{kind}/visit-{}/{}/{}/{placings}", visit.id, told.day, told.technician))
}

/// Names of all technicians, for pages and mails.
///
/// # Errors
/// Those of the store.
pub fn technician_names(
    conn: &mut AnyConnection,
    branch: BranchId,
) -> Result<BTreeMap<TechnicianId, String>, AppError> {
    let all = technicians::list(conn, branch, &TechnicianFilter::default(), Page::everything())?;
    Ok(all.into_iter().map(|person| (person.id, person.name.clone())).collect())
}
