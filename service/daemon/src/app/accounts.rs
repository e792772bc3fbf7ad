//! Accounts and their tokens.

use chrono::NaiveDate;
use hotspell_domain::{BranchId, Role, TechnicianId};
use hotspell_store::Page;
use hotspell_store::accounts::{self, AccountFields, NewToken};
use hotspell_store::technicians::{self, TechnicianFilter, TechnicianRecord};
use hotspell_store::words::TokenScope;

use super::AppError;
use super::record::digest;
use crate::state::AppState;

/// Somebody who is to use the API.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct NewAccount {
    /// Name.
    pub name: String,
    /// Mail address, which signs in.
    pub email: String,
    /// What they may do.
    pub role: Role,
    /// The technician behind a technician's account.
    pub technician: Option<TechnicianId>,
}

/// A new secret: 244 random bits, unguessable and safe in a header.
#[must_use]
pub fn new_token() -> String {
    format!("{}{}", uuid::Uuid::new_v4().simple(), uuid::Uuid::new_v4().simple())
}

/// Opens an account with one token, which is shown once: only its digest is kept.
///
/// # Errors
/// [`AppError::Store`] when the address is taken.
pub fn open(state: &AppState, branch: BranchId, account: &NewAccount) -> Result<String, AppError> {
    let token = new_token();
    let now = state.now();
    state.store.write(|conn| {
        let fields = AccountFields {
            name: account.name.clone(),
            email: account.email.to_lowercase(),
            role: account.role,
            password_hash: None,
            technician_id: account.technician,
            contact_id: None,
            disabled: false,
        };
        let record = accounts::insert(conn, branch, &fields, now)?;
        let new = NewToken {
            account_id: record.id,
            digest: digest(token.as_bytes()),
            label: "first token".to_owned(),
            scope: TokenScope::Api,
            expires_at: None,
        };
        accounts::insert_token(conn, branch, &new, now)?;
        Ok::<_, AppError>(())
    })?;
    Ok(token)
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
