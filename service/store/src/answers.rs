//! What households answered.

use chrono::{DateTime, Utc};
use hotspell_domain::{ContactId, VisitId};
use serde_json::Value;

use crate::columns::{RawInstant, RawNullId, RawNullText, RawText, naive};
use crate::listing::listing;
use crate::record::appended;
use crate::schema::answers;
use crate::words::AnswerKind;

appended! {
    /// What a household answered.
    answers, AnswerRecord, NewAnswer, insert, insert_many {
        /// About which visit.
        visit_id: Option<VisitId> as RawNullId,
        /// By whom.
        contact_id: Option<ContactId> as RawNullId,
        /// By which link; nothing when the office entered it.
        token_digest: Option<String>,
        /// The answer.
        what: AnswerKind as RawText,
        /// The chosen slot, or words.
        detail: Option<Value> as RawNullText,
        /// When.
        at: DateTime<Utc> as RawInstant,
    }
}

listing! {
    answers, AnswerRecord, list,
    /// Which answers.
    AnswerFilter {
        /// About this visit.
        visit: VisitId => |visit| answers::visit_id.eq(visit.0),
        /// By this person.
        contact: ContactId => |contact| answers::contact_id.eq(contact.0),
        /// Not before this instant.
        from: DateTime<Utc> => |at| answers::at.ge(naive(*at)),
    }
    sorted by AnswerSort {
        At "at": Instant at,
    }
}
