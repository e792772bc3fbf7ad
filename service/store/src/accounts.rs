//! Who may use the API, and their tokens. A token is never stored, only its digest.

use chrono::{DateTime, TimeDelta, Utc};
use diesel::{
    BoolExpressionMethods, ExpressionMethods, OptionalExtension, QueryDsl, Queryable, RunQueryDsl,
    Selectable, SelectableHelper,
};
use hotspell_domain::{AccountId, BranchId, ContactId, Role, TechnicianId};

use crate::columns::{RawId, RawInstant, RawNullId, RawNullInstant, RawText, naive};
use crate::listing::listing;
use crate::record::{editable, keyed};
use crate::schema::{accounts, tokens};
use crate::sorting::{in_order, sort_keys};
use crate::words::{TokenId, TokenScope};
use crate::{AnyConnection, SortedPage, StoreError};

editable! {
    /// Somebody who may use the API. Its key is the mail address, in lower case.
    accounts, Account, AccountRecord, AccountFields, AccountId {
        /// As shown.
        name: String,
        /// In lower case.
        email: String,
        /// What the account may do.
        role: Role as RawText,
        /// Argon2id, in PHC form; nothing for an account without password.
        password_hash: Option<String>,
        /// Who the account is, for a technician.
        technician_id: Option<TechnicianId> as RawNullId,
        /// Who the account is, for a homeowner.
        contact_id: Option<ContactId> as RawNullId,
        /// A disabled account's tokens do not hold.
        disabled: bool,
    }
}
keyed!(accounts, AccountRecord, AccountFields, AccountId, email);

listing! {
    accounts, AccountRecord, list,
    /// Which accounts.
    AccountFilter {
        /// Of this role.
        role: Role => |role| accounts::role.eq(role.as_str()),
        /// Of this technician.
        technician: TechnicianId => |technician| accounts::technician_id.eq(technician.0),
        /// Disabled or not.
        disabled: bool => |disabled| accounts::disabled.eq(*disabled),
    }
    sorted by AccountSort {
        Name "name": Text name,
        Email "email": Text email,
        UpdatedAt "updated_at": Instant updated_at,
    }
}

/// Every account with this mail address, whichever the branch (for signing in).
///
/// # Errors
/// Those of the database.
pub fn find_by_email_anywhere(
    conn: &mut AnyConnection,
    email: &str,
) -> Result<Vec<AccountRecord>, StoreError> {
    Ok(accounts::table
        .filter(accounts::email.eq(email))
        .order(accounts::id)
        .select(AccountRecord::as_select())
        .load(conn)?)
}

/// A token to be made.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct NewToken {
    /// Whose.
    pub account_id: AccountId,
    /// SHA-256 of the token, lower-case hexadecimal.
    pub digest: String,
    /// For a person to tell it from others.
    pub label: String,
    /// What it is for.
    pub scope: TokenScope,
    /// Until when; nothing means until revoked.
    pub expires_at: Option<DateTime<Utc>>,
}

/// A bearer token or session.
#[derive(Debug, Clone, PartialEq, Eq, Queryable, Selectable)]
#[diesel(table_name = tokens)]
pub struct TokenRecord {
    /// Its number.
    #[diesel(deserialize_as = RawId)]
    pub id: TokenId,
    /// The office.
    #[diesel(deserialize_as = RawId)]
    pub branch_id: BranchId,
    /// Whose.
    #[diesel(deserialize_as = RawId)]
    pub account_id: AccountId,
    /// For a person to tell it from others.
    pub label: String,
    /// What it is for.
    #[diesel(deserialize_as = RawText)]
    pub scope: TokenScope,
    /// When it was made.
    #[diesel(deserialize_as = RawInstant)]
    pub created_at: DateTime<Utc>,
    /// Until when.
    #[diesel(deserialize_as = RawNullInstant)]
    pub expires_at: Option<DateTime<Utc>>,
    /// When it was last used, to the minute.
    #[diesel(deserialize_as = RawNullInstant)]
    pub last_used_at: Option<DateTime<Utc>>,
    /// When it was taken back.
    #[diesel(deserialize_as = RawNullInstant)]
    pub revoked_at: Option<DateTime<Utc>>,
}

/// Stores a token.
///
/// # Errors
/// [`StoreError::Conflict`] when the digest is taken, `ForeignKey`.
pub fn insert_token(
    conn: &mut AnyConnection,
    branch: BranchId,
    token: &NewToken,
    now: DateTime<Utc>,
) -> Result<TokenId, StoreError> {
    let id: i64 = diesel::insert_into(tokens::table)
        .values((
            tokens::branch_id.eq(branch.0),
            tokens::account_id.eq(token.account_id.0),
            tokens::digest.eq(&token.digest),
            tokens::label.eq(&token.label),
            tokens::scope.eq(token.scope.as_str()),
            tokens::created_at.eq(naive(now)),
            tokens::expires_at.eq(token.expires_at.map(naive)),
        ))
        .returning(tokens::id)
        .get_result(conn)?;
    Ok(TokenId(id))
}

/// The account and token of a digest, if the token holds and the account is not disabled.
///
/// # Errors
/// Those of the database.
pub fn authenticate(
    conn: &mut AnyConnection,
    digest: &str,
    now: DateTime<Utc>,
) -> Result<Option<(AccountRecord, TokenRecord)>, StoreError> {
    let at = naive(now);
    let token: Option<TokenRecord> = tokens::table
        .filter(tokens::digest.eq(digest))
        .filter(tokens::revoked_at.is_null())
        .filter(tokens::expires_at.is_null().or(tokens::expires_at.gt(at)))
        .select(TokenRecord::as_select())
        .first(conn)
        .optional()?;
    let Some(token) = token else { return Ok(None) };
    let account = find(conn, token.branch_id, token.account_id)?;
    Ok((!account.disabled).then_some((account, token)))
}

/// Notes that a token is used, at most once a minute. Returns whether it was noted.
///
/// # Errors
/// Those of the database.
pub fn note_token_use(
    conn: &mut AnyConnection,
    token: TokenId,
    now: DateTime<Utc>,
) -> Result<bool, StoreError> {
    let long_ago = naive(now - TimeDelta::minutes(1));
    let changed = diesel::update(
        tokens::table
            .filter(tokens::id.eq(token.0))
            .filter(tokens::last_used_at.is_null().or(tokens::last_used_at.lt(long_ago))),
    )
    .set(tokens::last_used_at.eq(naive(now)))
    .execute(conn)?;
    Ok(changed > 0)
}

/// Takes a token back; again is harmless.
///
/// # Errors
/// [`StoreError::NotFound`] when the branch has no such token.
pub fn revoke_token(
    conn: &mut AnyConnection,
    branch: BranchId,
    token: TokenId,
    now: DateTime<Utc>,
) -> Result<(), StoreError> {
    let which = tokens::table.filter(tokens::id.eq(token.0)).filter(tokens::branch_id.eq(branch.0));
    diesel::update(which.filter(tokens::revoked_at.is_null()))
        .set(tokens::revoked_at.eq(naive(now)))
        .execute(conn)?;
    let count: i64 = which.count().get_result(conn)?;
    if count == 0 { Err(StoreError::NotFound("token")) } else { Ok(()) }
}

sort_keys! {
    /// What [`tokens_of`] can be sorted by.
    TokenSort of TokenRecord, numbered by "id" id {
        Label "label": Text label,
        CreatedAt "created_at": Instant created_at,
        ExpiresAt "expires_at": Instant expires_at,
        LastUsedAt "last_used_at": Instant last_used_at,
    }
}

/// The tokens of an account, in the order of the page.
///
/// # Errors
/// Those of the database.
pub fn tokens_of(
    conn: &mut AnyConnection,
    branch: BranchId,
    account: AccountId,
    page: impl Into<SortedPage<TokenSort>>,
) -> Result<Vec<TokenRecord>, StoreError> {
    let all = tokens::table
        .filter(tokens::branch_id.eq(branch.0))
        .filter(tokens::account_id.eq(account.0))
        .select(TokenRecord::as_select())
        .into_boxed();
    let query = in_order!(all, page.into(), tokens::id, TokenSort {
        Label: Text tokens::label,
        CreatedAt: Instant tokens::created_at,
        ExpiresAt: Instant tokens::expires_at,
        LastUsedAt: Instant tokens::last_used_at,
    });
    Ok(query.load(conn)?)
}
