//! A branch's own lines in its mail to households, on the wire.

use chrono::{DateTime, Utc};
use hotspell_domain::{Language, NoticeKind};
use hotspell_notices::compose::{OwnLine, OwnLines};
use hotspell_store::notice_wordings::NoticeWording;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use crate::api::error::ApiError;
use crate::app::wording::{self, Wording};

/// One line after the greeting and one before the foot. `{name}`, `{address}` and `{branch}` are filled
/// in; nothing else may stand in braces. Without either the mail goes out as delivered.
#[derive(Debug, Clone, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({
    "opening": "Thirty summers at your side, {name}.", "closing": null
}))]
pub struct NoticeLinesInput {
    /// After the greeting: one line.
    #[schema(
        max_length = 300,
        pattern = r"^([^{}\u0000-\u001f\u007f-\u009f\u2028\u2029]|\{(name|address|branch)\})*$"
    )]
    pub opening: Option<String>,
    /// Before the foot: one line.
    #[schema(
        max_length = 300,
        pattern = r"^([^{}\u0000-\u001f\u007f-\u009f\u2028\u2029]|\{(name|address|branch)\})*$"
    )]
    pub closing: Option<String>,
}

impl NoticeLinesInput {
    /// The lines, checked; an empty one stands for none.
    pub(crate) fn lines(&self) -> Result<OwnLines, ApiError> {
        let text = |line: &Option<String>| line.clone().unwrap_or_default();
        Ok(wording::read(&text(&self.opening), &text(&self.closing))?)
    }
}

/// The lines of one kind of mail in one language.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct NoticeLinesView {
    /// Its number, as the change feed and the audit name it; absent while none were ever kept.
    #[schema(example = 1)]
    pub id: Option<i64>,
    /// Number of changes so far; also the ETag. 0 while none were ever kept.
    #[schema(example = 1)]
    pub version: i64,
    /// When they were last changed.
    pub updated_at: Option<DateTime<Utc>>,
    /// In this kind of mail.
    pub kind: NoticeKind,
    /// In this language.
    pub language: Language,
    /// After the greeting.
    pub opening: Option<String>,
    /// Before the foot.
    pub closing: Option<String>,
}

impl NoticeLinesView {
    pub(crate) fn new((kind, language): (NoticeKind, Language), wording: &Wording) -> Self {
        let text = |line: &Option<OwnLine>| line.as_ref().map(ToString::to_string);
        Self {
            id: wording.id,
            version: wording.version,
            updated_at: wording.updated_at,
            kind,
            language,
            opening: text(&wording.lines.opening),
            closing: text(&wording.lines.closing),
        }
    }
}

impl From<NoticeWording> for NoticeLinesView {
    fn from(record: NoticeWording) -> Self {
        Self {
            id: Some(record.id),
            version: record.version,
            updated_at: Some(record.updated_at),
            kind: record.kind,
            language: record.language,
            opening: record.opening,
            closing: record.closing,
        }
    }
}
