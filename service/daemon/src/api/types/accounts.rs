//! Accounts and their tokens on the wire. Passwords and tokens go one way only.

use chrono::{DateTime, Utc};
use hotspell_domain::{AccountId, ContactId, Role, TechnicianId};
use hotspell_store::accounts::{AccountFields, AccountRecord, TokenRecord};
use hotspell_store::words::{TokenId, TokenScope};
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use crate::api::auth::password;
use crate::api::checks::{Checks, LINE_MAX};
use crate::api::error::ApiError;

/// Somebody who may use the API or sign in to the pages.
#[derive(Debug, Clone, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({
    "name": "Front desk", "email": "desk@example.com", "role": "office",
    "technician_id": null, "contact_id": null, "disabled": false,
    "password": "a long phrase of your own"
}))]
pub struct AccountInput {
    /// As shown.
    #[schema(min_length = 1, max_length = 200, pattern = r"\S")]
    pub name: String,
    /// Mail address, kept in lower case; unique in the branch.
    #[schema(min_length = 3, max_length = 254)]
    pub email: String,
    /// What the account may do.
    pub role: Role,
    /// Who the account is; required for a technician, refused for others.
    #[schema(value_type = Option<i64>)]
    pub technician_id: Option<TechnicianId>,
    /// Who the account is; required for a homeowner, refused for others.
    #[schema(value_type = Option<i64>)]
    pub contact_id: Option<ContactId>,
    /// A disabled account cannot sign in and its tokens do not hold.
    #[serde(default)]
    pub disabled: bool,
    /// 8 to 256 characters, 15 or more advised. Absent: a new account has none and signs in by
    /// token; a stored one keeps its own. A new password ends all sessions and tokens.
    #[schema(min_length = 8, max_length = 256, write_only)]
    pub password: Option<String>,
}

/// An account, as stored.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct AccountView {
    /// Its number.
    #[schema(value_type = i64, example = 1)]
    pub id: AccountId,
    /// Raised by one with each change; also the ETag.
    #[schema(example = 1)]
    pub version: i64,
    /// When it came in.
    pub created_at: DateTime<Utc>,
    /// When it was last changed.
    pub updated_at: DateTime<Utc>,
    /// As shown.
    pub name: String,
    /// Mail address.
    pub email: String,
    /// What the account may do.
    pub role: Role,
    /// Who the account is, for a technician.
    #[schema(value_type = Option<i64>)]
    pub technician_id: Option<TechnicianId>,
    /// Who the account is, for a homeowner.
    #[schema(value_type = Option<i64>)]
    pub contact_id: Option<ContactId>,
    /// Whether it is shut.
    pub disabled: bool,
    /// Whether it can sign in by password.
    pub has_password: bool,
}

/// A token to be made.
#[derive(Debug, Clone, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({
    "label": "nightly export", "scope": "api", "expires_at": "2030-01-01T00:00:00Z"
}))]
pub struct TokenInput {
    /// For a person to tell it from others.
    #[schema(min_length = 1, max_length = 200, pattern = r"\S")]
    pub label: String,
    /// What it is for: `api` or `calendar-feed`; `api` if absent. Sessions come by signing in.
    #[serde(default = "api")]
    pub scope: TokenScope,
    /// Until when; absent means until it is revoked.
    pub expires_at: Option<DateTime<Utc>>,
}

const fn api() -> TokenScope {
    TokenScope::Api
}

/// A token, as stored: never the token itself.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct TokenView {
    /// Its number.
    #[schema(value_type = i64, example = 1)]
    pub id: TokenId,
    /// Whose.
    #[schema(value_type = i64)]
    pub account_id: AccountId,
    /// For a person to tell it from others.
    pub label: String,
    /// What it is for.
    pub scope: TokenScope,
    /// When it was made.
    pub created_at: DateTime<Utc>,
    /// Until when.
    pub expires_at: Option<DateTime<Utc>>,
    /// When it was last used, to the minute.
    pub last_used_at: Option<DateTime<Utc>>,
    /// When it was taken back.
    pub revoked_at: Option<DateTime<Utc>>,
}

/// A new token, shown this once.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct NewTokenView {
    /// The token. It is not stored and cannot be shown again.
    #[schema(example = "hs_kPq3…")]
    pub token: String,
    /// Where a calendar program fetches the calendar; absent for a token of another scope.
    pub calendar_url: Option<String>,
    /// What is stored of it.
    pub stored: TokenView,
}

impl AccountInput {
    /// What is stored of it; `before` is the stored one when it is changed. Hashing takes some
    /// ten milliseconds: call it off the request threads and outside a transaction.
    pub(crate) fn fields(&self) -> Result<AccountFields, ApiError> {
        let mut checks = Checks::default();
        let name = checks.text("/name", &self.name, LINE_MAX);
        let email = checks.text("/email", &self.email, 254).to_lowercase();
        checks.email("/email", Some(&email));
        let wanted = (self.role == Role::Technician, self.role == Role::Homeowner);
        if wanted.0 != self.technician_id.is_some() {
            checks.refuse("/technician_id", "required for a technician, refused for others");
        }
        if wanted.1 != self.contact_id.is_some() {
            checks.refuse("/contact_id", "required for a homeowner, refused for others");
        }
        let hashed = self.password.as_deref().map(password::hash).transpose();
        let password_hash = checks.keep("/password", hashed).flatten();
        checks.finish()?;
        Ok(AccountFields {
            name,
            email,
            role: self.role,
            password_hash,
            technician_id: self.technician_id,
            contact_id: self.contact_id,
            disabled: self.disabled,
        })
    }
}

impl TokenInput {
    pub(crate) fn checked_label(&self, now: DateTime<Utc>) -> Result<String, ApiError> {
        let mut checks = Checks::default();
        let label = checks.text("/label", &self.label, LINE_MAX);
        if self.scope == TokenScope::Session {
            checks.refuse("/scope", "expected api or calendar-feed; sessions come by signing in");
        }
        if self.expires_at.is_some_and(|at| at <= now) {
            checks.refuse("/expires_at", "expected an instant to come");
        }
        checks.finish()?;
        Ok(label)
    }
}

impl From<&AccountRecord> for AccountView {
    fn from(record: &AccountRecord) -> Self {
        Self {
            id: record.id,
            version: record.version,
            created_at: record.created_at,
            updated_at: record.updated_at,
            name: record.name.clone(),
            email: record.email.clone(),
            role: record.role,
            technician_id: record.technician_id,
            contact_id: record.contact_id,
            disabled: record.disabled,
            has_password: record.password_hash.is_some(),
        }
    }
}

impl From<TokenRecord> for TokenView {
    fn from(record: TokenRecord) -> Self {
        Self {
            id: record.id,
            account_id: record.account_id,
            label: record.label,
            scope: record.scope,
            created_at: record.created_at,
            expires_at: record.expires_at,
            last_used_at: record.last_used_at,
            revoked_at: record.revoked_at,
        }
    }
}
