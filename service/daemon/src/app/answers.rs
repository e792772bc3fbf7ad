//! What households answer through the links in their mail.

use chrono::{DateTime, NaiveDate, Utc};
use hotspell_domain::{BranchId, ContactId, VisitId, VisitState};
use hotspell_notices::links::{LinkClaims, LinkError, LinkPurpose};
use hotspell_store::answers::{self, NewAnswer};
use hotspell_store::audit::{self, NewAudit};
use hotspell_store::contacts::{self, ContactFields, ContactRecord};
use hotspell_store::sites::SiteRecord;
use hotspell_store::visits::{self, Cause, VisitChange, VisitRecord};
use hotspell_store::words::{AnswerKind, Resource};
use hotspell_store::{AnyConnection, Page, branches, link_generations, sites, technicians};
use serde_json::{Value, json};

use super::AppError;
use super::record::digest;
use crate::state::AppState;

/// What the answer page shows.
#[derive(Debug, Clone)]
pub struct AnswerView {
    /// The branch.
    pub branch: branches::BranchRecord,
    /// The home.
    pub site: SiteRecord,
    /// The person.
    pub contact: ContactRecord,
    /// The visit.
    pub visit: VisitRecord,
    /// First name of who comes.
    pub technician_first_name: Option<String>,
}

/// The claims of a token that opens an answer page.
///
/// # Errors
/// [`AppError::Forbidden`] with a sentence for the household.
pub fn claims(state: &AppState, token: &str, purpose: LinkPurpose) -> Result<LinkClaims, AppError> {
    state.links.verify(token, purpose, state.now()).map_err(|error| {
        AppError::Forbidden(match error {
            LinkError::Expired(_) => "This link is no longer good. Please call us.".to_owned(),
            LinkError::Tampered | LinkError::WrongPurpose(_) => {
                "This link is incomplete. Please open it again from the mail.".to_owned()
            }
        })
    })
}

/// Loads the page behind an answer link. Reading changes nothing.
///
/// # Errors
/// [`AppError::Forbidden`] for a link that does not count, [`AppError::NotFound`] when the visit
/// is gone.
pub fn view(state: &AppState, token: &str) -> Result<AnswerView, AppError> {
    let claims = claims(state, token, LinkPurpose::AnswerVisit)?;
    let visit = claims.visit.ok_or_else(|| AppError::not_found("visit", "in this link"))?;
    state.store.read(|conn| load(conn, visit, &claims))
}

fn load(
    conn: &mut AnyConnection,
    visit: VisitId,
    claims: &LinkClaims,
) -> Result<AnswerView, AppError> {
    let (branch, visit) = find_visit(conn, visit)?;
    let contact = contacts::find(conn, branch.id, claims.contact)?;
    still_counts(conn, branch.id, claims)?;
    if contact.site_id != visit.site_id {
        return Err(AppError::not_found("visit", visit.id));
    }
    let site = sites::find(conn, branch.id, visit.site_id)?;
    let technician_first_name = match visit.technician_id {
        None => None,
        Some(id) => technicians::find(conn, branch.id, id)?
            .name
            .split_whitespace()
            .next()
            .map(str::to_owned),
    };
    Ok(AnswerView { branch, site, contact, visit, technician_first_name })
}

/// Refuses a link that was taken back.
///
/// # Errors
/// [`AppError::Forbidden`] with a sentence for the household.
pub(super) fn still_counts(
    conn: &mut AnyConnection,
    branch: BranchId,
    claims: &LinkClaims,
) -> Result<(), AppError> {
    if claims.generation < link_generations::current(conn, branch, claims.contact)? {
        return Err(AppError::Forbidden(
            "This link is no longer good. Please use our newest mail, or call us.".to_owned(),
        ));
    }
    Ok(())
}

/// A visit by its number alone: a link does not name its branch.
fn find_visit(
    conn: &mut AnyConnection,
    id: VisitId,
) -> Result<(branches::BranchRecord, VisitRecord), AppError> {
    for branch in branches::list(conn, None, Page::everything())? {
        match visits::find(conn, branch.id, id) {
            Ok(visit) => return Ok((branch, visit)),
            Err(hotspell_store::StoreError::NotFound(_)) => {}
            Err(error) => return Err(error.into()),
        }
    }
    Err(AppError::not_found("visit", id))
}

/// What a household says.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Answer {
    /// The day is right.
    Confirm,
    /// Another day would be better; free words for the office.
    AnotherTime {
        /// What the household wrote.
        words: String,
    },
    /// Please call.
    CallMe,
}

/// Takes an answer. The same answer twice is one; a visit that has moved since the mail is not
/// confirmed for its old day.
///
/// # Errors
/// [`AppError::Forbidden`] for a link that does not count, [`AppError::Conflict`] when the visit
/// is no longer open.
pub fn answer(state: &AppState, token: &str, answer: &Answer) -> Result<AnswerView, AppError> {
    let claims = claims(state, token, LinkPurpose::AnswerVisit)?;
    let visit = claims.visit.ok_or_else(|| AppError::not_found("visit", "in this link"))?;
    let now = state.now();
    state.store.write(|conn| {
        let mut view = load(conn, visit, &claims)?;
        let waits = view.visit.state == VisitState::Owed && *answer != Answer::Confirm;
        if !(view.visit.state.holds_a_place() || waits) {
            return Err(AppError::Conflict(format!(
                "this visit is {}; please call us",
                view.visit.state
            )));
        }
        let (what, detail) = match answer {
            Answer::Confirm => (AnswerKind::Confirmed, None),
            Answer::AnotherTime { words } => {
                (AnswerKind::AnotherSlot, Some(json!({ "words": words })))
            }
            Answer::CallMe => (AnswerKind::CallMe, None),
        };
        if *answer == Answer::Confirm && view.visit.state == VisitState::Agreed {
            return Ok(view);
        }
        let said = Said { token, by: view.contact.id, visit: Some(view.visit.id), what, detail };
        keep(conn, view.branch.id, said, now)?;
        if *answer == Answer::Confirm {
            let to = VisitChange {
                state: VisitState::Agreed,
                place: view.visit.day.zip(view.visit.technician_id),
                slot: view.visit.starts.zip(view.visit.ends),
            };
            let cause = Cause { who: "household", why: Some("confirmed by the link in the mail") };
            view.visit = visits::change(
                conn,
                view.branch.id,
                view.visit.id,
                view.visit.version,
                to,
                cause,
                now,
            )?;
        }
        Ok(view)
    })
}

/// What a person says by a link.
pub(super) struct Said<'a> {
    /// The link's token.
    pub(super) token: &'a str,
    /// Who.
    pub(super) by: ContactId,
    /// About which visit.
    pub(super) visit: Option<VisitId>,
    /// The answer.
    pub(super) what: AnswerKind,
    /// The chosen slot, or words.
    pub(super) detail: Option<Value>,
}

/// Keeps what a person says by a link, and in the audit that it was said.
///
/// # Errors
/// Those of the store.
pub(super) fn keep(
    conn: &mut AnyConnection,
    branch: BranchId,
    said: Said<'_>,
    now: DateTime<Utc>,
) -> Result<(), AppError> {
    let Said { token, by, visit, what, detail } = said;
    let entry = NewAudit {
        at: now,
        account_id: None,
        action: "answer by a link".to_owned(),
        subject_kind: Resource::Contact.as_str().to_owned(),
        subject_id: Some(by.0),
        before_json: None,
        after_json: Some(json!({ "what": what, "visit_id": visit, "detail": detail })),
    };
    audit::insert(conn, branch, entry)?;
    let answer = NewAnswer {
        visit_id: visit,
        contact_id: Some(by),
        token_digest: Some(digest(token.as_bytes())),
        what,
        detail,
        at: now,
    };
    answers::insert(conn, branch, answer)?;
    Ok(())
}

/// Stops the mail of a contact. Doing it again changes nothing.
///
/// # Errors
/// [`AppError::Forbidden`] for a link that does not count.
pub fn stop_mail(state: &AppState, token: &str) -> Result<(), AppError> {
    let claims = claims(state, token, LinkPurpose::StopMail)?;
    let now = state.now();
    state.store.write(|conn| {
        let (branch, record) = find_contact(conn, claims.contact)?;
        if record.stopped_at.is_some() {
            return Ok(());
        }
        let fields = ContactFields { stopped_at: Some(now), ..record.fields.clone() };
        contacts::update(conn, branch, record.id, record.version, &fields, now)?;
        let what = AnswerKind::StopMail;
        let said = Said { token, by: record.id, visit: None, what, detail: None };
        keep(conn, branch, said, now)
    })
}

pub(super) fn find_contact(
    conn: &mut AnyConnection,
    id: ContactId,
) -> Result<(BranchId, ContactRecord), AppError> {
    for branch in branches::list(conn, None, Page::everything())? {
        match contacts::find(conn, branch.id, id) {
            Ok(contact) => return Ok((branch.id, contact)),
            Err(hotspell_store::StoreError::NotFound(_)) => {}
            Err(error) => return Err(error.into()),
        }
    }
    Err(AppError::not_found("contact", id))
}

/// Whether the day of the mail is still the visit's day.
#[must_use]
pub fn still_on(view: &AnswerView, day: NaiveDate) -> bool {
    view.visit.day == Some(day)
}
