//! Sessions of the pages: a random token in a cookie, its digest in the tokens table.
//!
//! Signing in makes a new token, signing out revokes it; the cookie is HttpOnly and
//! SameSite=Lax, and Secure when the service is reached by https. Forms carry a second token
//! derived from the first, which a foreign page cannot know.

use actix_web::HttpRequest;
use actix_web::cookie::time::Duration as CookieDuration;
use actix_web::cookie::{Cookie, SameSite};
use chrono::TimeDelta;
use hmac::{Hmac, KeyInit as _, Mac as _};
use hotspell_domain::AccountId;
use hotspell_store::Page;
use hotspell_store::accounts::{self, AccountRecord, NewToken};
use hotspell_store::words::TokenScope;
use sha2::Sha256;

use super::password;
use crate::api::caller::Caller;
use crate::api::error::ApiError;
use crate::api::middleware::authenticate::resolve;
use crate::api::middleware::limit::Limiter;
use crate::api::problem::ProblemKind;
use crate::api::transact::{read, write};
use crate::app::record::hex;
use crate::app::token;
use crate::state::AppState;

/// Name of the cookie.
pub const COOKIE: &str = "hotspell_session";
/// Name of the form field that [`form_token`] fills.
pub const FORM_FIELD: &str = "form_token";
/// A session ends after so many hours, used or not: a long working day.
const HOURS: i64 = 14;
/// Attempts to sign in a minute for one mail address.
const ATTEMPTS: u32 = 10;

/// Counts attempts to sign in, so that passwords cannot be tried at will.
#[derive(Debug)]
pub struct SignIns(Limiter);

impl Default for SignIns {
    fn default() -> Self {
        Self(Limiter::new(ATTEMPTS))
    }
}

/// Signs in by mail address and password.
///
/// # Errors
/// 401 with the same words whether the address or the password is wrong; 429 after too many
/// attempts for one address.
pub async fn sign_in(
    state: &AppState,
    attempts: &SignIns,
    email: &str,
    password: &str,
) -> Result<(Cookie<'static>, AccountRecord), ApiError> {
    let email = email.trim().to_lowercase();
    let password = password.to_owned();
    let allowance = attempts.0.take(&email, state.now());
    if !allowance.allowed {
        return Err(ApiError::new(
            ProblemKind::TooManyRequests,
            format!("Too many attempts; wait {} seconds", allowance.reset_s),
        )
        .with_retry_after(allowance.reset_s));
    }
    let account = read(state, move |conn| {
        let candidates = accounts::find_by_email_anywhere(conn, &email)?;
        // The address may be known in several branches; the password tells which is meant.
        let mut known: Vec<AccountRecord> =
            candidates.into_iter().filter(|account| !account.disabled).collect();
        known.retain(|account| account.password_hash.is_some());
        if known.is_empty() {
            // An unknown address takes as long as a known one.
            password::spend(&password);
        }
        Ok(known.into_iter().find(|account| {
            account.password_hash.as_deref().is_some_and(|hash| password::fits(&password, hash))
        }))
    })
    .await?
    .ok_or_else(wrong)?;
    let cookie = open(state, &account, "signed in with password").await?;
    Ok((cookie, account))
}

/// Signs in by an access token, such as the one that the demo prints.
///
/// # Errors
/// 401 when the token does not hold.
pub async fn sign_in_with_token(
    state: &AppState,
    sent: &str,
) -> Result<(Cookie<'static>, AccountRecord), ApiError> {
    let caller = resolve(state, sent.trim(), TokenScope::Api).await?.ok_or_else(wrong)?;
    let account =
        read(state, move |conn| Ok(accounts::find(conn, caller.branch, caller.account)?)).await?;
    let cookie = open(state, &account, "signed in with token").await?;
    Ok((cookie, account))
}

fn wrong() -> ApiError {
    ApiError::new(ProblemKind::Unauthenticated, "Address, password or token is wrong")
}

async fn open(
    state: &AppState,
    account: &AccountRecord,
    label: &'static str,
) -> Result<Cookie<'static>, ApiError> {
    let secret = token::generate().map_err(ApiError::internal)?;
    let (branch, now) = (account.branch_id, state.now());
    let new = NewToken {
        account_id: account.id,
        digest: token::digest(&secret),
        label: label.to_owned(),
        scope: TokenScope::Session,
        expires_at: Some(now + TimeDelta::hours(HOURS)),
    };
    write(state, move |conn| Ok(accounts::insert_token(conn, branch, &new, now)?)).await?;
    Ok(cookie(state, secret, CookieDuration::hours(HOURS)))
}

fn cookie(state: &AppState, value: String, age: CookieDuration) -> Cookie<'static> {
    Cookie::build(COOKIE, value)
        .path("/")
        .http_only(true)
        .same_site(SameSite::Lax)
        .secure(state.config.server.public_url.starts_with("https://"))
        .max_age(age)
        .finish()
}

/// Signs out: the session ends here, not only in the browser. The answer carries the cookie that
/// takes the old one away.
///
/// # Errors
/// Those of the database.
pub async fn sign_out(state: &AppState, caller: &Caller) -> Result<Cookie<'static>, ApiError> {
    let (caller, now) = (*caller, state.now());
    write(state, move |conn| Ok(accounts::revoke_token(conn, caller.branch, caller.token, now)?))
        .await?;
    Ok(cookie(state, String::new(), CookieDuration::ZERO))
}

/// Ends every session and token of an account, as after a changed password.
///
/// # Errors
/// Those of the database.
pub async fn end_all(
    state: &AppState,
    caller: &Caller,
    account: AccountId,
) -> Result<(), ApiError> {
    let (branch, now) = (caller.branch, state.now());
    write(state, move |conn| {
        for token in accounts::tokens_of(conn, branch, account, Page::everything())? {
            if token.revoked_at.is_none() {
                accounts::revoke_token(conn, branch, token.id, now)?;
            }
        }
        Ok(())
    })
    .await
}

/// The token that every form of a session carries in the field [`FORM_FIELD`]; nothing without a
/// session.
#[must_use]
pub fn form_token(request: &HttpRequest) -> Option<String> {
    Some(hex(&mac(request.cookie(COOKIE)?.value())?.finalize().into_bytes()))
}

/// Checks the token that came with a form, in constant time.
///
/// # Errors
/// 403 when it is missing or of another session.
pub fn check_form_token(request: &HttpRequest, sent: Option<&str>) -> Result<(), ApiError> {
    let fits = || {
        let sent = unhex(sent?)?;
        let cookie = request.cookie(COOKIE)?;
        mac(cookie.value())?.verify_slice(&sent).ok()
    };
    fits().ok_or_else(|| {
        ApiError::new(ProblemKind::Forbidden, "This form is out of date; load the page again")
    })
}

fn mac(session: &str) -> Option<Hmac<Sha256>> {
    let mut mac = Hmac::<Sha256>::new_from_slice(session.as_bytes()).ok()?;
    mac.update(b"hotspell form");
    Some(mac)
}

fn unhex(text: &str) -> Option<Vec<u8>> {
    if !text.len().is_multiple_of(2) || !text.is_ascii() {
        return None;
    }
    (0..text.len())
        .step_by(2)
        .map(|at| u8::from_str_radix(text.get(at..at + 2)?, 16).ok())
        .collect()
}

#[cfg(test)]
mod tests {
    use actix_web::test::TestRequest;

    use super::*;

    fn with(session: &str) -> HttpRequest {
        TestRequest::default().cookie(Cookie::new(COOKIE, session.to_owned())).to_http_request()
    }

    #[test]
    fn a_form_of_another_session_is_refused() {
        let token = form_token(&with("one")).unwrap();
        check_form_token(&with("one"), Some(&token)).unwrap();
        assert!(check_form_token(&with("two"), Some(&token)).is_err());
        assert!(check_form_token(&with("one"), Some("zz")).is_err());
        assert!(check_form_token(&with("one"), None).is_err());
        assert!(form_token(&TestRequest::default().to_http_request()).is_none());
    }
}
