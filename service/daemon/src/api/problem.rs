//! Problem details: one row per kind of refusal (RFC 9457).

use actix_web::http::StatusCode;
use serde::Serialize;
use utoipa::ToSchema;

macro_rules! problems {
    ($($(#[$doc:meta])* $variant:ident, $slug:literal, $status:ident, $title:literal;)+) => {
        /// What kind of refusal it is.
        #[derive(Debug, Clone, Copy, PartialEq, Eq)]
        pub enum ProblemKind { $($(#[$doc])* $variant),+ }

        impl ProblemKind {
            /// Every kind.
            pub const ALL: &'static [Self] = &[$(Self::$variant),+];

            /// Last part of the `type` member.
            #[must_use]
            pub const fn slug(self) -> &'static str {
                match self { $(Self::$variant => $slug),+ }
            }

            /// HTTP status.
            #[must_use]
            pub const fn status(self) -> StatusCode {
                match self { $(Self::$variant => StatusCode::$status),+ }
            }

            /// The same short sentence each time.
            #[must_use]
            pub const fn title(self) -> &'static str {
                match self { $(Self::$variant => $title),+ }
            }
        }
    };
}

problems! {
    /// The text cannot be parsed.
    MalformedRequest, "malformed-request", BAD_REQUEST, "The request could not be parsed";
    /// No or no valid token.
    Unauthenticated, "unauthenticated", UNAUTHORIZED, "A valid access token is needed";
    /// The token does not reach this.
    Forbidden, "forbidden", FORBIDDEN, "The token's role does not allow this";
    /// Nothing there.
    NotFound, "not-found", NOT_FOUND, "There is no such resource";
    /// The path exists under other methods.
    MethodNotAllowed, "method-not-allowed", METHOD_NOT_ALLOWED, "The resource does not support this method";
    /// A clash with stored state.
    Conflict, "conflict", CONFLICT, "The request does not fit the stored state";
    /// The version in If-Match is not the present one.
    StaleVersion, "stale-version", PRECONDITION_FAILED, "The resource has changed since it was read";
    /// If-Match is missing.
    PreconditionRequired, "precondition-required", PRECONDITION_REQUIRED, "The change must name the version it is based on";
    /// The body is too large.
    PayloadTooLarge, "payload-too-large", PAYLOAD_TOO_LARGE, "The request body is too large";
    /// The body has another media type.
    UnsupportedMediaType, "unsupported-media-type", UNSUPPORTED_MEDIA_TYPE, "The request body's media type is not supported";
    /// Parsed, but not valid.
    InvalidInput, "invalid-input", UNPROCESSABLE_ENTITY, "The request is well formed but not valid";
    /// Too many requests.
    TooManyRequests, "too-many-requests", TOO_MANY_REQUESTS, "Too many requests";
    /// A fault of the service.
    Internal, "internal", INTERNAL_SERVER_ERROR, "The service failed";
    /// The service cannot answer at present.
    Unavailable, "unavailable", SERVICE_UNAVAILABLE, "The service cannot answer now";
}

/// One wrong field of a request.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, ToSchema)]
pub struct FieldError {
    /// JSON pointer (RFC 6901) into the body, or the name of a query parameter; for imports
    /// `/rows/ROW/COLUMN`.
    #[schema(example = "/microfarads")]
    pub pointer: String,
    /// What is wrong and what was expected.
    #[schema(example = "-3 is outside 0 to 500 uF for capacitance")]
    pub detail: String,
}

/// The body of every refusal (RFC 9457, `application/problem+json`).
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct Problem {
    /// `/problems/SLUG`: what kind of refusal it is.
    #[serde(rename = "type")]
    #[schema(example = "/problems/invalid-input")]
    pub kind: String,
    /// The same short sentence for each kind.
    #[schema(example = "The request is well formed but not valid")]
    pub title: String,
    /// HTTP status.
    #[schema(example = 422)]
    pub status: u16,
    /// What happened in this case, for a person.
    #[schema(example = "One field is wrong")]
    pub detail: String,
    /// Names this answer; quote it when asking for help.
    #[schema(example = "urn:uuid:0198c6ff-5b0c-7000-8000-000000000000")]
    pub instance: String,
    /// Wrong fields, if the refusal is about fields.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    #[schema(required = false)]
    pub errors: Vec<FieldError>,
}

#[cfg(test)]
mod tests {
    use std::collections::BTreeSet;

    use super::*;

    #[test]
    fn every_problem_has_its_own_slug() {
        let slugs: BTreeSet<_> = ProblemKind::ALL.iter().map(|kind| kind.slug()).collect();
        assert_eq!(slugs.len(), ProblemKind::ALL.len());
    }
}
