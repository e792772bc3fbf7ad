//! Access tokens of an account: made, shown once, taken back.
//!
//! What the reader must decide: which program holds which token, is it still used, and may it go on?
//! So each row says its label, its last use and its end, and has one button that takes it back.

use actix_web::{HttpRequest, HttpResponse, web};
use chrono::{DateTime, NaiveTime, Utc};
use chrono_tz::Tz;
use hotspell_domain::AccountId;
use hotspell_domain::local_time::{instant, local_day};
use hotspell_store::accounts::{self as rows, TokenRecord};
use hotspell_store::branches;
use hotspell_store::words::{TokenId, TokenScope};

use super::accounts::{PATH, View, page};
use super::kept;
use crate::api::error::ApiError;
use crate::api::handlers::accounts as api;
use crate::api::transact::write;
use crate::api::types::accounts::TokenInput;
use crate::app::token;
use crate::pages::edit::{Field, Reading, Refused, field_name, refusal};
use crate::pages::forms::SessionForm;
use crate::pages::refusal::{PageError, blocking};
use crate::pages::visitor::Office;
use crate::pages::words;
use crate::state::AppState;

/// A token that holds.
pub(super) struct TokenRow {
    pub(super) id: i64,
    pub(super) label: String,
    pub(super) what: &'static str,
    pub(super) used: String,
    pub(super) until: String,
    /// The session in which the page is read.
    pub(super) own: bool,
}

/// The tokens that hold, newest first, and how many do not any more.
pub(super) fn rows(
    tokens: Vec<TokenRecord>,
    own: TokenId,
    now: DateTime<Utc>,
    zone: Tz,
) -> (Vec<TokenRow>, usize) {
    let all = tokens.len();
    let day = |at: DateTime<Utc>| words::past(local_day(at, zone));
    let mut held: Vec<TokenRow> = tokens
        .into_iter()
        .filter(|token| token.revoked_at.is_none() && token.expires_at.is_none_or(|end| end > now))
        .map(|token| TokenRow {
            id: token.id.0,
            label: token.label,
            what: match token.scope {
                TokenScope::Api => "access token",
                TokenScope::Session => "signed in",
                TokenScope::CalendarFeed => "calendar address",
            },
            used: token.last_used_at.map_or_else(
                || format!("never, made {}", day(token.created_at)),
                |at| at.with_timezone(&zone).format("%b %-d, %Y, %-I:%M %p").to_string(),
            ),
            until: token.expires_at.map_or_else(|| "it is taken back".to_owned(), day),
            own: token.id == own,
        })
        .collect();
    held.reverse();
    let ended = all - held.len();
    (held, ended)
}

/// The fields of a new token.
pub(super) fn fields(refused: &Refused) -> Vec<Field> {
    vec![
        refused
            .line("label", "Which program or person will hold it", "")
            .hint("To tell it from others later, such as: nightly export."),
        refused
            .line("until", "Last day on which it holds", "")
            .kind("date")
            .hint("Empty: until it is taken back."),
    ]
}

/// Makes a token and shows it, once.
pub(super) async fn make(
    state: web::Data<AppState>,
    request: HttpRequest,
    office: Office,
    id: web::Path<i64>,
    SessionForm(sent): SessionForm,
) -> Result<HttpResponse, PageError> {
    let (caller, now, id) = (office.0, state.now(), id.into_inner());
    let mut read = Reading::of(&sent);
    let (label, until) = (read.text("label"), read.day("until"));
    let asked = read.finish((label, until));
    let secret = token::generate().map_err(|error| PageError::from(ApiError::internal(error)))?;
    let digest = token::digest(&secret);
    let shared = state.clone();
    let outcome = match asked {
        Ok((label, until)) => {
            let branch =
                blocking(move || shared.store.read(|conn| branches::find(conn, caller.branch)))
                    .await?;
            // The last day counts whole, by the branch's clock.
            let expires_at = until
                .and_then(|day| day.succ_opt())
                .map(|next| instant(next, NaiveTime::MIN, branch.time_zone));
            let input = TokenInput { label, scope: TokenScope::Api, expires_at };
            let made = write(&state, move |conn| {
                let owner = rows::find(conn, caller.branch, AccountId(id))?.id;
                api::add_token(conn, &caller, owner, &input, digest, now).map(|_| Ok(()))
            });
            refusal(made.await, |pointer| match pointer {
                "expires_at" => "until".to_owned(),
                other => field_name(other),
            })?
        }
        Err(wrong) => Err(wrong),
    };
    let view = match outcome {
        Ok(()) => View { new_token: Some(secret), ..View::default() },
        Err(wrong) => View { token: Refused { sent: Some(sent), wrong }, ..View::default() },
    };
    page(&state, &request, office, id, view).await
}

/// Takes a token back; again is harmless.
pub(super) async fn revoke(
    state: web::Data<AppState>,
    office: Office,
    place: web::Path<(i64, i64)>,
    SessionForm(_): SessionForm,
) -> Result<HttpResponse, PageError> {
    let (caller, now, (id, token)) = (office.0, state.now(), place.into_inner());
    write(&state, move |conn| {
        let owner = rows::find(conn, caller.branch, AccountId(id))?.id;
        api::take_back(conn, &caller, owner, TokenId(token), now)
    })
    .await?;
    Ok(kept(&format!("{PATH}/{id}")))
}
