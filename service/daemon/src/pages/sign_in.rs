//! Sign in and out, and the way to the right start.
//!
//! The reader must decide which of the two proofs they have: an access token, or mail address and
//! password. Both stand on one page, each with its own button.

use actix_web::http::StatusCode;
use actix_web::{HttpMessage as _, HttpRequest, HttpResponse, web};
use askama::Template;
use hotspell_domain::{Language, Role};
use serde::Deserialize;

use super::forms::OpenForm;
use super::refusal::PageError;
use super::shell::{self, Shell, see_other};
use crate::api::auth::session::{self, SignIns};
use crate::api::caller::Caller;
use crate::api::error::ApiError;
use crate::state::AppState;

#[derive(Template)]
#[template(path = "sign-in.html")]
struct SignInPage {
    shell: Shell,
    next: String,
    email: String,
    refused: Option<String>,
}

/// What may stand behind the address.
#[derive(Debug, Default, Deserialize)]
pub(super) struct Query {
    next: Option<String>,
}

/// The address of the sign-in page that leads back to a path.
pub(super) fn address(path: &str) -> String {
    let pair = [("next", path)];
    serde_urlencoded::to_string(pair)
        .map_or_else(|_| "/sign-in".to_owned(), |query| format!("/sign-in?{query}"))
}

/// A path of this service, and nothing that a browser could take for another one.
fn own_path(next: Option<&str>) -> &str {
    next.filter(|path| {
        path.starts_with('/') && !path.starts_with("//") && !path.contains(['\\', '\r', '\n', '\t'])
    })
    .unwrap_or("/")
}

/// Leads to the page that the reader's role starts with.
pub(super) async fn start(request: HttpRequest) -> HttpResponse {
    let role = request.extensions().get::<Caller>().map(|caller| caller.role);
    see_other(match role {
        Some(Role::Office) => shell::SEASON.path,
        Some(Role::Technician) => shell::TODAY.path,
        // Homeowners come by the links in their mail and have no pages of their own yet.
        Some(Role::Homeowner) | None => "/sign-in",
    })
}

fn page(
    status: StatusCode,
    next: &str,
    email: &str,
    refused: Option<String>,
) -> Result<HttpResponse, PageError> {
    let page = SignInPage {
        shell: Shell::open(Language::English, "Sign in", ""),
        next: next.to_owned(),
        email: email.to_owned(),
        refused,
    };
    shell::show(status, &page)
}

/// The form.
pub(super) async fn form(query: web::Query<Query>) -> Result<HttpResponse, PageError> {
    page(StatusCode::OK, own_path(query.next.as_deref()), "", None)
}

/// Takes the form: a token, or mail address and password.
pub(super) async fn enter(
    state: web::Data<AppState>,
    attempts: web::Data<SignIns>,
    OpenForm(fields): OpenForm,
) -> Result<HttpResponse, PageError> {
    let next = own_path(fields.text("next")).to_owned();
    let email = fields.text("email").unwrap_or_default().to_owned();
    let entered = match (fields.text("token"), fields.text("password")) {
        (Some(token), _) => session::sign_in_with_token(&state, token).await,
        (None, Some(password)) if !email.is_empty() => {
            session::sign_in(&state, &attempts, &email, password).await
        }
        _ => {
            let missing = "Enter your access token, or your mail address and password.".to_owned();
            return page(StatusCode::UNPROCESSABLE_ENTITY, &next, &email, Some(missing));
        }
    };
    match entered {
        Ok((cookie, _)) => {
            let mut answer = see_other(&next);
            answer
                .add_cookie(&cookie)
                .map_err(|error| PageError::broken("session cookie", &error))?;
            Ok(answer)
        }
        Err(refusal) => refuse(refusal, &next, &email),
    }
}

fn refuse(refusal: ApiError, next: &str, email: &str) -> Result<HttpResponse, PageError> {
    let status = refusal.kind().status();
    if status.is_server_error() {
        return Err(refusal.into());
    }
    let told = format!("{}.", refusal.detail());
    page(status, next, email, Some(told))
}

/// Ends the session.
pub(super) async fn leave(
    state: web::Data<AppState>,
    request: HttpRequest,
    OpenForm(fields): OpenForm,
) -> Result<HttpResponse, PageError> {
    let caller = request.extensions().get::<Caller>().copied();
    let mut answer = see_other("/sign-in");
    if let Some(caller) = caller {
        session::check_form_token(&request, fields.text(session::FORM_FIELD))?;
        let cookie = session::sign_out(&state, &caller).await?;
        answer.add_cookie(&cookie).map_err(|error| PageError::broken("session cookie", &error))?;
    }
    Ok(answer)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn signing_in_never_leads_away_from_this_service() {
        assert_eq!(own_path(Some("/office/risk?class=contactor")), "/office/risk?class=contactor");
        for foreign in ["//example.com", "https://example.com", "/\\example.com", "", "/a\r\nb"] {
            assert_eq!(own_path(Some(foreign)), "/", "{foreign:?}");
        }
        assert_eq!(own_path(None), "/");
    }

    #[test]
    fn the_way_back_survives_the_sign_in_page() {
        assert_eq!(
            address("/office/day?day=2025-04-02"),
            "/sign-in?next=%2Foffice%2Fday%3Fday%3D2025-04-02"
        );
    }
}
