//! Every change leaves a row that says who made it, in the same transaction.

use chrono::{DateTime, Utc};
use hotspell_store::audit::NewAudit;
use hotspell_store::words::Resource;
use hotspell_store::{AnyConnection, audit};
use serde::Serialize;

use super::caller::Caller;
use super::error::ApiError;
use super::transact::write;
use crate::state::AppState;

/// What somebody did.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Deed<'a> {
    /// In one word.
    pub(crate) action: &'a str,
    /// To what kind of record.
    pub(crate) kind: Resource,
    /// To which.
    pub(crate) id: i64,
}

/// Keeps a change with the record before and after it.
pub(crate) fn record<B: Serialize, A: Serialize>(
    conn: &mut AnyConnection,
    caller: &Caller,
    deed: Deed<'_>,
    before: Option<&B>,
    after: Option<&A>,
    now: DateTime<Utc>,
) -> Result<(), ApiError> {
    let row = NewAudit {
        at: now,
        account_id: Some(caller.account),
        action: deed.action.to_owned(),
        subject_kind: deed.kind.as_str().to_owned(),
        subject_id: Some(deed.id),
        before_json: before.map(serde_json::to_value).transpose().map_err(ApiError::internal)?,
        after_json: after.map(serde_json::to_value).transpose().map_err(ApiError::internal)?,
    };
    audit::insert(conn, caller.branch, row)?;
    Ok(())
}

/// Keeps that somebody started the engine, and what came of it.
pub(crate) async fn noted(
    state: &AppState,
    caller: Caller,
    deed: Deed<'static>,
    outcome: serde_json::Value,
) -> Result<(), ApiError> {
    let now = state.now();
    write(state, move |conn| record(conn, &caller, deed, None::<&()>, Some(&outcome), now)).await
}
