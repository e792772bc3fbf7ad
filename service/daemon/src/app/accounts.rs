//! Accounts and their tokens.

use chrono::{DateTime, NaiveDate, Utc};
use hotspell_domain::{BranchId, TechnicianId};
use hotspell_store::accounts::{self, AccountFields, AccountRecord, NewToken};
use hotspell_store::technicians::{self, TechnicianFilter, TechnicianRecord};
use hotspell_store::words::TokenScope;
use hotspell_store::{AnyConnection, Page, StoreError};

use super::{AppError, token};
use crate::state::AppState;

/// Opens an account with its first token, of which only the digest is kept.
///
/// # Errors
/// [`StoreError::Conflict`] when the address is taken in the branch.
pub fn open(
    conn: &mut AnyConnection,
    branch: BranchId,
    fields: &AccountFields,
    (label, token): (&str, &str),
    now: DateTime<Utc>,
) -> Result<AccountRecord, StoreError> {
    let record = accounts::insert(conn, branch, fields, now)?;
    let new = NewToken {
        account_id: record.id,
        digest: token::digest(token),
        label: label.to_owned(),
        scope: TokenScope::Api,
        expires_at: None,
    };
    accounts::insert_token(conn, branch, &new, now)?;
    Ok(record)
}

/// The technicians who are employed on a day.
///
/// # Errors
/// Those of the store.
pub fn technicians_at_work(
    state: &AppState,
    branch: BranchId,
    day: NaiveDate,
) -> Result<Vec<(TechnicianId, TechnicianRecord)>, AppError> {
    let filter = TechnicianFilter { active_on: Some(day), ..TechnicianFilter::default() };
    let people =
        state.store.read(|conn| technicians::list(conn, branch, &filter, Page::everything()))?;
    Ok(people.into_iter().map(|person| (person.id, person)).collect())
}
