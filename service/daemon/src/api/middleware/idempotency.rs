//! POST requests that may be sent again (draft-ietf-httpapi-idempotency-key-header).
//!
//! A key is taken before the handler runs. What is created keeps its answer in the transaction of
//! its own changes ([`Ticket::keep_created`]), so that no crash comes between them; other answers
//! are kept after the handler, and a process that dies in between leaves a key that stays
//! «running» until it is forgotten: the client learns by 409 that it must look before it tries
//! anew under another key. Refusals are kept like successes, faults of the service are not, and
//! of an answer that says `no-store` only that it was given.

use actix_web::body::{BoxBody, MessageBody, to_bytes};
use actix_web::dev::{ServiceRequest, ServiceResponse};
use actix_web::http::header::{
    CACHE_CONTROL, CONTENT_TYPE, ETAG, HeaderName, HeaderValue, LOCATION,
};
use actix_web::http::{Method, StatusCode};
use actix_web::middleware::Next;
use actix_web::{
    Error, HttpMessage as _, HttpResponse, HttpResponseBuilder, ResponseError as _, web,
};
use hotspell_domain::AccountId;
use hotspell_store::AnyConnection;
use hotspell_store::idempotency::{self, Repeated, StoredAnswer};
use serde::Serialize;
use sha2::{Digest as _, Sha256};

use crate::api::body::too_large;
use crate::api::caller::Caller;
use crate::api::error::ApiError;
use crate::api::problem::ProblemKind;
use crate::api::transact;
use crate::app::record::hex;
use crate::state::AppState;

const KEY: HeaderName = HeaderName::from_static("idempotency-key");
const REPLAYED: HeaderName = HeaderName::from_static("idempotency-replayed");
/// Headers that belong to the answer itself.
const KEPT: [HeaderName; 3] = [CONTENT_TYPE, LOCATION, ETAG];
const LENGTH_MAX: usize = 200;

tokio::task_local! {
    static TICKET: Ticket;
}

/// The key that a request took.
#[derive(Debug, Clone)]
pub(crate) struct Ticket {
    account: AccountId,
    key: String,
}

/// The key that the present request took, if it sent one.
pub(crate) fn ticket() -> Option<Ticket> {
    TICKET.try_with(Clone::clone).ok()
}

impl Ticket {
    /// Keeps the answer to a creation.
    pub(crate) fn keep_created<T: Serialize>(
        &self,
        conn: &mut AnyConnection,
        location: &str,
        version: Option<i64>,
        body: &T,
    ) -> Result<(), ApiError> {
        let mut headers = vec![(LOCATION.as_str(), location.to_owned())];
        headers.extend(version.map(|version| (ETAG.as_str(), format!("\"{version}\""))));
        self.keep(conn, StatusCode::CREATED, headers, body)
    }

    /// Keeps the answer to changes that made no single thing.
    pub(crate) fn keep_done<T: Serialize>(
        &self,
        conn: &mut AnyConnection,
        body: &T,
    ) -> Result<(), ApiError> {
        self.keep(conn, StatusCode::OK, Vec::new(), body)
    }

    fn keep<T: Serialize>(
        &self,
        conn: &mut AnyConnection,
        status: StatusCode,
        mut headers: Vec<(&str, String)>,
        body: &T,
    ) -> Result<(), ApiError> {
        headers.push((CONTENT_TYPE.as_str(), "application/json".to_owned()));
        let answer = StoredAnswer {
            status: i32::from(status.as_u16()),
            headers: Some(serde_json::to_string(&headers).map_err(ApiError::internal)?),
            body: Some(serde_json::to_string(body).map_err(ApiError::internal)?),
        };
        Ok(idempotency::complete(conn, self.account, &self.key, &answer)?)
    }
}

/// The middleware.
///
/// # Errors
/// Those of the inner service; refusals are answers.
pub async fn once(
    state: web::Data<AppState>,
    mut request: ServiceRequest,
    next: Next<impl MessageBody + 'static>,
) -> Result<ServiceResponse<BoxBody>, Error> {
    let caller = request.extensions().get::<Caller>().copied();
    let (Some(caller), Some(header)) = (caller, request.headers().get(KEY).cloned()) else {
        return Ok(next.call(request).await?.map_into_boxed_body());
    };
    if request.method() != Method::POST {
        return Ok(next.call(request).await?.map_into_boxed_body());
    }
    let key = match quoted(&header) {
        Ok(key) => key,
        Err(refusal) => return Ok(request.into_response(refusal.error_response())),
    };
    let body = match request.extract::<web::Bytes>().await {
        Ok(body) => body,
        Err(error) => {
            let refusal = too_large(error, request.request());
            return Ok(request.into_response(refusal.error_response()));
        }
    };
    let digest = digest(&request, &body);
    request.set_payload(body.into());
    let begun = {
        let (key, now) = (key.clone(), state.now());
        transact::write(&state, move |conn| {
            let (branch, account) = (caller.branch, caller.account);
            Ok(idempotency::begin(conn, branch, account, &key, &digest, now)?)
        })
        .await
    };
    let refusal = match begun {
        Ok(Repeated::New) => return run(&state, caller, key, request, next).await,
        Ok(Repeated::Answered(answer)) => return Ok(request.into_response(replay(answer))),
        Ok(Repeated::Running) => {
            ApiError::new(ProblemKind::Conflict, "The first request with this key is still running")
        }
        Ok(Repeated::OtherRequest) => ApiError::new(
            ProblemKind::InvalidInput,
            "This Idempotency-Key was used for another request; take a new one",
        ),
        Err(error) => error,
    };
    Ok(request.into_response(refusal.error_response()))
}

/// The key of a quoted string (RFC 8941, section 3.3.3).
fn quoted(header: &HeaderValue) -> Result<String, ApiError> {
    header
        .to_str()
        .ok()
        .and_then(|text| text.strip_prefix('"')?.strip_suffix('"'))
        .filter(|key| (1..=LENGTH_MAX).contains(&key.len()))
        .filter(|key| key.bytes().all(|b| (0x21..=0x7e).contains(&b) && b != b'"' && b != b'\\'))
        .map(str::to_owned)
        .ok_or_else(|| {
            ApiError::new(
                ProblemKind::MalformedRequest,
                "Idempotency-Key: expected a quoted string of 1 to 200 visible characters such as \
                 \"7f0c2a4e-3b1d-4a8e-9d55-0c7a3b8e21f4\"",
            )
        })
}

/// What makes two requests the same: method, path, query, media type and body.
fn digest(request: &ServiceRequest, body: &[u8]) -> String {
    let mut hash = Sha256::new();
    let media_type = request.headers().get(CONTENT_TYPE).map_or(&b""[..], |v| v.as_bytes());
    for part in [request.method().as_str(), request.path(), request.query_string()] {
        hash.update(part.as_bytes());
        hash.update([0]);
    }
    hash.update(media_type);
    hash.update([0]);
    hash.update(body);
    hex(&hash.finalize())
}

/// Runs the request for the first time and keeps its answer.
async fn run(
    state: &AppState,
    caller: Caller,
    key: String,
    request: ServiceRequest,
    next: Next<impl MessageBody + 'static>,
) -> Result<ServiceResponse<BoxBody>, Error> {
    let ticket = Ticket { account: caller.account, key: key.clone() };
    let (request, response) = match TICKET.scope(ticket, next.call(request)).await {
        Ok(response) => response.into_parts(),
        Err(error) => {
            abandon(state, caller, key).await?;
            return Err(error);
        }
    };
    if response.status().is_server_error() {
        abandon(state, caller, key).await?;
        return Ok(ServiceResponse::new(request, response.map_into_boxed_body()));
    }
    let (head, body) = response.into_parts();
    let body = to_bytes(body).await.map_err(|error| {
        let error: Box<dyn std::error::Error> = error.into();
        ApiError::internal(error.to_string())
    })?;
    let headers: Vec<(String, String)> = KEPT
        .iter()
        .filter_map(|name| {
            let value = head.headers().get(name)?.to_str().ok()?;
            Some((name.as_str().to_owned(), value.to_owned()))
        })
        .collect();
    let is_secret =
        head.headers().get(CACHE_CONTROL).is_some_and(|value| value.as_bytes() == b"no-store");
    let answer = if is_secret {
        shown_once()
    } else {
        StoredAnswer {
            status: i32::from(head.status().as_u16()),
            headers: Some(serde_json::to_string(&headers).map_err(ApiError::internal)?),
            body: Some(String::from_utf8_lossy(&body).into_owned()),
        }
    };
    transact::write(state, move |conn| {
        Ok(idempotency::complete(conn, caller.account, &key, &answer)?)
    })
    .await?;
    Ok(ServiceResponse::new(request, head.set_body(BoxBody::new(body))))
}

/// What a repeated request gets when the answer held a secret, which is never stored.
fn shown_once() -> StoredAnswer {
    let refusal = ApiError::new(
        ProblemKind::Conflict,
        "This was done before, and its secret is shown once; revoke it and make another",
    );
    let headers = [(CONTENT_TYPE.as_str(), "application/problem+json")];
    StoredAnswer {
        status: i32::from(refusal.status_code().as_u16()),
        headers: serde_json::to_string(&headers).ok(),
        body: serde_json::to_string(&refusal.problem()).ok(),
    }
}

async fn abandon(state: &AppState, caller: Caller, key: String) -> Result<(), ApiError> {
    transact::write(state, move |conn| Ok(idempotency::abandon(conn, caller.account, &key)?)).await
}

/// The kept answer again, marked as such.
fn replay(answer: StoredAnswer) -> HttpResponse {
    let status = u16::try_from(answer.status).ok().and_then(|code| StatusCode::from_u16(code).ok());
    let mut response = HttpResponseBuilder::new(status.unwrap_or(StatusCode::OK));
    let headers = answer.headers.as_deref().unwrap_or("[]");
    for (name, value) in serde_json::from_str::<Vec<(String, String)>>(headers).unwrap_or_default()
    {
        response.insert_header((name, value));
    }
    response.insert_header((REPLAYED, "true"));
    response.body(answer.body.unwrap_or_default())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_key_is_a_quoted_string() {
        let read = |text: &'static str| quoted(&HeaderValue::from_static(text));
        assert_eq!(read("\"abc-1\"").unwrap(), "abc-1");
        for text in ["abc", "\"\"", "\"a b\"", "\"a\"b\"", "\"", ""] {
            assert!(read(text).is_err(), "{text}");
        }
    }
}
