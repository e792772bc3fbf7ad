//! How bodies, queries and paths are read, and how their mistakes are told.

use actix_web::error::{JsonPayloadError, PathError, QueryPayloadError};
use actix_web::{HttpRequest, web};

use super::error::ApiError;
use super::fallback::refusal;
use super::problem::ProblemKind;

/// The extractors' settings for the whole application.
#[derive(Clone)]
pub struct Extractors {
    /// JSON bodies.
    pub json: web::JsonConfig,
    /// Query strings of pages; those of the interface are read by [`super::query::Query`].
    pub query: web::QueryConfig,
    /// Path segments.
    pub path: web::PathConfig,
    /// Raw bodies (CSV).
    pub payload: web::PayloadConfig,
}

/// Settings that turn every mistake into a problem document.
#[must_use]
pub fn extractors(body_limit_bytes: usize) -> Extractors {
    Extractors {
        json: web::JsonConfig::default().limit(body_limit_bytes).error_handler(json_error),
        query: web::QueryConfig::default().error_handler(|error, _: &HttpRequest| {
            let detail = match error {
                QueryPayloadError::Deserialize(cause) => format!("Query: {cause}"),
                other => format!("Query: {other}"),
            };
            ApiError::new(ProblemKind::MalformedRequest, detail).into()
        }),
        path: web::PathConfig::default().error_handler(|error, request: &HttpRequest| {
            match error {
                // A word where a number belongs may be the path of an action.
                PathError::Deserialize(_) => refusal(request).into(),
                other => ApiError::new(ProblemKind::NotFound, other.to_string()).into(),
            }
        }),
        payload: web::PayloadConfig::new(body_limit_bytes),
    }
}

/// A body that cannot be read as JSON, as a problem.
pub(crate) fn json_error(error: JsonPayloadError, _: &HttpRequest) -> actix_web::Error {
    let (kind, detail) = match &error {
        JsonPayloadError::ContentType => {
            (ProblemKind::UnsupportedMediaType, "Send the body as application/json".to_owned())
        }
        JsonPayloadError::Overflow { limit }
        | JsonPayloadError::OverflowKnownLength { limit, .. } => {
            (ProblemKind::PayloadTooLarge, format!("The body may have {limit} bytes"))
        }
        JsonPayloadError::Deserialize(cause) if cause.is_data() => {
            (ProblemKind::InvalidInput, cause.to_string())
        }
        JsonPayloadError::Deserialize(cause) => {
            (ProblemKind::MalformedRequest, format!("The body is no JSON: {cause}"))
        }
        other => (ProblemKind::MalformedRequest, other.to_string()),
    };
    ApiError::new(kind, detail).into()
}
