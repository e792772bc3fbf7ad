//! From any refusal below to an answer by RFC 9457.

use std::fmt;

use actix_web::http::{StatusCode, header};
use actix_web::{HttpResponse, ResponseError};

use hotspell_store::StoreError;

use super::problem::{FieldError, Problem, ProblemKind};
use crate::app::AppError;

/// A refusal on its way to the client. `detail` and `fields` are for the client; `source` goes to
/// the log alone.
#[derive(Debug)]
pub struct ApiError {
    kind: ProblemKind,
    detail: String,
    fields: Vec<FieldError>,
    source: Option<Box<dyn std::error::Error + Send + Sync>>,
    allow: Option<String>,
    token_was_sent: bool,
    retry_after_s: u32,
}

impl ApiError {
    /// A refusal of a kind with its sentence for this case.
    pub fn new(kind: ProblemKind, detail: impl Into<String>) -> Self {
        Self {
            kind,
            detail: detail.into(),
            fields: Vec::new(),
            source: None,
            allow: None,
            token_was_sent: false,
            retry_after_s: 1,
        }
    }

    /// Nothing there under that name.
    pub fn not_found(what: &str, id: impl fmt::Display) -> Self {
        Self::new(ProblemKind::NotFound, format!("There is no {what} {id}"))
    }

    /// One wrong field.
    pub fn field(pointer: impl Into<String>, detail: impl fmt::Display) -> Self {
        Self::fields(vec![FieldError { pointer: pointer.into(), detail: detail.to_string() }])
    }

    /// Several wrong fields.
    #[must_use]
    pub fn fields(fields: Vec<FieldError>) -> Self {
        let detail = match fields.len() {
            1 => "One field is wrong".to_owned(),
            n => format!("{n} fields are wrong"),
        };
        Self { fields, ..Self::new(ProblemKind::InvalidInput, detail) }
    }

    /// A fault of the service; the cause is logged, not shown.
    pub fn internal(source: impl Into<Box<dyn std::error::Error + Send + Sync>>) -> Self {
        Self {
            source: Some(source.into()),
            ..Self::new(ProblemKind::Internal, "Quote the instance when asking for help")
        }
    }

    /// Another sentence for the client.
    #[must_use]
    pub fn with_detail(mut self, detail: String) -> Self {
        self.detail = detail;
        self
    }

    /// Lists the methods that the resource does support.
    #[must_use]
    pub fn with_allow(mut self, methods: String) -> Self {
        self.allow = Some(methods);
        self
    }

    /// Marks that a token came but is not valid (RFC 6750, section 3.1).
    #[must_use]
    pub const fn with_token_sent(mut self, sent: bool) -> Self {
        self.token_was_sent = sent;
        self
    }

    /// When to try again, in seconds.
    #[must_use]
    pub const fn with_retry_after(mut self, seconds: u32) -> Self {
        self.retry_after_s = seconds;
        self
    }

    /// The kind of refusal.
    #[must_use]
    pub const fn kind(&self) -> ProblemKind {
        self.kind
    }

    /// The sentence for the client.
    #[must_use]
    pub fn detail(&self) -> &str {
        &self.detail
    }

    /// The document for the client.
    #[must_use]
    pub fn problem(&self) -> Problem {
        Problem {
            kind: format!("/problems/{}", self.kind.slug()),
            title: self.kind.title().to_owned(),
            status: self.kind.status().as_u16(),
            detail: self.detail.clone(),
            instance: super::middleware::observe::request_id().urn().to_string(),
            errors: self.fields.clone(),
        }
    }

    /// The wrong fields.
    #[must_use]
    pub fn field_errors(&self) -> &[FieldError] {
        &self.fields
    }
}

impl fmt::Display for ApiError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}: {}", self.kind.slug(), self.detail)?;
        for field in &self.fields {
            write!(f, "; {}: {}", field.pointer, field.detail)?;
        }
        Ok(())
    }
}

impl std::error::Error for ApiError {
    fn source(&self) -> Option<&(dyn std::error::Error + 'static)> {
        self.source.as_ref().map(|source| &**source as _)
    }
}

impl ResponseError for ApiError {
    fn status_code(&self) -> StatusCode {
        self.kind.status()
    }

    fn error_response(&self) -> HttpResponse {
        let problem = self.problem();
        if let Some(source) = &self.source {
            let mut chain = source.to_string();
            let mut cause = source.source();
            while let Some(error) = cause {
                chain.push_str(": ");
                chain.push_str(&error.to_string());
                cause = error.source();
            }
            tracing::error!(problem.instance = problem.instance, problem.kind = self.kind.slug(), cause = %chain, "request failed");
        }
        let mut answer = HttpResponse::build(self.kind.status());
        match self.kind {
            ProblemKind::Unauthenticated => {
                let challenge = if self.token_was_sent {
                    "Bearer realm=\"hotspell\", error=\"invalid_token\""
                } else {
                    "Bearer realm=\"hotspell\""
                };
                answer.insert_header((header::WWW_AUTHENTICATE, challenge));
            }
            ProblemKind::Forbidden => {
                answer.insert_header((
                    header::WWW_AUTHENTICATE,
                    "Bearer realm=\"hotspell\", error=\"insufficient_scope\"",
                ));
            }
            ProblemKind::MethodNotAllowed => {
                answer.insert_header((header::ALLOW, self.allow.clone().unwrap_or_default()));
            }
            ProblemKind::TooManyRequests | ProblemKind::Unavailable => {
                answer.insert_header((header::RETRY_AFTER, self.retry_after_s.to_string()));
            }
            _ => {}
        }
        answer.content_type("application/problem+json").json(problem)
    }
}

impl From<StoreError> for ApiError {
    fn from(error: StoreError) -> Self {
        match error {
            StoreError::NotFound(what) => {
                Self::new(ProblemKind::NotFound, format!("There is no such {what}"))
            }
            StoreError::Conflict { .. } => Self::new(
                ProblemKind::Conflict,
                format!("{error}; use another key, or change the one that is there"),
            ),
            StoreError::StaleVersion { found, .. } => Self::new(
                ProblemKind::StaleVersion,
                format!("The present version is \"{found}\"; read it again, then change it"),
            ),
            StoreError::ForeignKey(_) | StoreError::Check(_) => {
                Self::new(ProblemKind::Conflict, error.to_string())
            }
            StoreError::Unavailable(_) => Self {
                source: Some(error.into()),
                ..Self::new(ProblemKind::Unavailable, "The database is busy; try again")
            },
            StoreError::Unexpected(_) => Self::internal(error),
        }
    }
}

impl From<AppError> for ApiError {
    fn from(error: AppError) -> Self {
        match error {
            AppError::NotFound { what, id } => Self::not_found(what, id),
            AppError::Invalid(fields) => Self::fields(
                fields
                    .into_iter()
                    .map(|(field, detail)| FieldError { pointer: pointer(&field), detail })
                    .collect(),
            ),
            AppError::Conflict(detail) | AppError::NotReady(detail) | AppError::Stopped(detail) => {
                Self::new(ProblemKind::Conflict, detail)
            }
            AppError::Forbidden(detail) => Self::new(ProblemKind::Forbidden, detail),
            AppError::Import(refusal) => refusal.into(),
            AppError::Store(error) => error.into(),
            AppError::Internal { .. } => Self::internal(error),
        }
    }
}

/// A field's name as a JSON pointer; pointers and parameters stay what they are.
fn pointer(field: &str) -> String {
    if field.starts_with('/') { field.to_owned() } else { format!("/{field}") }
}

impl From<actix_web::error::BlockingError> for ApiError {
    fn from(error: actix_web::error::BlockingError) -> Self {
        Self::internal(error)
    }
}
