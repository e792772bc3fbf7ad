//! Mail that comes back: a delivery report (RFC 3464) says whom a notice did not reach, for good.

use chrono::{DateTime, Utc};
use hotspell_domain::NoticeId;
use hotspell_notices::bounce::{Bounce, RecipientStatus};
use hotspell_notices::message::notice_of;
use hotspell_store::audit::{self, NewAudit};
use hotspell_store::contacts::{self, ContactFields, ContactRecord};
use hotspell_store::notices::{self, NoticeRecord};
use hotspell_store::words::Resource;
use hotspell_store::{AnyConnection, StoreError};
use serde_json::json;

use super::AppError;

/// What a report said of one address, and what came of it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Returned {
    /// From now on the office reaches this person by telephone.
    Unreachable(String),
    /// It was known already.
    KnownUnreachable(String),
    /// The server still tries, or has delivered: nothing changes.
    NotForGood(String),
    /// The person has another address by now, or the mail was to somebody else.
    AddressNotInUse(String),
}

/// Takes a delivery report in: every address of it that mail will not reach marks its person. The same
/// report twice changes nothing more.
///
/// # Errors
/// [`AppError::Conflict`] when the report does not return the Message-ID of one of our notices: an address
/// alone proves nothing. Those of the store.
pub fn take(
    conn: &mut AnyConnection,
    bounce: &Bounce,
    now: DateTime<Utc>,
) -> Result<Vec<Returned>, AppError> {
    let id = bounce.original_message_id.as_deref().and_then(notice_of);
    let notice = id.map(|id| find(conn, id)).transpose()?.flatten().ok_or_else(|| {
        AppError::Conflict(format!(
            "the report is about {}; expected: the Message-ID of a notice in this database",
            bounce.original_message_id.as_deref().map_or_else(
                || "a mail without Message-ID".to_owned(),
                |id| format!("the mail <{id}>")
            )
        ))
    })?;
    bounce.recipients.iter().map(|status| take_one(conn, &notice, status, now)).collect()
}

fn find(conn: &mut AnyConnection, id: NoticeId) -> Result<Option<NoticeRecord>, StoreError> {
    match notices::find_in_any_branch(conn, id) {
        Ok(notice) => Ok(Some(notice)),
        Err(StoreError::NotFound(_)) => Ok(None),
        Err(error) => Err(error),
    }
}

fn take_one(
    conn: &mut AnyConnection,
    notice: &NoticeRecord,
    status: &RecipientStatus,
    now: DateTime<Utc>,
) -> Result<Returned, AppError> {
    let address = status.address.clone();
    if !status.is_permanent() {
        return Ok(Returned::NotForGood(address));
    }
    let (branch, was_to) = (notice.branch_id, notice.recipient.eq_ignore_ascii_case(&address));
    let Some(contact) = notice.contact_id.filter(|_| was_to) else {
        return Ok(Returned::AddressNotInUse(address));
    };
    let record = contacts::find(conn, branch, contact)?;
    if !is_at(&record, &address) {
        return Ok(Returned::AddressNotInUse(address));
    }
    if !record.reachable_by_mail {
        return Ok(Returned::KnownUnreachable(address));
    }
    let said = status.diagnostic.as_ref().map(|text| format!(": {text}")).unwrap_or_default();
    let reason = format!("mail came back, {}{said}", status.status);
    mark_unreachable(conn, &record, notice.id, "mail came back", &reason, now)?;
    Ok(Returned::Unreachable(address))
}

/// Whether this is the person's address; an older one says nothing of the person.
pub(super) fn is_at(person: &ContactRecord, address: &str) -> bool {
    person.email.as_ref().is_some_and(|email| email.eq_ignore_ascii_case(address))
}

/// Keeps that mail does not reach a person, and in the audit which notice showed it.
///
/// # Errors
/// Those of the store.
pub(super) fn mark_unreachable(
    conn: &mut AnyConnection,
    person: &ContactRecord,
    notice: NoticeId,
    action: &str,
    reason: &str,
    now: DateTime<Utc>,
) -> Result<(), AppError> {
    let fields = ContactFields {
        reachable_by_mail: false,
        unreachable_reason: Some(reason.to_owned()),
        ..person.fields.clone()
    };
    contacts::update(conn, person.branch_id, person.id, person.version, &fields, now)?;
    let entry = NewAudit {
        at: now,
        account_id: None,
        action: action.to_owned(),
        subject_kind: Resource::Contact.as_str().to_owned(),
        subject_id: Some(person.id.0),
        before_json: None,
        after_json: Some(json!({ "notice_id": notice, "reason": reason })),
    };
    audit::insert(conn, person.branch_id, entry)?;
    Ok(())
}
