//! Who changed what, when. Append only: the database itself refuses to change or delete a row.

use chrono::{DateTime, Utc};
use hotspell_domain::AccountId;
use serde_json::Value;

use crate::columns::{RawInstant, RawNullId, RawNullText, naive};
use crate::listing::listing;
use crate::record::appended;
use crate::schema::audit;

appended! {
    /// One change by somebody.
    audit, AuditRecord, NewAudit, insert, insert_many {
        /// When.
        at: DateTime<Utc> as RawInstant,
        /// By whom; nothing for a job.
        account_id: Option<AccountId> as RawNullId,
        /// What was done.
        action: String,
        /// To what kind of record.
        subject_kind: String,
        /// To which.
        subject_id: Option<i64>,
        /// How it was.
        before_json: Option<Value> as RawNullText,
        /// How it is.
        after_json: Option<Value> as RawNullText,
    }
}

listing! {
    audit, AuditRecord, list,
    /// Which entries.
    AuditFilter {
        /// By this account.
        account: AccountId => |account| audit::account_id.eq(account.0),
        /// About this kind of record.
        subject_kind: String => |kind| audit::subject_kind.eq(kind.as_str()),
        /// About the record of this number.
        subject_id: i64 => |id| audit::subject_id.eq(*id),
        /// Not before this instant.
        from: DateTime<Utc> => |at| audit::at.ge(naive(*at)),
        /// Before this instant.
        until: DateTime<Utc> => |at| audit::at.lt(naive(*at)),
    }
    sorted by AuditSort {
        At "at": Instant at,
    }
}
