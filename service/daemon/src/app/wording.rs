//! A branch's own lines in its mail to households: read for every notice, kept from a form.

use chrono::{DateTime, Utc};
use hotspell_domain::{BranchId, Language, NoticeKind};
use hotspell_notices::compose::{OwnLine, OwnLines};
use hotspell_notices::message::is_for_household;
use hotspell_store::AnyConnection;
use hotspell_store::notice_wordings::{self, NewWording, NoticeWording};
use serde::Serialize;

use super::AppError;

/// The lines of one kind in one language.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Wording {
    /// What stands in the mail.
    pub lines: OwnLines,
    /// Its number; nothing when none were ever kept.
    pub id: Option<i64>,
    /// Raised by one with each change; 0 when none were ever kept.
    pub version: i64,
    /// When they were last changed.
    pub updated_at: Option<DateTime<Utc>>,
}

/// The same as text, for the audit.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct WordingText {
    kind: NoticeKind,
    language: Language,
    opening: Option<String>,
    closing: Option<String>,
}

impl Wording {
    /// The lines as they were written.
    #[must_use]
    pub fn text(&self, kind: NoticeKind, language: Language) -> WordingText {
        let written = |line: &Option<OwnLine>| line.as_ref().map(ToString::to_string);
        let (opening, closing) = (written(&self.lines.opening), written(&self.lines.closing));
        WordingText { kind, language, opening, closing }
    }
}

/// Checks two lines; an empty one stands for none.
///
/// # Errors
/// [`AppError::Invalid`] names `opening` or `closing` and says what is wrong with it.
pub fn read(opening: &str, closing: &str) -> Result<OwnLines, AppError> {
    let mut wrong = Vec::new();
    let mut line = |field: &str, text: &str| {
        let text = text.trim();
        if text.is_empty() {
            return None;
        }
        text.parse().map_err(|error| wrong.push((field.to_owned(), format!("{error}")))).ok()
    };
    let lines = OwnLines { opening: line("opening", opening), closing: line("closing", closing) };
    if wrong.is_empty() { Ok(lines) } else { Err(AppError::Invalid(wrong)) }
}

/// The lines in force; none for staff mail and where none were kept.
///
/// # Errors
/// Those of the store; [`AppError::Internal`] for a stored line that is none.
pub fn of(
    conn: &mut AnyConnection,
    branch: BranchId,
    kind: NoticeKind,
    language: Language,
) -> Result<Wording, AppError> {
    notice_wordings::find(conn, branch, kind, language)?
        .as_ref()
        .map_or(Ok(Wording::default()), stored)
}

fn stored(record: &NoticeWording) -> Result<Wording, AppError> {
    let line = |text: &Option<String>| {
        text.as_deref()
            .map(str::parse)
            .transpose()
            .map_err(|error| AppError::internal("stored line of a notice", error))
    };
    let lines = OwnLines { opening: line(&record.opening)?, closing: line(&record.closing)? };
    let (version, updated_at) = (record.version, Some(record.updated_at));
    Ok(Wording { lines, id: Some(record.id), version, updated_at })
}

/// Keeps lines, if nobody changed them since the expected version.
///
/// # Errors
/// [`AppError::Conflict`] for mail that is not for households; those of the store, among them that the
/// version is another.
pub fn put(
    conn: &mut AnyConnection,
    branch: BranchId,
    (kind, language): (NoticeKind, Language),
    lines: &OwnLines,
    expected_version: i64,
    now: DateTime<Utc>,
) -> Result<Wording, AppError> {
    if !is_for_household(kind) {
        return Err(AppError::Conflict(
            "only mail to households carries lines of the branch".to_owned(),
        ));
    }
    let text = |line: &Option<OwnLine>| line.as_ref().map(ToString::to_string);
    let (opening, closing) = (text(&lines.opening), text(&lines.closing));
    let new =
        NewWording { kind, language, opening: opening.as_deref(), closing: closing.as_deref() };
    stored(&notice_wordings::put(conn, branch, new, expected_version, now)?)
}
