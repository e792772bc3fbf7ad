//! Calendars to subscribe to, without signing in.

use actix_web::http::header::{CACHE_CONTROL, CONTENT_TYPE};
use actix_web::{HttpResponse, get, web};
use hotspell_store::words::TokenScope;

use crate::api::error::ApiError;
use crate::api::middleware::authenticate::resolve;
use crate::api::problem::Problem;
use crate::api::transact::run;
use crate::app::calendar_feed;
use crate::state::AppState;

/// Reads a technician's calendar
///
/// The visits of the last month and the coming year as events (RFC 5545), for a calendar program
/// to subscribe to; times are in UTC. The address is a secret: it comes with a token of the scope
/// `calendar-feed` of a technician's account, and stops to work when that token is revoked or
/// ends or the account is disabled. It holds no access notes, no telephone and nothing that a
/// household has said of itself.
#[utoipa::path(
    tag = "routes",
    params(("token" = String, Path, description = "The token of the calendar")),
    responses(
        (
            status = 200, description = "The calendar",
            body = String, content_type = "text/calendar"
        ),
        (
            status = 404, description = "No such calendar, or no longer",
            body = Problem, content_type = "application/problem+json"
        )
    )
)]
#[get("/calendars/{token}.ics")]
pub(crate) async fn find_calendar(
    state: web::Data<AppState>,
    token: web::Path<String>,
) -> Result<HttpResponse, ApiError> {
    let caller = resolve(&state, &token, TokenScope::CalendarFeed).await?;
    let Some((branch, technician)) =
        caller.and_then(|caller| Some((caller.branch, caller.technician?)))
    else {
        // What was sent is not repeated: it may be a token of another kind.
        return Err(ApiError::not_found("calendar", "under this address"));
    };
    let text = run(move || calendar_feed::of_technician(&state, branch, technician)).await?;
    Ok(HttpResponse::Ok()
        .insert_header((CONTENT_TYPE, "text/calendar; charset=utf-8"))
        .insert_header((CACHE_CONTROL, "private, no-cache"))
        .body(text))
}
