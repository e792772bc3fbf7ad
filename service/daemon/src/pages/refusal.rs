//! Pages for what went wrong.
//!
//! The reader must decide: try again, go elsewhere, or call. So each page says in one sentence
//! what happened and offers one way on.

use std::fmt;

use actix_web::http::StatusCode;
use actix_web::{HttpResponse, ResponseError, web};
use askama::Template;
use hotspell_domain::Language;

use super::shell::{self, Shell, see_other};
use crate::api::error::ApiError;
use crate::api::middleware::observe::request_id;
use crate::app::AppError;

/// A page that cannot be shown as asked.
#[derive(Debug)]
pub(super) enum PageError {
    /// Somebody must sign in first; then they come back to this path.
    SignIn(String),
    /// Anything else.
    Told {
        /// Status of the answer.
        status: StatusCode,
        /// What happened, for the reader.
        detail: String,
    },
}

impl PageError {
    /// A refusal with its sentence.
    pub(super) fn told(status: StatusCode, detail: impl Into<String>) -> Self {
        Self::Told { status, detail: detail.into() }
    }

    /// Nothing there.
    pub(super) fn nothing(what: &str) -> Self {
        Self::told(StatusCode::NOT_FOUND, format!("There is no such {what}."))
    }

    /// A fault of the program: the cause is for the log.
    pub(super) fn broken(context: &str, cause: &dyn std::error::Error) -> Self {
        tracing::error!(context, cause = %chain(cause), "page failed");
        Self::told(
            StatusCode::INTERNAL_SERVER_ERROR,
            format!("Something went wrong here. When you ask for help, quote {}.", request_id()),
        )
    }

    /// A form that cannot be read.
    pub(super) fn unreadable_form(error: &actix_web::error::UrlencodedError) -> Self {
        Self::told(error.status_code(), format!("The form could not be read: {error}."))
    }
}

fn chain(error: &dyn std::error::Error) -> String {
    let mut text = error.to_string();
    let mut cause = error.source();
    while let Some(error) = cause {
        text.push_str(": ");
        text.push_str(&error.to_string());
        cause = error.source();
    }
    text
}

#[derive(Template)]
#[template(path = "refusal.html")]
struct RefusalPage<'a> {
    shell: Shell,
    heading: &'static str,
    detail: &'a str,
}

/// What happened, in the fewest words.
fn heading(status: StatusCode) -> &'static str {
    match status {
        StatusCode::NOT_FOUND => "There is nothing here",
        StatusCode::FORBIDDEN => "This is not open to you",
        StatusCode::CONFLICT => "This is not possible now",
        StatusCode::TOO_MANY_REQUESTS => "Too many tries",
        status if status.is_server_error() => "That did not work",
        _ => "That could not be understood",
    }
}

impl fmt::Display for PageError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::SignIn(path) => write!(f, "sign in before {path}"),
            Self::Told { status, detail } => write!(f, "{status}: {detail}"),
        }
    }
}

impl std::error::Error for PageError {}

impl ResponseError for PageError {
    fn status_code(&self) -> StatusCode {
        match self {
            Self::SignIn(_) => StatusCode::SEE_OTHER,
            Self::Told { status, .. } => *status,
        }
    }

    fn error_response(&self) -> HttpResponse {
        match self {
            Self::SignIn(path) => see_other(&super::sign_in::address(path)),
            Self::Told { status, detail } => {
                let heading = heading(*status);
                let page = RefusalPage {
                    shell: Shell::open(Language::English, heading, ""),
                    heading,
                    detail,
                };
                shell::show(*status, &page)
                    .unwrap_or_else(|_| HttpResponse::build(*status).body(detail.clone()))
            }
        }
    }
}

impl From<ApiError> for PageError {
    fn from(error: ApiError) -> Self {
        if error.kind().status().is_server_error() {
            return Self::broken("page", &error);
        }
        let fields: Vec<String> =
            error.field_errors().iter().map(|field| field.detail.clone()).collect();
        let detail = if fields.is_empty() { error.detail().to_owned() } else { fields.join("; ") };
        Self::told(error.kind().status(), sentence(&detail))
    }
}

/// A detail as a sentence of its own.
pub(super) fn sentence(detail: &str) -> String {
    let mut letters = detail.trim_end_matches('.').chars();
    let first: String =
        letters.next().map(|letter| letter.to_uppercase().collect()).unwrap_or_default();
    format!("{first}{}.", letters.as_str())
}

impl From<AppError> for PageError {
    fn from(error: AppError) -> Self {
        ApiError::from(error).into()
    }
}

impl From<hotspell_store::StoreError> for PageError {
    fn from(error: hotspell_store::StoreError) -> Self {
        ApiError::from(error).into()
    }
}

/// Runs work that waits for the database off the request threads.
///
/// # Errors
/// The work's own refusal.
pub(super) async fn blocking<T: Send + 'static, E: Into<PageError> + Send + 'static>(
    work: impl FnOnce() -> Result<T, E> + Send + 'static,
) -> Result<T, PageError> {
    match web::block(work).await {
        Ok(result) => result.map_err(Into::into),
        Err(error) => Err(PageError::broken("run a page's work", &error)),
    }
}
