//! Who reads a page: the session's account, by role.

use std::future::{Ready, ready};

use actix_web::dev::Payload;
use actix_web::http::{Method, StatusCode};
use actix_web::{FromRequest, HttpMessage as _, HttpRequest};
use hotspell_domain::Role;

use super::refusal::PageError;
use crate::api::caller::Caller;

/// Somebody of the office.
pub(super) struct Office(pub(super) Caller);

/// A technician, or somebody of the office who looks at a technician's day.
pub(super) struct Crew(pub(super) Caller);

fn caller(request: &HttpRequest, roles: &[Role]) -> Result<Caller, PageError> {
    let Some(caller) = request.extensions().get::<Caller>().copied() else {
        // A form that was sent after the session's end leads to the start, not to itself.
        let path = if request.method() == Method::GET {
            request.uri().path_and_query().map_or("/", |it| it.as_str())
        } else {
            "/"
        };
        return Err(PageError::SignIn(path.to_owned()));
    };
    if roles.contains(&caller.role) {
        Ok(caller)
    } else {
        Err(PageError::told(
            StatusCode::FORBIDDEN,
            format!("You are signed in as {}; this page is for others.", caller.role),
        ))
    }
}

impl FromRequest for Office {
    type Error = PageError;
    type Future = Ready<Result<Self, PageError>>;

    fn from_request(request: &HttpRequest, _: &mut Payload) -> Self::Future {
        ready(caller(request, &[Role::Office]).map(Self))
    }
}

impl FromRequest for Crew {
    type Error = PageError;
    type Future = Ready<Result<Self, PageError>>;

    fn from_request(request: &HttpRequest, _: &mut Payload) -> Self::Future {
        ready(caller(request, &[Role::Office, Role::Technician]).map(Self))
    }
}
