//! Answers kept for repeated requests (draft-ietf-httpapi-idempotency-key-header).

use chrono::{DateTime, TimeDelta, Utc};
use diesel::{ExpressionMethods, OptionalExtension, QueryDsl, RunQueryDsl};
use hotspell_domain::{AccountId, BranchId};

use crate::columns::naive;
use crate::connection::each;
use crate::schema::idempotency_keys;
use crate::{AnyConnection, StoreError};

/// No request runs this long: its process died, and its transaction with it.
const LONGEST_REQUEST: TimeDelta = TimeDelta::minutes(15);

/// What is known of a request's key.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Repeated {
    /// Never seen: the caller goes on, and ends with [`complete`] or [`abandon`].
    New,
    /// The first request is still running.
    Running,
    /// The key was used for another request.
    OtherRequest,
    /// The first request's answer.
    Answered(StoredAnswer),
}

/// An answer as it was sent.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct StoredAnswer {
    /// Status code.
    pub status: i32,
    /// Headers worth repeating, as JSON.
    pub headers: Option<String>,
    /// Body.
    pub body: Option<String>,
}

type Row = (String, Option<i32>, Option<String>, Option<String>);

/// Looks a key up and takes it if it is new, or if the request that took it died with its process.
///
/// # Errors
/// `ForeignKey`.
pub fn begin(
    conn: &mut AnyConnection,
    branch: BranchId,
    account: AccountId,
    key: &str,
    request_digest: &str,
    now: DateTime<Utc>,
) -> Result<Repeated, StoreError> {
    diesel::delete(
        idempotency_keys::table
            .filter(idempotency_keys::account_id.eq(account.0))
            .filter(idempotency_keys::key.eq(key))
            .filter(idempotency_keys::status.is_null())
            .filter(idempotency_keys::created_at.lt(naive(now - LONGEST_REQUEST))),
    )
    .execute(conn)?;
    let inserted = each!(conn, c => {
        diesel::insert_into(idempotency_keys::table)
            .values((
                idempotency_keys::branch_id.eq(branch.0),
                idempotency_keys::account_id.eq(account.0),
                idempotency_keys::key.eq(key),
                idempotency_keys::request_digest.eq(request_digest),
                idempotency_keys::created_at.eq(naive(now)),
            ))
            .on_conflict_do_nothing()
            .execute(c)
    })?;
    if inserted > 0 {
        return Ok(Repeated::New);
    }
    let (digest, status, headers, body): Row = idempotency_keys::table
        .filter(idempotency_keys::account_id.eq(account.0))
        .filter(idempotency_keys::key.eq(key))
        .select((
            idempotency_keys::request_digest,
            idempotency_keys::status,
            idempotency_keys::response_headers,
            idempotency_keys::response_body,
        ))
        .first(conn)?;
    Ok(if digest != request_digest {
        Repeated::OtherRequest
    } else if let Some(status) = status {
        Repeated::Answered(StoredAnswer { status, headers, body })
    } else {
        Repeated::Running
    })
}

/// Keeps the answer. Call it in the transaction of the request's own changes.
///
/// # Errors
/// [`StoreError::NotFound`] when the key was not taken.
pub fn complete(
    conn: &mut AnyConnection,
    account: AccountId,
    key: &str,
    answer: &StoredAnswer,
) -> Result<(), StoreError> {
    let changed = diesel::update(
        idempotency_keys::table
            .filter(idempotency_keys::account_id.eq(account.0))
            .filter(idempotency_keys::key.eq(key)),
    )
    .set((
        idempotency_keys::status.eq(answer.status),
        idempotency_keys::response_headers.eq(&answer.headers),
        idempotency_keys::response_body.eq(&answer.body),
    ))
    .execute(conn)?;
    if changed == 0 { Err(StoreError::NotFound("idempotency key")) } else { Ok(()) }
}

/// Gives a key free whose request failed without effect.
///
/// # Errors
/// Those of the database.
pub fn abandon(conn: &mut AnyConnection, account: AccountId, key: &str) -> Result<(), StoreError> {
    diesel::delete(
        idempotency_keys::table
            .filter(idempotency_keys::account_id.eq(account.0))
            .filter(idempotency_keys::key.eq(key))
            .filter(idempotency_keys::status.is_null()),
    )
    .execute(conn)?;
    Ok(())
}

/// Forgets the keys taken before an instant. Returns how many.
///
/// # Errors
/// Those of the database.
pub fn forget_before(conn: &mut AnyConnection, before: DateTime<Utc>) -> Result<usize, StoreError> {
    Ok(diesel::delete(
        idempotency_keys::table.filter(idempotency_keys::created_at.lt(naive(before))),
    )
    .execute(conn)?)
}

/// The stored answer of a key, if the request was answered.
///
/// # Errors
/// Those of the database.
pub fn status_of(
    conn: &mut AnyConnection,
    account: AccountId,
    key: &str,
) -> Result<Option<i32>, StoreError> {
    let status: Option<Option<i32>> = idempotency_keys::table
        .filter(idempotency_keys::account_id.eq(account.0))
        .filter(idempotency_keys::key.eq(key))
        .select(idempotency_keys::status)
        .first(conn)
        .optional()?;
    Ok(status.flatten())
}
