//! A household that was told of its visit hears of each change of it, once; nobody else does.
//!
//! What was told stands beside the messages that went out (`letters::Told`), not beside the visit: a
//! message that was taken back before it left was never told.

use chrono::{DateTime, Days, Utc};
use hotspell_domain::local_time::{instant, local_day};
use hotspell_domain::{BranchId, NoticeKind, VisitId, VisitState};
use hotspell_notices::compose::{
    self, ChangeCause, SlotChange, SlotChanged, TechnicianDelayed, Window,
};
use hotspell_store::branches::BranchRecord;
use hotspell_store::contacts::ContactRecord;
use hotspell_store::notices::{self, NoticeFilter, NoticeRecord};
use hotspell_store::sites::{self, SiteRecord};
use hotspell_store::visits::{self, Cause, VisitChange, VisitRecord};
use hotspell_store::words::NoticeState;
use hotspell_store::{AnyConnection, Page, technicians};

use super::AppError;
use super::letters::{self, Envelope, HouseholdLetter, Told};
use crate::state::AppState;

/// Who puts a visit back to «announced» when its household was written to.
const WHO: &str = "hotspell";
/// Days that the link to a visit without a day counts.
const LINK_DAYS: u64 = 14;

/// How a household heard of a change.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Telling {
    /// It never knew of what changed, or what it knows still holds.
    NotNeeded,
    /// A message is on its way.
    Written,
    /// No mail may or can reach it in time: somebody must call.
    ByPhone,
}

/// What becomes of the slot, as the household is told.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Why {
    /// It moved or is gone.
    Changed(ChangeCause),
    /// The technician is late today.
    Late,
}

/// The slot that a household was told last; nothing when it knows of none.
///
/// # Errors
/// Those of the store; [`AppError::Internal`] for a stored envelope that is none.
pub fn last_told(
    conn: &mut AnyConnection,
    branch: BranchId,
    visit: &VisitRecord,
) -> Result<Option<Told>, AppError> {
    if !matches!(visit.state, VisitState::Announced | VisitState::Agreed) {
        return Ok(None);
    }
    let about = about(conn, branch, visit.id)?;
    let newest = newest_slot(&about)?;
    // Told by telephone, or it said yes: then it knows the visit as it stands.
    let spoken = about.is_empty() || visit.state == VisitState::Agreed;
    Ok(newest.or_else(|| Told::of(visit).filter(|_| spoken)))
}

/// How many messages that tell a visit's slot left for its household.
///
/// # Errors
/// As [`last_told`].
pub fn times_told(
    conn: &mut AnyConnection,
    branch: BranchId,
    visit: VisitId,
    slot: &Told,
) -> Result<usize, AppError> {
    let mut count = 0;
    for notice in about(conn, branch, visit)? {
        let tells = went_out(&notice)
            && told_by(&notice)?.is_some_and(|told| told.window() == slot.window());
        count += usize::from(tells);
    }
    Ok(count)
}

fn about(
    conn: &mut AnyConnection,
    branch: BranchId,
    visit: VisitId,
) -> Result<Vec<NoticeRecord>, AppError> {
    let filter = NoticeFilter { visit: Some(visit), ..NoticeFilter::default() };
    Ok(notices::list(conn, branch, &filter, Page::everything())?)
}

/// The slot that the newest message told that has left and tells one.
fn newest_slot(about: &[NoticeRecord]) -> Result<Option<Told>, AppError> {
    let mut newest = None;
    for notice in about.iter().filter(|notice| went_out(notice)) {
        newest = told_by(notice)?.or(newest);
    }
    Ok(newest)
}

/// Whether a message has left, as far as anybody knows.
fn went_out(notice: &NoticeRecord) -> bool {
    matches!(notice.state, NoticeState::Claimed | NoticeState::Delivered | NoticeState::Unknown)
}

/// The slot that a message tells.
fn told_by(notice: &NoticeRecord) -> Result<Option<Told>, AppError> {
    let envelope: Envelope = serde_json::from_value(notice.headers.clone())
        .map_err(|error| AppError::internal("stored envelope of a notice", error))?;
    Ok(envelope.told)
}

/// After `before` became `after`: takes back what has not gone out, writes to the household if it was
/// told something that no longer holds, and puts the visit where the life cycle has it: a moved visit
/// is announced anew, a visit with another technician at the same time stays agreed. Call it in the
/// transaction of the change.
///
/// # Errors
/// Those of the store and of composing.
pub fn of_change(
    conn: &mut AnyConnection,
    state: &AppState,
    branch: &BranchRecord,
    before: &VisitRecord,
    after: VisitRecord,
    why: Why,
) -> Result<(VisitRecord, Telling), AppError> {
    if matches!(after.state, VisitState::Done | VisitState::Missed) {
        return Ok((after, Telling::NotNeeded));
    }
    let told = last_told(conn, branch.id, before)?;
    let now_holds = Told::of(&after).filter(|_| after.state.holds_a_place());
    if now_holds.is_some() && Told::of(before) == now_holds {
        return Ok((after, Telling::NotNeeded));
    }
    notices::cancel_waiting(conn, branch.id, after.id, state.now())?;
    let Some(told) = told else { return Ok((after, Telling::NotNeeded)) };
    if now_holds == Some(told) {
        // Back where it was before anybody heard of the change.
        let after = put_back(conn, state, branch, before, after, false)?;
        return Ok((after, Telling::NotNeeded));
    }
    let written = write(conn, state, branch, &told, &after, why)?;
    let moved = why != Why::Late && now_holds.is_none_or(|slot| slot.window() != told.window());
    if moved && !written {
        // Placed: nobody has told the household of the new day yet.
        return Ok((after, Telling::ByPhone));
    }
    let after = put_back(conn, state, branch, before, after, moved)?;
    Ok((after, if written { Telling::Written } else { Telling::ByPhone }))
}

/// After a household chose a slot for a visit that had lost its own: [`of_change`] says nothing of it,
/// since no slot held any more, but the household shall have the new one in writing and in its calendar.
///
/// # Errors
/// Those of the store and of composing.
pub fn of_choice(
    conn: &mut AnyConnection,
    state: &AppState,
    branch: &BranchRecord,
    before: &VisitRecord,
    after: &VisitRecord,
) -> Result<(), AppError> {
    if last_told(conn, branch.id, before)?.is_some() {
        return Ok(());
    }
    if let Some(lost) = newest_slot(&about(conn, branch.id, before.id)?)? {
        let why = Why::Changed(ChangeCause::HouseholdAsked);
        write(conn, state, branch, &lost, after, why)?;
    }
    Ok(())
}

/// A visit that was placed anew and whose household knows: announced, or agreed as before when
/// the household's word still holds.
fn put_back(
    conn: &mut AnyConnection,
    state: &AppState,
    branch: &BranchRecord,
    before: &VisitRecord,
    after: VisitRecord,
    moved: bool,
) -> Result<VisitRecord, AppError> {
    if after.state != VisitState::Placed {
        return Ok(after);
    }
    let to = VisitChange {
        state: if moved { VisitState::Announced } else { before.state },
        place: after.day.zip(after.technician_id),
        slot: after.starts.zip(after.ends),
    };
    let why = if moved { "the household is written to about the change" } else { "its word holds" };
    let cause = Cause { who: WHO, why: Some(why) };
    Ok(visits::change(conn, branch.id, after.id, after.version, to, cause, state.now())?)
}

/// Composes and keeps the message; `false` when somebody must call instead.
fn write(
    conn: &mut AnyConnection,
    state: &AppState,
    branch: &BranchRecord,
    told: &Told,
    after: &VisitRecord,
    why: Why,
) -> Result<bool, AppError> {
    let site = sites::find(conn, branch.id, after.site_id)?;
    let contact = letters::addressee(conn, branch.id, site.id)?;
    let Some(contact) = contact.filter(|contact| contact.may_be_mailed()) else {
        return Ok(false);
    };
    let slot = Told::of(after).filter(|_| after.state.holds_a_place());
    if slot.is_none() && after.state.holds_a_place() {
        // A day without a time is nothing that a household can be told.
        return Ok(false);
    }
    let today = local_day(state.now(), branch.time_zone);
    let later = today.checked_add_days(Days::new(LINK_DAYS)).unwrap_or(today);
    let until = slot.map_or(later, |slot| slot.day);
    let answer_url = letters::answer_url(conn, state, after.id, &contact, until)?;
    let kind = match (why, slot) {
        (Why::Late, Some(_)) => NoticeKind::TechnicianDelayed,
        _ => NoticeKind::SlotChanged,
    };
    let writer = letters::writer_of(conn, state, branch, kind, site.language)?;
    let (site, contact) = (&site, &contact);
    let message = Message { state, branch, writer, site, contact, told, after, slot, answer_url };
    let sequence = letters::next_sequence(conn, branch.id, after)?;
    let who = match slot {
        Some(slot) => Some(technicians::find(conn, branch.id, slot.technician)?.name.clone()),
        None => None,
    };
    let who = who.as_deref().and_then(|name| name.split_whitespace().next()).map(str::to_owned);
    let content = match (why, slot) {
        (Why::Late, Some(slot)) => message.late(&slot, who, sequence)?,
        (why, slot) => message.changed(why, slot, who, sequence)?,
    };
    let letter = HouseholdLetter {
        branch,
        site,
        contact,
        kind,
        event_key: format!("{kind}/visit-{}/{}", after.id, after.version),
        visit: Some(after.id),
        content,
        stop_url: letters::stop_url(state, contact.id, state.now()),
        told: slot,
        sequence: Some(sequence),
        useful_until: message.useful_until(),
    };
    letters::to_household(conn, state, letter)
}

/// What the two messages about a change are made of.
struct Message<'a> {
    state: &'a AppState,
    branch: &'a BranchRecord,
    writer: compose::Branch,
    site: &'a SiteRecord,
    contact: &'a ContactRecord,
    told: &'a Told,
    after: &'a VisitRecord,
    slot: Option<Told>,
    answer_url: String,
}

impl Message<'_> {
    /// A change must be known before the first of the two slots begins that is still to come.
    fn useful_until(&self) -> Option<DateTime<Utc>> {
        let begins = |window: Window| instant(window.day, window.from, self.branch.time_zone);
        [Some(begins(self.told.window())), self.slot.map(|slot| begins(slot.window()))]
            .into_iter()
            .flatten()
            .filter(|begins| *begins > self.state.now())
            .min()
    }

    fn changed(
        &self,
        why: Why,
        slot: Option<Told>,
        who: Option<String>,
        sequence: u32,
    ) -> Result<compose::ComposedNotice, AppError> {
        let cause = match why {
            Why::Changed(cause) => cause,
            Why::Late => ChangeCause::TechnicianAway,
        };
        let values = SlotChanged {
            branch: self.writer.clone(),
            household: letters::household_of(self.site, self.contact),
            visit_kind: self.after.kind,
            previous: self.told.window(),
            change: slot.map_or(SlotChange::Cancelled, |slot| SlotChange::Moved {
                to: slot.window(),
                technician_first_name: who,
            }),
            cause,
            answer_url: self.answer_url.clone(),
            stop_url: letters::stop_url(self.state, self.contact.id, self.state.now()),
            calendar: Some(letters::calendar_of(self.branch, self.after.id, sequence)),
            composed_at: self.state.now(),
        };
        compose::slot_changed(&values)
            .map_err(|error| AppError::internal("notice of a changed slot", error))
    }

    fn late(
        &self,
        slot: &Told,
        who: Option<String>,
        sequence: u32,
    ) -> Result<compose::ComposedNotice, AppError> {
        let values = TechnicianDelayed {
            branch: self.writer.clone(),
            household: letters::household_of(self.site, self.contact),
            visit_kind: self.after.kind,
            window: self.told.window(),
            expected_from: slot.from,
            expected_to: slot.to,
            technician_first_name: who,
            answer_url: self.answer_url.clone(),
            stop_url: letters::stop_url(self.state, self.contact.id, self.state.now()),
            calendar: Some(letters::calendar_of(self.branch, self.after.id, sequence)),
            composed_at: self.state.now(),
        };
        compose::technician_delayed(&values)
            .map_err(|error| AppError::internal("notice of a late technician", error))
    }
}
