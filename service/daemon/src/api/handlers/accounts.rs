//! Accounts and tokens: list, read, create, change, revoke.

use actix_web::http::header;
use actix_web::{HttpRequest, HttpResponse, delete, get, post, put, web};
use chrono::{DateTime, Utc};
use hotspell_domain::{AccountId, Role};
use hotspell_store::accounts::{
    self as rows, AccountFields, AccountFilter, AccountRecord, NewToken,
};
use hotspell_store::words::{Resource, TokenId, TokenScope};
use hotspell_store::{AnyConnection, Page, contacts, technicians};

use crate::api::audit::{self, Deed};
use crate::api::body::Body;
use crate::api::caller::Caller;
use crate::api::checks::refer;
use crate::api::crud;
use crate::api::error::ApiError;
use crate::api::etag;
use crate::api::page::{PageView, Paged as _, list_query};
use crate::api::problem::ProblemKind;
use crate::api::query::Query;
use crate::api::transact::{read, run, write};
use crate::api::types::accounts::{AccountInput, AccountView, NewTokenView, TokenInput, TokenView};
use crate::app::token;
use crate::state::AppState;

list_query! {
    /// Which accounts are listed.
    AccountQuery sorted by rows::AccountSort {
        /// What they may do.
        role: Role,
        /// Number of the technician they stand for.
        technician_id: i64,
        /// Shut or not.
        disabled: bool,
    }
}

list_query! {
    /// Which tokens are listed.
    TokenQuery sorted by rows::TokenSort {}
}

/// Lists accounts
///
/// Accounts that meet every filter, by number unless `sort` says otherwise. Passwords are never shown.
#[utoipa::path(
    tag = "accounts",
    params(AccountQuery),
    responses((status = 200, description = "One page", body = PageView<AccountView>))
)]
#[get("/accounts")]
pub(crate) async fn list_accounts(
    state: web::Data<AppState>,
    caller: Caller,
    request: HttpRequest,
    query: Query<AccountQuery>,
) -> Result<HttpResponse, ApiError> {
    let filter = AccountFilter {
        role: query.role,
        technician: query.technician_id.map(Into::into),
        disabled: query.disabled,
    };
    let work =
        move |conn: &mut AnyConnection, page| Ok(rows::list(conn, caller.branch, &filter, page)?);
    let view = |_: &mut AnyConnection, record: AccountRecord| Ok(AccountView::from(&record));
    crud::rows(&state, &request, query.page(), work, view).await
}

async fn answer_one(
    state: &AppState,
    caller: Caller,
    request: &HttpRequest,
    id: AccountId,
) -> Result<HttpResponse, ApiError> {
    let record = read(state, move |conn| Ok(rows::find(conn, caller.branch, id)?)).await?;
    let version = record.version;
    if etag::known(request, version) {
        return Ok(HttpResponse::NotModified().insert_header(etag::tag(version)).finish());
    }
    Ok(HttpResponse::Ok().insert_header(etag::tag(version)).json(AccountView::from(&record)))
}

/// Reads the own account
///
/// Who the token stands for.
#[utoipa::path(
    tag = "accounts",
    responses((status = 200, description = "The caller's account", body = AccountView))
)]
#[get("/account")]
pub(crate) async fn find_own_account(
    state: web::Data<AppState>,
    caller: Caller,
    request: HttpRequest,
) -> Result<HttpResponse, ApiError> {
    answer_one(&state, caller, &request, caller.account).await
}

/// Reads an account
///
/// With its version as the ETag; `If-None-Match` with that ETag gets 304 and no body.
#[utoipa::path(
    tag = "accounts",
    params(("account_id" = i64, Path, description = "Number of the account")),
    responses((status = 200, description = "The account", body = AccountView))
)]
#[get("/accounts/{account_id}")]
pub(crate) async fn find_account(
    state: web::Data<AppState>,
    caller: Caller,
    request: HttpRequest,
    id: web::Path<i64>,
) -> Result<HttpResponse, ApiError> {
    answer_one(&state, caller, &request, AccountId(id.into_inner())).await
}

/// Checks that whom the account stands for is there.
fn check_person(
    conn: &mut AnyConnection,
    caller: &Caller,
    fields: &AccountFields,
) -> Result<(), ApiError> {
    if let Some(id) = fields.technician_id {
        technicians::find(conn, caller.branch, id)
            .map_err(|error| refer("/technician_id", error))?;
    }
    if let Some(id) = fields.contact_id {
        contacts::find(conn, caller.branch, id).map_err(|error| refer("/contact_id", error))?;
    }
    Ok(())
}

/// Stores a new account and keeps who made it.
///
/// # Errors
/// 422 when whom it stands for is not there, 409 when the mail address is taken.
pub(crate) fn add(
    conn: &mut AnyConnection,
    caller: &Caller,
    fields: &AccountFields,
    now: DateTime<Utc>,
) -> Result<AccountView, ApiError> {
    check_person(conn, caller, fields)?;
    let view = AccountView::from(&rows::insert(conn, caller.branch, fields, now)?);
    let deed = Deed { action: "create", kind: Resource::Account, id: view.id.0 };
    audit::record(conn, caller, deed, None::<&AccountView>, Some(&view), now)?;
    Ok(view)
}

/// Changes an account and keeps who did it. Without a password in `fields` it keeps its own; a new one
/// ends all sessions and tokens but the caller's present one.
///
/// # Errors
/// 409 when the caller shuts the own account, 422 and 409 as [`add`].
pub(crate) fn replace(
    conn: &mut AnyConnection,
    caller: &Caller,
    before: &AccountRecord,
    mut fields: AccountFields,
    now: DateTime<Utc>,
) -> Result<AccountView, ApiError> {
    check_own(caller, before.id, &fields)?;
    check_person(conn, caller, &fields)?;
    if fields.password_hash.is_some() {
        end_tokens(conn, caller, before.id, now)?;
    } else {
        fields.password_hash.clone_from(&before.password_hash);
    }
    let after = rows::update(conn, caller.branch, before.id, before.version, &fields, now)?;
    let (before, after) = (AccountView::from(before), AccountView::from(&after));
    let deed = Deed { action: "change", kind: Resource::Account, id: after.id.0 };
    audit::record(conn, caller, deed, Some(&before), Some(&after), now)?;
    Ok(after)
}

/// Creates an account
///
/// Its mail address must be new in the branch. Without a password it is used by tokens alone.
#[utoipa::path(
    tag = "accounts",
    request_body = AccountInput,
    responses((status = 201, description = "The new account", body = AccountView))
)]
#[post("/accounts")]
pub(crate) async fn create_account(
    state: web::Data<AppState>,
    caller: Caller,
    body: Body<AccountInput>,
) -> Result<HttpResponse, ApiError> {
    let (input, now) = (body.value()?, state.now());
    // Hashing is slow on purpose: not inside the transaction.
    let fields = run(move || input.fields()).await?;
    let view = write(&state, move |conn| add(conn, &caller, &fields, now)).await?;
    Ok(HttpResponse::Created()
        .insert_header((header::LOCATION, format!("/api/v1/accounts/{}", view.id)))
        .insert_header(etag::tag(view.version))
        .json(view))
}

/// Changes an account
///
/// Replaces all members that can be changed; the password only if one is sent, and that ends all
/// sessions and tokens of the account. The own account cannot be shut or lose its role.
#[utoipa::path(
    tag = "accounts",
    params(("account_id" = i64, Path, description = "Number of the account")),
    request_body = AccountInput,
    responses((status = 200, description = "The changed account", body = AccountView))
)]
#[put("/accounts/{account_id}")]
pub(crate) async fn update_account(
    state: web::Data<AppState>,
    caller: Caller,
    request: HttpRequest,
    id: web::Path<i64>,
    body: Body<AccountInput>,
) -> Result<HttpResponse, ApiError> {
    let (expected, now) = (etag::expected(&request), state.now());
    let id = AccountId(id.into_inner());
    let input = body.value();
    let fields = run(move || Ok::<_, ApiError>(input.and_then(|input| input.fields()))).await?;
    let view = write(&state, move |conn| {
        let before = rows::find(conn, caller.branch, id)?;
        expected?.check(before.version)?;
        replace(conn, &caller, &before, fields?, now)
    })
    .await?;
    Ok(HttpResponse::Ok().insert_header(etag::tag(view.version)).json(view))
}

/// An office account that shuts itself out could leave the branch without any.
fn check_own(caller: &Caller, id: AccountId, fields: &AccountFields) -> Result<(), ApiError> {
    if id == caller.account && (fields.disabled || fields.role != caller.role) {
        return Err(ApiError::new(
            ProblemKind::Conflict,
            "This is your own account; another office account must shut it or change its role",
        ));
    }
    Ok(())
}

fn end_tokens(
    conn: &mut AnyConnection,
    caller: &Caller,
    account: AccountId,
    now: DateTime<Utc>,
) -> Result<(), ApiError> {
    for token in rows::tokens_of(conn, caller.branch, account, Page::everything())? {
        if token.revoked_at.is_none() && token.id != caller.token {
            rows::revoke_token(conn, caller.branch, token.id, now)?;
        }
    }
    Ok(())
}

/// The account in the path, if it is the caller's own or the office asks.
fn tokens_owner(conn: &mut AnyConnection, caller: &Caller, id: i64) -> Result<AccountId, ApiError> {
    if caller.is_office() || caller.account.0 == id {
        Ok(rows::find(conn, caller.branch, AccountId(id))?.id)
    } else {
        Err(ApiError::not_found("account", id))
    }
}

/// Lists tokens of an account
///
/// Sessions too, with their last use; never the tokens themselves. Everybody sees the own ones.
#[utoipa::path(
    tag = "accounts",
    params(("account_id" = i64, Path, description = "Number of the account"), TokenQuery),
    responses((status = 200, description = "One page", body = PageView<TokenView>))
)]
#[get("/accounts/{account_id}/tokens")]
pub(crate) async fn list_tokens(
    state: web::Data<AppState>,
    caller: Caller,
    request: HttpRequest,
    id: web::Path<i64>,
    query: Query<TokenQuery>,
) -> Result<HttpResponse, ApiError> {
    let work = move |conn: &mut AnyConnection, page| {
        let owner = tokens_owner(conn, &caller, id.into_inner())?;
        Ok(rows::tokens_of(conn, caller.branch, owner, page)?)
    };
    let view = |_: &mut AnyConnection, record: rows::TokenRecord| Ok(TokenView::from(record));
    crud::rows(&state, &request, query.page(), work, view).await
}

/// Stores the digest of a new token of an account, and who made it.
///
/// # Errors
/// 422 for a wrong label, scope or end.
pub(crate) fn add_token(
    conn: &mut AnyConnection,
    caller: &Caller,
    owner: AccountId,
    input: &TokenInput,
    digest: String,
    now: DateTime<Utc>,
) -> Result<TokenView, ApiError> {
    if input.scope == TokenScope::CalendarFeed
        && rows::find(conn, caller.branch, owner)?.technician_id.is_none()
    {
        let detail = "expected api: only a technician's account has a calendar";
        return Err(ApiError::field("/scope", detail));
    }
    let new = NewToken {
        account_id: owner,
        digest,
        label: input.checked_label(now)?,
        scope: input.scope,
        expires_at: input.expires_at,
    };
    let id = rows::insert_token(conn, caller.branch, &new, now)?;
    let made = rows::tokens_of(conn, caller.branch, owner, Page::everything())?;
    let view = made
        .into_iter()
        .find(|token| token.id == id)
        .map(TokenView::from)
        .ok_or_else(|| ApiError::internal("a stored token is not there"))?;
    let deed = Deed { action: "create token", kind: Resource::Account, id: owner.0 };
    audit::record(conn, caller, deed, None::<&TokenView>, Some(&view), now)?;
    Ok(view)
}

/// Takes a token of an account back, and keeps who did it.
///
/// # Errors
/// 404 when the account has no such token.
pub(crate) fn take_back(
    conn: &mut AnyConnection,
    caller: &Caller,
    owner: AccountId,
    token: TokenId,
    now: DateTime<Utc>,
) -> Result<(), ApiError> {
    let before = rows::tokens_of(conn, caller.branch, owner, Page::everything())?
        .into_iter()
        .find(|stored| stored.id == token)
        .map(TokenView::from)
        .ok_or_else(|| ApiError::not_found("token", token))?;
    rows::revoke_token(conn, caller.branch, token, now)?;
    let deed = Deed { action: "revoke token", kind: Resource::Account, id: owner.0 };
    audit::record(conn, caller, deed, Some(&before), None::<&TokenView>, now)
}

/// Creates a token
///
/// The answer shows it, once: only its digest is stored. Everybody may make own ones. A token of
/// the scope `calendar-feed`, for a technician's account, is the address of that technician's
/// calendar; revoking it ends the address.
#[utoipa::path(
    tag = "accounts",
    params(("account_id" = i64, Path, description = "Number of the account")),
    request_body = TokenInput,
    responses((status = 201, description = "The new token", body = NewTokenView))
)]
#[post("/accounts/{account_id}/tokens")]
pub(crate) async fn create_token(
    state: web::Data<AppState>,
    caller: Caller,
    id: web::Path<i64>,
    body: Body<TokenInput>,
) -> Result<HttpResponse, ApiError> {
    let (input, now) = (body.value(), state.now());
    let secret = token::generate().map_err(ApiError::internal)?;
    let digest = token::digest(&secret);
    let stored = write(&state, move |conn| {
        let owner = tokens_owner(conn, &caller, id.into_inner())?;
        add_token(conn, &caller, owner, &input?, digest, now)
    })
    .await?;
    let place = format!("/api/v1/accounts/{}/tokens", stored.account_id);
    let public_url = &state.config.server.public_url;
    let calendar_url = (stored.scope == TokenScope::CalendarFeed)
        .then(|| format!("{public_url}/calendars/{secret}.ics"));
    Ok(HttpResponse::Created()
        .insert_header((header::LOCATION, place))
        .insert_header((header::CACHE_CONTROL, "no-store"))
        .json(NewTokenView { token: secret, calendar_url, stored }))
}

/// Revokes a token
///
/// It stops to hold at once; again is harmless. Everybody may revoke own ones.
#[utoipa::path(
    tag = "accounts",
    params(
        ("account_id" = i64, Path, description = "Number of the account"),
        ("token_id" = i64, Path, description = "Number of the token")
    ),
    responses((status = 204, description = "Revoked"))
)]
#[delete("/accounts/{account_id}/tokens/{token_id}")]
pub(crate) async fn revoke_token(
    state: web::Data<AppState>,
    caller: Caller,
    path: web::Path<(i64, i64)>,
) -> Result<HttpResponse, ApiError> {
    let (account, token, now) = (path.0, TokenId(path.1), state.now());
    write(&state, move |conn| {
        let owner = tokens_owner(conn, &caller, account)?;
        take_back(conn, &caller, owner, token, now)
    })
    .await?;
    Ok(HttpResponse::NoContent().finish())
}
