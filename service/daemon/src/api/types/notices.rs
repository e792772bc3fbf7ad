//! Notices and answers on the wire.

use chrono::{DateTime, Utc};
use hotspell_domain::{ContactId, Language, NoticeId, NoticeKind, TechnicianId, VisitId};
use hotspell_notices::message::message_id;
use hotspell_store::answers::AnswerRecord;
use hotspell_store::notices::NoticeRecord;
use hotspell_store::words::{AnswerKind, Channel, NoticeState};
use serde::Serialize;
use serde_json::Value;
use utoipa::ToSchema;

/// One message to one person and where it stands.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct NoticeView {
    /// Its number.
    #[schema(value_type = i64, example = 1)]
    pub id: NoticeId,
    /// What happened; with the recipient it makes one message, however often a job runs.
    pub event_key: String,
    /// What it is about.
    pub kind: NoticeKind,
    /// By which way it goes.
    pub channel: Channel,
    /// Where it goes.
    pub recipient: String,
    /// To which person of a home.
    #[schema(value_type = Option<i64>)]
    pub contact_id: Option<ContactId>,
    /// To which technician.
    #[schema(value_type = Option<i64>)]
    pub technician_id: Option<TechnicianId>,
    /// About which visit.
    #[schema(value_type = Option<i64>)]
    pub visit_id: Option<VisitId>,
    /// In which language.
    pub language: Language,
    /// Subject line.
    pub subject: String,
    /// Message-ID of the mail (RFC 5322) without its angle brackets, the same at every attempt.
    #[schema(example = "notice-1.20260224T160500Z@example.com")]
    pub message_id: String,
    /// Where it stands.
    pub state: NoticeState,
    /// How often delivery was begun (no unit).
    pub attempts: i32,
    /// Not before this instant.
    pub next_attempt_at: DateTime<Utc>,
    /// What the receiver or the network said last.
    pub last_error: Option<String>,
    /// When it was taken.
    pub delivered_at: Option<DateTime<Utc>>,
    /// When it was composed.
    pub created_at: DateTime<Utc>,
    /// When it last changed.
    pub updated_at: DateTime<Utc>,
}

/// A message with its text.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct NoticeTextView {
    /// Where it stands.
    #[serde(flatten)]
    pub notice: NoticeView,
    /// Plain text.
    pub body_text: String,
    /// The same as HTML.
    pub body_html: Option<String>,
    /// Calendar part (RFC 5545).
    pub calendar: Option<String>,
    /// SEQUENCE of the calendar part (no unit).
    pub calendar_sequence: Option<i32>,
    /// Further headers, name to value.
    #[schema(value_type = Object)]
    pub headers: Value,
}

/// What a household answered.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct AnswerView {
    /// Its number.
    #[schema(example = 1)]
    pub id: i64,
    /// About which visit.
    #[schema(value_type = Option<i64>)]
    pub visit_id: Option<VisitId>,
    /// By whom.
    #[schema(value_type = Option<i64>)]
    pub contact_id: Option<ContactId>,
    /// Whether it came by a link; else the office entered it.
    pub by_link: bool,
    /// The answer.
    pub what: AnswerKind,
    /// The chosen slot, or words.
    #[schema(value_type = Option<Object>)]
    pub detail: Option<Value>,
    /// When.
    pub at: DateTime<Utc>,
}

impl NoticeView {
    /// A notice as it goes out from an address.
    pub(crate) fn of(record: &NoticeRecord, sender_email: &str) -> Self {
        Self {
            id: record.id,
            event_key: record.event_key.clone(),
            kind: record.kind,
            channel: record.channel,
            recipient: record.recipient.clone(),
            contact_id: record.contact_id,
            technician_id: record.technician_id,
            visit_id: record.visit_id,
            language: record.language,
            subject: record.subject.clone(),
            message_id: message_id(record.id, record.created_at, sender_email),
            state: record.state,
            attempts: record.attempts,
            next_attempt_at: record.next_attempt_at,
            last_error: record.last_error.clone(),
            delivered_at: record.delivered_at,
            created_at: record.created_at,
            updated_at: record.updated_at,
        }
    }
}

impl NoticeTextView {
    /// A notice with its text, as it goes out from an address.
    pub(crate) fn of(record: NoticeRecord, sender_email: &str) -> Self {
        Self {
            notice: NoticeView::of(&record, sender_email),
            body_text: record.notice.body_text,
            body_html: record.notice.body_html,
            calendar: record.notice.calendar,
            calendar_sequence: record.notice.calendar_sequence,
            headers: record.notice.headers,
        }
    }
}

impl From<AnswerRecord> for AnswerView {
    fn from(record: AnswerRecord) -> Self {
        let row = record.row;
        Self {
            id: record.id,
            visit_id: row.visit_id,
            contact_id: row.contact_id,
            by_link: row.token_digest.is_some(),
            what: row.what,
            detail: row.detail,
            at: row.at,
        }
    }
}
