//! Who calls, and what belongs to them.

use std::future::{Ready, ready};

use actix_web::dev::Payload;
use actix_web::{FromRequest, HttpMessage as _, HttpRequest};
use hotspell_domain::{AccountId, BranchId, ContactId, Role, TechnicianId};
use hotspell_store::words::TokenId;

use super::error::ApiError;
use super::problem::ProblemKind;

/// An account that showed a valid token or session.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Caller {
    /// The account.
    pub account: AccountId,
    /// The token or session it came with.
    pub token: TokenId,
    /// What it may do.
    pub role: Role,
    /// The branch that it belongs to; nothing outside is reachable.
    pub branch: BranchId,
    /// The technician it stands for; always there for that role.
    pub technician: Option<TechnicianId>,
    /// The person it stands for; always there for homeowners.
    pub contact: Option<ContactId>,
}

impl Caller {
    /// Whether everything in the branch is open to the caller.
    #[must_use]
    pub const fn is_office(&self) -> bool {
        matches!(self.role, Role::Office)
    }

    /// As the history of a visit names the caller.
    #[must_use]
    pub fn who(&self) -> String {
        format!("{} account {}", self.role, self.account)
    }
}

impl FromRequest for Caller {
    type Error = ApiError;
    type Future = Ready<Result<Self, ApiError>>;

    fn from_request(request: &HttpRequest, _: &mut Payload) -> Self::Future {
        ready(request.extensions().get::<Self>().copied().ok_or_else(|| {
            ApiError::new(ProblemKind::Unauthenticated, "Sign in or send an access token")
        }))
    }
}
