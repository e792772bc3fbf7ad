//! What a client would rather have (RFC 7240).

use actix_web::HttpRequest;
use actix_web::http::header::HeaderName;

const PREFER: HeaderName = HeaderName::from_static("prefer");
/// Names the preference that was followed.
pub(crate) const APPLIED: HeaderName = HeaderName::from_static("preference-applied");
/// The preference for an answer before the work is done.
pub(crate) const RESPOND_ASYNC: &str = "respond-async";
/// How the header is described in the document.
pub(crate) const DESCRIPTION: &str = "`respond-async` (RFC 7240): answer 202 at once with the run that \
     does the work. Other preferences are ignored.";

/// Whether the client asks for an answer before the work is done. Preferences that are not known,
/// and their parameters, are ignored, as the standard has it.
pub(crate) fn asynchronous(request: &HttpRequest) -> bool {
    request
        .headers()
        .get_all(PREFER)
        .filter_map(|value| value.to_str().ok())
        .flat_map(|value| value.split(','))
        .filter_map(|preference| preference.split(';').next())
        .any(|name| name.trim().eq_ignore_ascii_case(RESPOND_ASYNC))
}

#[cfg(test)]
mod tests {
    use actix_web::test::TestRequest;

    use super::*;

    #[test]
    fn the_preference_is_found_among_others_and_nothing_else_is_taken_for_it() {
        let asked = |value: &str| {
            asynchronous(&TestRequest::default().insert_header((PREFER, value)).to_http_request())
        };
        // The examples of RFC 7240, sections 2 and 4.1.
        assert!(asked("respond-async"));
        assert!(asked("respond-async, wait=100"));
        assert!(asked("Lenient, Respond-Async; foo=1"));
        assert!(!asked("return=minimal"));
        assert!(!asked("foo; respond-async"));
        assert!(!asynchronous(&TestRequest::default().to_http_request()));
    }
}
