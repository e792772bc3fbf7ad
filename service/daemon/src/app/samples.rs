//! A sample of a notice to somebody of the office, by the same outbox as every other mail.

use chrono::{DateTime, TimeDelta, Utc};
use hotspell_domain::{BranchId, Language, NoticeKind};
use hotspell_notices::compose::ComposedNotice;
use hotspell_notices::samples::Sample;
use hotspell_store::accounts::AccountRecord;
use hotspell_store::branches::BranchRecord;
use hotspell_store::notices::{self, NoticeFilter, NoticeRecord};
use hotspell_store::{AnyConnection, Page};

use super::AppError;
use super::letters::{self, Letter, Staff};
use crate::state::AppState;

/// An address gets at most so many samples in an hour.
pub const MOST_AN_HOUR: usize = 20;
/// Hours for which a sample is shown to whom it was sent.
const SHOWN_HOURS: i64 = 24;

/// The samples that an address was sent of late, newest first.
///
/// # Errors
/// Those of the store.
pub fn sent_to(
    conn: &mut AnyConnection,
    branch: BranchId,
    address: &str,
    now: DateTime<Utc>,
) -> Result<Vec<NoticeRecord>, AppError> {
    let filter = NoticeFilter {
        kind: Some(NoticeKind::Sample),
        created_from: Some(now - TimeDelta::hours(SHOWN_HOURS)),
        ..NoticeFilter::default()
    };
    let mut sent = notices::list(conn, branch, &filter, Page::everything())?;
    sent.retain(|notice| notice.recipient == address);
    sent.reverse();
    Ok(sent)
}

/// Puts a sample into the outbox for the address of an account. It is marked in its subject and carries
/// no calendar event, which would stand in a real calendar.
///
/// # Errors
/// [`AppError::Conflict`] when the same sample was sent in this minute or too many in this hour;
/// those of the store.
pub fn send(
    conn: &mut AnyConnection,
    state: &AppState,
    branch: &BranchRecord,
    account: &AccountRecord,
    language: Language,
    sample: Sample,
) -> Result<(), AppError> {
    let now = state.now();
    let hour_ago = now - TimeDelta::hours(1);
    let sent = sent_to(conn, branch.id, &account.email, now)?;
    if sent.iter().filter(|notice| notice.created_at > hour_ago).count() >= MOST_AN_HOUR {
        return Err(AppError::Conflict(format!(
            "{MOST_AN_HOUR} samples went to {} in the past hour; wait before you send more",
            account.email
        )));
    }
    let mark = match language {
        Language::English => "Sample",
        Language::Spanish => "Muestra",
    };
    let content = ComposedNotice {
        subject: format!("{mark}: {}", sample.content.subject),
        calendar: None,
        ..sample.content
    };
    let minute = now.format("%Y-%m-%dT%H:%MZ");
    let key = format!("{}/{}/{language}/{minute}", NoticeKind::Sample, sample.name);
    let to = Staff { email: account.email.clone(), name: account.name.clone(), phone: None };
    let sender = letters::branch_of(branch, &state.config.mail.from);
    let letter = Letter::to_staff(NoticeKind::Sample, key, to, &sender, language, content);
    if letters::enqueue(conn, state, branch, letter)? {
        Ok(())
    } else {
        Err(AppError::Conflict("this sample was sent to you in this minute already".to_owned()))
    }
}
