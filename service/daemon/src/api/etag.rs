//! Versions as strong entity tags (RFC 9110, sections 8.8.3 and 13.1.1).

use actix_web::HttpRequest;
use actix_web::http::header::{
    ETag, EntityTag, Header as _, IF_MATCH, IF_NONE_MATCH, IfMatch, IfNoneMatch,
};

use super::error::ApiError;
use super::problem::ProblemKind;

/// The tag of a version.
#[must_use]
pub fn tag(version: i64) -> ETag {
    ETag(EntityTag::new_strong(version.to_string()))
}

/// Which version a change is based on.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Expected {
    /// `If-Match: *`: whatever is there.
    Any,
    /// One of these.
    OneOf(Vec<i64>),
}

impl Expected {
    /// Whether the present version is one of those named.
    ///
    /// # Errors
    /// 412 when it is not.
    pub fn check(&self, present: i64) -> Result<i64, ApiError> {
        match self {
            Self::Any => Ok(present),
            Self::OneOf(versions) if versions.contains(&present) => Ok(present),
            Self::OneOf(_) => Err(ApiError::new(
                ProblemKind::StaleVersion,
                format!("The present version is \"{present}\"; read it again, then change it"),
            )),
        }
    }
}

/// Reads `If-Match`, which every change must carry.
///
/// # Errors
/// 428 when it is missing (RFC 6585, section 3), 400 when it is malformed.
pub fn expected(request: &HttpRequest) -> Result<Expected, ApiError> {
    // A missing header parses as an empty list, so presence is asked first.
    if !request.headers().contains_key(IF_MATCH) {
        return Err(ApiError::new(
            ProblemKind::PreconditionRequired,
            "Send If-Match with the ETag of the version that was read",
        ));
    }
    let header = IfMatch::parse(request).map_err(|error| {
        ApiError::new(ProblemKind::MalformedRequest, format!("If-Match: {error}"))
    })?;
    Ok(match header {
        IfMatch::Any => Expected::Any,
        // What is no tag parses as an empty list too.
        IfMatch::Items(tags) if tags.is_empty() => {
            return Err(ApiError::new(
                ProblemKind::MalformedRequest,
                "If-Match: expected an entity tag in quotes such as \"3\", or *",
            ));
        }
        IfMatch::Items(tags) => Expected::OneOf(
            tags.iter().filter(|tag| !tag.weak).filter_map(|tag| tag.tag().parse().ok()).collect(),
        ),
    })
}

/// Reads `If-Match` where it may be left out: then whatever is there is meant.
///
/// # Errors
/// 400 when it is malformed.
pub fn expected_if_sent(request: &HttpRequest) -> Result<Expected, ApiError> {
    if request.headers().contains_key(IF_MATCH) { expected(request) } else { Ok(Expected::Any) }
}

/// Whether the client already has this version (`If-None-Match` by weak comparison, RFC 9110,
/// section 13.1.2).
#[must_use]
pub fn known(request: &HttpRequest, version: i64) -> bool {
    let present = EntityTag::new_strong(version.to_string());
    request.headers().contains_key(IF_NONE_MATCH)
        && IfNoneMatch::parse(request).is_ok_and(|header| match header {
            IfNoneMatch::Any => true,
            IfNoneMatch::Items(tags) => tags.iter().any(|tag| tag.weak_eq(&present)),
        })
}

#[cfg(test)]
mod tests {
    use actix_web::test::TestRequest;

    use super::*;

    #[test]
    fn a_change_without_if_match_is_refused_as_428() {
        let request = TestRequest::default().to_http_request();
        assert_eq!(expected(&request).unwrap_err().kind(), ProblemKind::PreconditionRequired);
    }

    #[test]
    fn an_old_version_is_refused_as_412_and_a_weak_tag_never_fits() {
        let request = TestRequest::default().insert_header((IF_MATCH, "\"3\"")).to_http_request();
        let named = expected(&request).unwrap();
        assert_eq!(named.check(3).unwrap(), 3);
        assert_eq!(named.check(4).unwrap_err().kind(), ProblemKind::StaleVersion);
        let weak = TestRequest::default().insert_header((IF_MATCH, "W/\"3\"")).to_http_request();
        assert!(expected(&weak).unwrap().check(3).is_err());
    }

    #[test]
    fn a_client_that_has_the_version_need_not_read_it_again() {
        let request =
            TestRequest::default().insert_header((IF_NONE_MATCH, "W/\"3\"")).to_http_request();
        assert!(known(&request, 3) && !known(&request, 4));
        assert!(!known(&TestRequest::default().to_http_request(), 3));
    }
}
