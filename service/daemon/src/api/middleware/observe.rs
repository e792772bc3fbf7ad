//! Names, times and logs each request, and adds the headers that protect its answer.
//!
//! Never logged: paths as they were sent (a link in a mail is a secret), queries, headers, bodies,
//! addresses.

use std::time::Instant;

use actix_web::body::MessageBody;
use actix_web::dev::{ServiceRequest, ServiceResponse};
use actix_web::http::header::{self, HeaderMap, HeaderName, HeaderValue};
use actix_web::middleware::Next;
use actix_web::{Error, HttpMessage as _, web};
use uuid::Uuid;

use crate::api::caller::Caller;
use crate::api::operations::Operations;

tokio::task_local! {
    static REQUEST: Uuid;
}

const REQUEST_ID: HeaderName = HeaderName::from_static("x-request-id");

/// The id of the request that this task is answering; a new one outside of any request.
#[must_use]
pub fn request_id() -> Uuid {
    REQUEST.try_with(|id| *id).unwrap_or_else(|_| Uuid::now_v7())
}

/// The middleware.
///
/// # Errors
/// Those of the inner service.
pub async fn observe(
    operations: web::Data<Operations>,
    request: ServiceRequest,
    next: Next<impl MessageBody>,
) -> Result<ServiceResponse<impl MessageBody>, Error> {
    let id = Uuid::now_v7();
    let started = Instant::now();
    let method = request.method().clone();
    let is_api = request.path().starts_with("/api/");
    let is_docs = request.path().starts_with("/docs");
    let route = operations
        .find(request.path())
        .map(|route| route.template().to_owned())
        .or_else(|| request.match_pattern());
    let mut response = REQUEST.scope(id, next.call(request)).await?;
    let headers = response.headers_mut();
    if let Ok(value) = HeaderValue::from_str(&id.to_string()) {
        headers.insert(REQUEST_ID, value);
    }
    protect(headers, is_api, is_docs);
    let account = response.request().extensions().get::<Caller>().map(|caller| caller.account.0);
    let micros = u64::try_from(started.elapsed().as_micros()).unwrap_or(u64::MAX);
    tracing::info!(
        request.id = %id,
        http.method = %method,
        http.route = route.as_deref().unwrap_or("(none)"),
        http.status = response.status().as_u16(),
        account.id = account,
        duration_us = micros,
        "request"
    );
    Ok(response)
}

/// What pages may load and do.
const PAGES_POLICY: &str = "default-src 'none'; style-src 'self'; script-src 'self'; \
    img-src 'self' data:; connect-src 'self'; manifest-src 'self'; worker-src 'self'; \
    form-action 'self'; frame-ancestors 'none'; base-uri 'none'";

/// The policy of a page that shows pictures of one other origin besides.
#[must_use]
pub(crate) fn policy_with_pictures_of(origin: &str) -> String {
    PAGES_POLICY.replace("img-src 'self' data:", &format!("img-src 'self' data: {origin}"))
}

/// Policies for browsers. An answer that brings its own keeps it.
fn protect(headers: &mut HeaderMap, is_api: bool, is_docs: bool) {
    let policy = if is_api {
        "default-src 'none'; frame-ancestors 'none'"
    } else if is_docs {
        // Swagger UI writes style attributes.
        "default-src 'self'; img-src 'self' data:; style-src 'self' 'unsafe-inline'; \
         frame-ancestors 'none'; base-uri 'none'"
    } else {
        PAGES_POLICY
    };
    let mut set = |name: HeaderName, value: &'static str| {
        if !headers.contains_key(&name) {
            headers.insert(name, HeaderValue::from_static(value));
        }
    };
    set(header::CONTENT_SECURITY_POLICY, policy);
    set(header::X_CONTENT_TYPE_OPTIONS, "nosniff");
    // Links in mail hold secrets.
    set(header::REFERRER_POLICY, "no-referrer");
    set(header::X_FRAME_OPTIONS, "DENY");
    if is_api {
        set(header::CACHE_CONTROL, "private, no-cache");
    }
}
