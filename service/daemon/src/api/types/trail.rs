//! The audit and the change feed on the wire.

use chrono::{DateTime, Utc};
use hotspell_domain::AccountId;
use hotspell_store::audit::AuditRecord;
use hotspell_store::changes::Change;
use hotspell_store::words::Resource;
use serde::Serialize;
use serde_json::Value;
use utoipa::ToSchema;

/// One change by somebody. The audit is append only.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct AuditView {
    /// Its number.
    #[schema(example = 1)]
    pub id: i64,
    /// When.
    pub at: DateTime<Utc>,
    /// By whom; absent for a job.
    #[schema(value_type = Option<i64>)]
    pub account_id: Option<AccountId>,
    /// What was done.
    pub action: String,
    /// To what kind of record.
    pub subject_kind: String,
    /// To which.
    pub subject_id: Option<i64>,
    /// How it was.
    #[schema(value_type = Option<Object>)]
    pub before: Option<Value>,
    /// How it is.
    #[schema(value_type = Option<Object>)]
    pub after: Option<Value>,
}

/// One change in the feed.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct ChangeView {
    /// Greater than that of every change before; ask for what comes after the last one seen.
    #[schema(example = 1)]
    pub id: i64,
    /// What kind of record.
    pub resource: Resource,
    /// Its number.
    pub resource_id: i64,
    /// The version that the change made.
    pub version: i64,
    /// When.
    pub at: DateTime<Utc>,
}

impl From<AuditRecord> for AuditView {
    fn from(record: AuditRecord) -> Self {
        let row = record.row;
        Self {
            id: record.id,
            at: row.at,
            account_id: row.account_id,
            action: row.action,
            subject_kind: row.subject_kind,
            subject_id: row.subject_id,
            before: row.before_json,
            after: row.after_json,
        }
    }
}

impl From<Change> for ChangeView {
    fn from(change: Change) -> Self {
        Self {
            id: change.id,
            resource: change.resource,
            resource_id: change.resource_id,
            version: change.version,
            at: change.at,
        }
    }
}
