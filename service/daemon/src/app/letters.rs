//! What every notice of a branch shares: who writes, who is written to, links.

use chrono::{DateTime, Days, NaiveDate, NaiveTime, Utc};
use hotspell_domain::{BranchId, Language, NoticeKind, SiteId, TechnicianId, VisitId, VisitKind};
use hotspell_notices::compose::{self, CalendarIdentity, ComposedNotice, Household, Window};
use hotspell_notices::links::{LinkClaims, LinkPurpose};
use hotspell_notices::quiet::{QuietHours, earliest};
use hotspell_store::branches::BranchRecord;
use hotspell_store::contacts::{self, ContactFilter, ContactRecord};
use hotspell_store::notices::{self, NewNotice, NoticeFilter};
use hotspell_store::sites::SiteRecord;
use hotspell_store::visits::VisitRecord;
use hotspell_store::words::{Channel, NoticeState};
use hotspell_store::{AnyConnection, Page, link_generations};
use serde::{Deserialize, Serialize};

use super::record::digest;
use super::{AppError, wording};
use crate::state::AppState;

/// Days after its visit that an answer link still counts.
const LINK_DAYS_AFTER: u64 = 1;
/// Days that a stop link counts: it must work 30 days (16 CFR 316.5); a year is kinder.
const STOP_LINK_DAYS: u64 = 365;

/// Values of a notice that its way out needs beside its text; kept with it in the outbox.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Envelope {
    /// Name of the person.
    pub recipient_name: String,
    /// Telephone of the person.
    pub recipient_phone: Option<String>,
    /// Name of the branch.
    pub sender_name: String,
    /// Where answers go.
    pub reply_to: String,
    /// Link that stops the mail, for households.
    pub stop_url: Option<String>,
    /// The notice in one sentence.
    pub short: String,
    /// Where its first button leads.
    pub action_url: Option<String>,
    /// The slot that it tells, if it tells one.
    #[serde(default)]
    pub told: Option<Told>,
}

/// The slot that a household was told; the next change says what it was before.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub struct Told {
    /// The day.
    pub day: NaiveDate,
    /// Earliest arrival.
    pub from: NaiveTime,
    /// Latest arrival.
    pub to: NaiveTime,
    /// Who comes.
    pub technician: TechnicianId,
}

impl Told {
    /// The slot that a visit holds.
    #[must_use]
    pub fn of(visit: &VisitRecord) -> Option<Self> {
        Some(Self {
            day: visit.day?,
            from: visit.starts?,
            to: visit.ends?,
            technician: visit.technician_id?,
        })
    }

    /// Its window.
    #[must_use]
    pub const fn window(&self) -> Window {
        Window { day: self.day, from: self.from, to: self.to }
    }
}

/// The branch as its mail shows it.
#[must_use]
pub fn branch_of(record: &BranchRecord, fallback_reply_to: &str) -> compose::Branch {
    compose::Branch {
        name: record.name.clone(),
        phone: record.phone.clone(),
        postal_address: record.postal_address.clone(),
        reply_to: record.reply_to.clone().unwrap_or_else(|| fallback_reply_to.to_owned()),
        zone: record.time_zone,
        own_lines: compose::OwnLines::default(),
    }
}

/// The branch as it writes one kind of notice to a household: with its own lines.
///
/// # Errors
/// Those of the store.
pub fn writer_of(
    conn: &mut AnyConnection,
    state: &AppState,
    record: &BranchRecord,
    kind: NoticeKind,
    language: Language,
) -> Result<compose::Branch, AppError> {
    let own_lines = wording::of(conn, record.id, kind, language)?.lines;
    Ok(compose::Branch { own_lines, ..branch_of(record, &state.config.mail.from) })
}

/// The first word of a name, by which people are called.
#[must_use]
pub fn first_name(name: &str) -> String {
    name.split_whitespace().next().unwrap_or(name).to_owned()
}

/// The street address on one line.
#[must_use]
pub fn address_of(site: &SiteRecord) -> String {
    let mut lines = vec![site.address_1.as_str()];
    lines.extend(site.address_2.as_deref());
    lines.push(&site.city);
    format!("{}, {} {}", lines.join(", "), site.region, site.postal_code)
}

/// The household as its mail shows it.
#[must_use]
pub fn household_of(site: &SiteRecord, contact: &ContactRecord) -> Household {
    Household {
        name: contact.name.clone(),
        email: contact.email.clone(),
        site_address: address_of(site),
        language: site.language,
    }
}

/// The identity of a visit in the household's calendar.
#[must_use]
pub fn calendar_of(branch: &BranchRecord, visit: VisitId, sequence: u32) -> CalendarIdentity {
    CalendarIdentity { uid: format!("visit-{visit}.{}@hotspell", branch.key), sequence }
}

/// Link to the page on which the household answers about a visit. The office can take it back.
///
/// # Errors
/// Those of the store.
pub fn answer_url(
    conn: &mut AnyConnection,
    state: &AppState,
    visit: VisitId,
    contact: &ContactRecord,
    day: NaiveDate,
) -> Result<String, AppError> {
    let until = day.checked_add_days(Days::new(LINK_DAYS_AFTER)).unwrap_or(day);
    let token = state.links.sign(&LinkClaims {
        purpose: LinkPurpose::AnswerVisit,
        visit: Some(visit),
        contact: contact.id,
        generation: link_generations::current(conn, contact.branch_id, contact.id)?,
        expires_at: until.and_time(NaiveTime::MIN).and_utc() + chrono::TimeDelta::days(1),
    });
    Ok(format!("{}/a/{token}", state.config.server.public_url))
}

/// Link that stops the mail of a contact. It must work for 30 days (16 CFR 316.5), so it cannot be taken
/// back.
#[must_use]
pub fn stop_url(
    state: &AppState,
    contact: hotspell_domain::ContactId,
    now: DateTime<Utc>,
) -> String {
    let token = state.links.sign(&LinkClaims {
        purpose: LinkPurpose::StopMail,
        visit: None,
        contact,
        generation: 0,
        expires_at: now.checked_add_days(Days::new(STOP_LINK_DAYS)).unwrap_or(now),
    });
    format!("{}/stop/{token}", state.config.server.public_url)
}

/// A notice on its way into the outbox.
pub struct Letter<'a> {
    /// What it is about.
    pub kind: NoticeKind,
    /// What happened; with the recipient it makes one message.
    pub event_key: String,
    /// The address.
    pub recipient: String,
    /// The contact, for households.
    pub contact: Option<&'a ContactRecord>,
    /// The technician, for routes.
    pub technician: Option<TechnicianId>,
    /// The visit.
    pub visit: Option<VisitId>,
    /// Its language.
    pub language: Language,
    /// What its way out needs.
    pub envelope: Envelope,
    /// What it says.
    pub content: ComposedNotice,
    /// Revision of the calendar event.
    pub calendar_sequence: Option<i32>,
    /// From then on it says nothing that helps: then it is not written at all.
    pub useful_until: Option<DateTime<Utc>>,
}

/// Somebody of the branch's own who is written to.
pub struct Staff {
    /// The address.
    pub email: String,
    /// The name.
    pub name: String,
    /// The telephone number.
    pub phone: Option<String>,
}

impl Letter<'_> {
    /// A letter to staff: about no visit, and not to be stopped by a link.
    #[must_use]
    pub fn to_staff(
        kind: NoticeKind,
        event_key: String,
        to: Staff,
        sender: &compose::Branch,
        language: Language,
        content: ComposedNotice,
    ) -> Self {
        Self {
            kind,
            event_key,
            recipient: to.email,
            contact: None,
            technician: None,
            visit: None,
            language,
            envelope: Envelope {
                recipient_name: to.name,
                recipient_phone: to.phone,
                sender_name: sender.name.clone(),
                reply_to: sender.reply_to.clone(),
                stop_url: None,
                short: content.short.clone(),
                action_url: content.action_url.clone(),
                told: None,
            },
            content,
            calendar_sequence: None,
            useful_until: None,
        }
    }
}

/// The person of a home who is written to: the first whom mail may and can reach, else the first.
///
/// # Errors
/// Those of the store.
pub fn addressee(
    conn: &mut AnyConnection,
    branch: BranchId,
    site: SiteId,
) -> Result<Option<ContactRecord>, AppError> {
    let filter = ContactFilter { site: Some(site), ..ContactFilter::default() };
    let mut people = contacts::list(conn, branch, &filter, Page::everything())?;
    let chosen = people.iter().position(|person| person.may_be_mailed()).unwrap_or(0);
    Ok((chosen < people.len()).then(|| people.swap_remove(chosen)))
}

/// The next revision of a visit's calendar event: greater than every one that was sent (RFC 5546,
/// section 2.1.4).
///
/// # Errors
/// Those of the store.
pub fn next_sequence(
    conn: &mut AnyConnection,
    branch: BranchId,
    visit: &VisitRecord,
) -> Result<u32, AppError> {
    let sent = notices::last_calendar_sequence(conn, branch, visit.id)?;
    let after = sent.map_or(0, |last| i64::from(last) + 1);
    Ok(u32::try_from(visit.version.max(after)).unwrap_or(u32::MAX))
}

/// A notice to a person of a home.
pub struct HouseholdLetter<'a> {
    /// The office.
    pub branch: &'a BranchRecord,
    /// The home.
    pub site: &'a SiteRecord,
    /// The person; nothing is written to one whom mail may not or cannot reach.
    pub contact: &'a ContactRecord,
    /// What it is about.
    pub kind: NoticeKind,
    /// What happened.
    pub event_key: String,
    /// The visit.
    pub visit: Option<VisitId>,
    /// What it says.
    pub content: ComposedNotice,
    /// Link that stops the mail.
    pub stop_url: String,
    /// The slot that it tells.
    pub told: Option<Told>,
    /// Revision of the calendar event.
    pub sequence: Option<u32>,
    /// From then on it says nothing that helps.
    pub useful_until: Option<DateTime<Utc>>,
}

/// Puts a letter to a household into the outbox; `false` when it must not or need not be sent.
///
/// # Errors
/// Those of the store.
pub fn to_household(
    conn: &mut AnyConnection,
    state: &AppState,
    letter: HouseholdLetter<'_>,
) -> Result<bool, AppError> {
    let HouseholdLetter { branch, site, contact, content, .. } = letter;
    let Some(email) = contact.email.clone().filter(|_| contact.may_be_mailed()) else {
        return Ok(false);
    };
    let envelope = Envelope {
        recipient_name: contact.name.clone(),
        recipient_phone: contact.phone.clone(),
        sender_name: branch.name.clone(),
        reply_to: branch_of(branch, &state.config.mail.from).reply_to,
        stop_url: Some(letter.stop_url),
        short: content.short.clone(),
        action_url: content.action_url.clone(),
        told: letter.told,
    };
    let letter = Letter {
        kind: letter.kind,
        event_key: letter.event_key,
        recipient: email,
        contact: Some(contact),
        technician: None,
        visit: letter.visit,
        language: site.language,
        envelope,
        content,
        calendar_sequence: letter.sequence.and_then(|sequence| i32::try_from(sequence).ok()),
        useful_until: letter.useful_until,
    };
    enqueue(conn, state, branch, letter)
}

/// Puts a letter into the outbox, for the earliest instant that quiet hours and the weekly cap
/// of the household allow. A letter for the same event and person is put in once; one that could only
/// go out when it no longer helps is not put in.
///
/// # Errors
/// Those of the store.
pub fn enqueue(
    conn: &mut AnyConnection,
    state: &AppState,
    branch: &BranchRecord,
    letter: Letter<'_>,
) -> Result<bool, AppError> {
    let now = state.now();
    let not_before = match letter.contact {
        None => now,
        Some(contact) => {
            let filter = NoticeFilter { contact: Some(contact.id), ..NoticeFilter::default() };
            let sent: Vec<DateTime<Utc>> =
                notices::list(conn, branch.id, &filter, Page::everything())?
                    .iter()
                    .filter(|notice| notice.state != NoticeState::Cancelled)
                    .map(|notice| notice.delivered_at.unwrap_or(notice.next_attempt_at))
                    .collect();
            let quiet =
                branch.quiet_from.zip(branch.quiet_until).map(|(from, to)| QuietHours { from, to });
            let cap = state.config.mail.per_household_and_week;
            let Some(at) = earliest(now, branch.time_zone, quiet, &sent, cap) else {
                return Ok(false);
            };
            at
        }
    };
    if letter.useful_until.is_some_and(|end| not_before >= end) {
        return Ok(false);
    }
    let unique = format!("{}/{}/{}", branch.key, letter.event_key, letter.recipient);
    let new = NewNotice {
        event_key: letter.event_key,
        kind: letter.kind,
        channel: Channel::Mail,
        recipient: letter.recipient,
        contact_id: letter.contact.map(|contact| contact.id),
        technician_id: letter.technician,
        visit_id: letter.visit,
        language: letter.language,
        subject: letter.content.subject,
        body_text: letter.content.text,
        body_html: Some(letter.content.html),
        calendar: letter.content.calendar,
        calendar_sequence: letter.calendar_sequence,
        headers: serde_json::to_value(&letter.envelope)
            .map_err(|error| AppError::internal("envelope of a notice", error))?,
        message_id: digest(unique.as_bytes()),
    };
    Ok(notices::enqueue(conn, branch.id, &new, not_before, now)?.is_some())
}

/// What kind of visit, for logs and pages.
#[must_use]
pub const fn visit_words(kind: VisitKind) -> &'static str {
    match kind {
        VisitKind::TuneUp => "tune-up",
        VisitKind::CapacitorCheck => "capacitor check",
        VisitKind::NoCoolCall => "no-cool call",
        VisitKind::ReturnVisit => "return visit",
    }
}

/// The branch's record and number by key, or the only branch there is.
///
/// # Errors
/// [`AppError::NotFound`] when there is none of that key, [`AppError::Invalid`] when none was
/// named and there is not exactly one.
pub fn branch_by_key(
    conn: &mut AnyConnection,
    key: Option<&str>,
) -> Result<(BranchId, BranchRecord), AppError> {
    use hotspell_store::branches;
    let record = match key {
        Some(key) => {
            branches::find_by_key(conn, key)?.ok_or_else(|| AppError::not_found("branch", key))?
        }
        None => {
            let mut all = branches::list(conn, None, Page::first(2))?;
            match (all.pop(), all.pop()) {
                (Some(only), None) => only,
                (None, _) => return Err(AppError::not_found("branch", "yet; create one first")),
                _ => {
                    return Err(AppError::field(
                        "branch",
                        "there are several; name one by its key",
                    ));
                }
            }
        }
    };
    Ok((record.id, record))
}
