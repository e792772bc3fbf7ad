//! A JSON body whose mistakes are told in the right order and with JSON pointers.

use std::future::Future;
use std::pin::Pin;

use actix_web::dev::Payload;
use actix_web::error::{JsonPayloadError, PayloadError};
use actix_web::http::header::CONTENT_TYPE;
use actix_web::{FromRequest, HttpRequest, web};
use serde::de::DeserializeOwned;
use serde_path_to_error::{Path, Segment};

use super::error::ApiError;
use super::extract::json_error;

/// A parsed body. Text that is no JSON is refused at once (400, 413, 415); JSON of a wrong shape
/// only when the handler asks, after it has looked whether the resource is there (404) and
/// whether the version fits (412, 428).
#[derive(Debug)]
pub(crate) struct Body<T>(Result<T, ApiError>);

impl<T> Body<T> {
    /// The value.
    ///
    /// # Errors
    /// 422 with a pointer to the member that is wrong, unknown or missing.
    pub(crate) fn value(self) -> Result<T, ApiError> {
        self.0
    }
}

impl<T: DeserializeOwned> FromRequest for Body<T> {
    type Error = actix_web::Error;
    type Future = Pin<Box<dyn Future<Output = Result<Self, actix_web::Error>>>>;

    fn from_request(request: &HttpRequest, payload: &mut Payload) -> Self::Future {
        let request = request.clone();
        let bytes = web::Bytes::from_request(&request, payload);
        Box::pin(async move {
            if !is_json(&request) {
                return Err(json_error(JsonPayloadError::ContentType, &request));
            }
            let bytes = bytes.await.map_err(|error| too_large(error, &request))?;
            // The whole text first: what is no JSON is a mistake of another kind than a member.
            if let Err(cause) = serde_json::from_slice::<serde::de::IgnoredAny>(&bytes) {
                return Err(json_error(JsonPayloadError::Deserialize(cause), &request));
            }
            let mut reader = serde_json::Deserializer::from_slice(&bytes);
            Ok(Self(serde_path_to_error::deserialize(&mut reader).map_err(|error| {
                let pointer = pointer(error.path());
                ApiError::field(pointer, sentence(error.inner()))
            })))
        })
    }
}

fn is_json(request: &HttpRequest) -> bool {
    request
        .headers()
        .get(CONTENT_TYPE)
        .and_then(|value| value.to_str().ok())
        .and_then(|value| value.split(';').next())
        .is_some_and(|media_type| media_type.trim().eq_ignore_ascii_case("application/json"))
}

/// A body that cannot be read, as a problem.
pub(crate) fn too_large(error: actix_web::Error, request: &HttpRequest) -> actix_web::Error {
    match error.as_error::<PayloadError>() {
        Some(PayloadError::Overflow) => {
            let limit = request
                .app_data::<web::Data<crate::state::AppState>>()
                .map_or(0, |state| state.config.server.body_limit_bytes);
            json_error(JsonPayloadError::Overflow { limit }, request)
        }
        _ => ApiError::new(super::problem::ProblemKind::MalformedRequest, error.to_string()).into(),
    }
}

/// A JSON pointer (RFC 6901).
fn pointer(path: &Path) -> String {
    path.iter().fold(String::new(), |mut text, segment| {
        text.push('/');
        match segment {
            Segment::Seq { index } => text.push_str(&index.to_string()),
            Segment::Map { key } => text.push_str(&key.replace('~', "~0").replace('/', "~1")),
            Segment::Enum { variant } => text.push_str(variant),
            Segment::Unknown => text.push('?'),
        }
        text
    })
}

/// The mistake without serde's line and column: the pointer says where.
fn sentence(error: &serde_json::Error) -> String {
    let text = error.to_string();
    text.rsplit_once(" at line ").map_or(text.clone(), |(sentence, _)| sentence.to_owned())
}

#[cfg(test)]
mod tests {
    use actix_web::http::StatusCode;
    use actix_web::test::TestRequest;
    use serde::Deserialize;

    use super::*;

    #[derive(Debug, Deserialize)]
    #[serde(deny_unknown_fields)]
    #[expect(dead_code, reason = "only the refusal is looked at")]
    struct Part {
        rating: Vec<f64>,
    }

    async fn read(body: &'static str, media_type: &str) -> Result<Body<Part>, actix_web::Error> {
        let (request, mut payload) = TestRequest::default()
            .insert_header((CONTENT_TYPE, media_type))
            .set_payload(body)
            .to_http_parts();
        Body::from_request(&request, &mut payload).await
    }

    #[actix_web::test]
    async fn a_wrong_member_is_named_by_a_json_pointer() {
        let error = read("{\"rating\": [1, \"x\"]}", "application/json").await.unwrap();
        let error = error.value().unwrap_err();
        assert_eq!(error.field_errors()[0].pointer, "/rating/1");
        assert!(!error.field_errors()[0].detail.contains("line"), "{error}");
    }

    #[actix_web::test]
    async fn an_unknown_member_is_refused() {
        let error = read("{\"rating\": [], \"colour\": 1}", "application/json").await.unwrap();
        let error = error.value().unwrap_err().to_string();
        assert!(error.contains("colour") && error.contains("rating"), "{error}");
    }

    #[actix_web::test]
    async fn what_is_no_json_is_refused_before_its_members() {
        let status = |error: actix_web::Error| error.as_response_error().status_code();
        let error = read("{\"rating\": [", "application/json; charset=utf-8").await.unwrap_err();
        assert_eq!(status(error), StatusCode::BAD_REQUEST);
        let error = read("rating=1", "application/x-www-form-urlencoded").await.unwrap_err();
        assert_eq!(status(error), StatusCode::UNSUPPORTED_MEDIA_TYPE);
    }
}
