//! Who calls, how often they may, and whether their role has the operation.
//!
//! Under `/api/` a bearer token in the Authorization header is needed (RFC 6750, section 2.1);
//! cookies mean nothing there, so no foreign page can act through a browser. Everywhere else a
//! session cookie, if there is a valid one, names the caller, and the pages decide what that
//! allows.

use actix_web::body::{BoxBody, MessageBody};
use actix_web::dev::{ServiceRequest, ServiceResponse};
use actix_web::http::header::AUTHORIZATION;
use actix_web::middleware::Next;
use actix_web::{Error, HttpMessage as _, ResponseError as _, web};
use hotspell_store::accounts::{self, AccountRecord, TokenRecord};
use hotspell_store::words::TokenScope;

use super::limit::{Allowance, Limiter};
use crate::api::access;
use crate::api::auth::session;
use crate::api::caller::Caller;
use crate::api::error::ApiError;
use crate::api::operations::Operations;
use crate::api::problem::ProblemKind;
use crate::api::transact;
use crate::app::token;
use crate::state::AppState;

/// Paths that answer a machine's questions about the service itself, never limited.
const PROBES: &[&str] = &["/livez", "/readyz"];

/// The middleware.
///
/// # Errors
/// Those of the inner service; refusals are answers.
pub async fn authenticate(
    state: web::Data<AppState>,
    operations: web::Data<Operations>,
    limiter: web::Data<Limiter>,
    request: ServiceRequest,
    next: Next<impl MessageBody + 'static>,
) -> Result<ServiceResponse<BoxBody>, Error> {
    let is_api = request.path().starts_with("/api/");
    let identity = if is_api {
        by_token(&state, &request).await
    } else {
        Ok(by_session(&state, &request).await)
    };
    // Who sends no or a wrong token is counted by address.
    let known = identity.as_ref().ok().copied().flatten();
    let name = known.map_or_else(|| address(&request), |caller| format!("a{}", caller.account));
    let allowance = (!PROBES.contains(&request.path())).then(|| limiter.take(&name, state.now()));
    if let Some(allowance) = allowance.filter(|allowance| !allowance.allowed) {
        let refusal = ApiError::new(
            ProblemKind::TooManyRequests,
            format!("At most {} requests a minute; try again later", allowance.quota),
        );
        return Ok(refuse(request, &refusal.with_retry_after(allowance.reset_s), Some(allowance)));
    }
    let caller = match identity {
        Ok(caller) => caller,
        Err(refusal) => return Ok(refuse(request, &refusal, allowance)),
    };
    if let Some(caller) = caller {
        request.extensions_mut().insert(caller);
        if is_api && let Err(refusal) = permit(&operations, &request, &caller) {
            return Ok(refuse(request, &refusal, allowance));
        }
    }
    let mut response = next.call(request).await?.map_into_boxed_body();
    if let Some(allowance) = allowance {
        allowance.tell(response.headers_mut());
    }
    Ok(response)
}

fn refuse(
    request: ServiceRequest,
    refusal: &ApiError,
    allowance: Option<Allowance>,
) -> ServiceResponse<BoxBody> {
    let mut response = refusal.error_response();
    if let Some(allowance) = allowance {
        allowance.tell(response.headers_mut());
    }
    request.into_response(response)
}

fn address(request: &ServiceRequest) -> String {
    request.peer_addr().map_or_else(|| "unknown".to_owned(), |peer| peer.ip().to_string())
}

/// Refuses an operation that the caller's role does not have. Paths and methods that are no
/// operation pass, and are answered with 404 or 405.
fn permit(
    operations: &Operations,
    request: &ServiceRequest,
    caller: &Caller,
) -> Result<(), ApiError> {
    let operation =
        operations.find(request.path()).and_then(|route| route.operation(request.method()));
    match operation {
        Some(id) if !access::roles(id).contains(&caller.role) => {
            Err(ApiError::new(ProblemKind::Forbidden, format!("A {} may not do this", caller.role)))
        }
        _ => Ok(()),
    }
}

/// The caller of a bearer token.
async fn by_token(state: &AppState, request: &ServiceRequest) -> Result<Option<Caller>, ApiError> {
    let refuse = |sent| {
        ApiError::new(ProblemKind::Unauthenticated, "Send a valid token as Authorization: Bearer …")
            .with_token_sent(sent)
    };
    let header = request.headers().get(AUTHORIZATION).ok_or_else(|| refuse(false))?;
    let text = header.to_str().map_err(|_| refuse(true))?;
    let sent = text
        .split_once(' ')
        .filter(|(scheme, _)| scheme.eq_ignore_ascii_case("bearer"))
        .map(|(_, sent)| sent.trim())
        .ok_or_else(|| refuse(false))?;
    match resolve(state, sent, TokenScope::Api).await? {
        Some(caller) => Ok(Some(caller)),
        None => Err(refuse(true)),
    }
}

/// The caller of a session cookie, if it holds. A database that fails shows as no session.
async fn by_session(state: &AppState, request: &ServiceRequest) -> Option<Caller> {
    let sent = request.cookie(session::COOKIE)?;
    match resolve(state, sent.value(), TokenScope::Session).await {
        Ok(caller) => caller,
        Err(error) => {
            tracing::warn!(%error, "session could not be looked up");
            None
        }
    }
}

/// Looks a token up and notes that it is used.
///
/// # Errors
/// Those of the database.
pub(crate) async fn resolve(
    state: &AppState,
    sent: &str,
    scope: TokenScope,
) -> Result<Option<Caller>, ApiError> {
    let (digest, now) = (token::digest(sent), state.now());
    let found =
        transact::read(state, move |conn| Ok(accounts::authenticate(conn, &digest, now)?)).await?;
    let Some((account, token)) = found.filter(|(_, token)| token.scope == scope) else {
        return Ok(None);
    };
    if token.last_used_at.is_none_or(|used| (now - used).num_seconds() > 60) {
        let id = token.id;
        transact::write(state, move |conn| Ok(accounts::note_token_use(conn, id, now)?)).await?;
    }
    Ok(Some(caller(&account, &token)))
}

fn caller(account: &AccountRecord, token: &TokenRecord) -> Caller {
    Caller {
        account: account.id,
        token: token.id,
        role: account.role,
        branch: account.branch_id,
        technician: account.technician_id,
        contact: account.contact_id,
    }
}
