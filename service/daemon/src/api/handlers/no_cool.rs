//! Calls from homes without cooling.

use actix_web::http::header;
use actix_web::{HttpResponse, get, post, web};
use hotspell_store::sites;
use hotspell_store::words::Resource;

use super::actions::noted;
use crate::api::body::Body;
use crate::api::caller::Caller;
use crate::api::checks::refer;
use crate::api::error::ApiError;
use crate::api::transact::{read, run};
use crate::api::types::no_cool::{
    AcceptanceInput, AcceptedView, NoCoolInput, NoCoolView, RejectionInput,
};
use crate::api::types::visits::VisitView;
use crate::app::no_cool;
use crate::state::AppState;

/// Takes a no-cool call
///
/// Makes the visit with the priority that the people at home and the heat of today and of the next days
/// give it, and answers with what is likely broken, so that the right parts ride along, and with the best
/// ways to serve it today and tomorrow and whom each delays. Nothing is placed before it is accepted.
#[utoipa::path(
    tag = "visits",
    request_body = NoCoolInput,
    responses((status = 201, description = "The call as it stands", body = NoCoolView))
)]
#[post("/no-cool-calls")]
pub(crate) async fn create_no_cool_call(
    state: web::Data<AppState>,
    caller: Caller,
    body: Body<NoCoolInput>,
) -> Result<HttpResponse, ApiError> {
    let call = body.value()?.call(state.now())?;
    let site = call.site;
    read(&state, move |conn| {
        sites::find(conn, caller.branch, site).map_err(|error| refer("/site_id", error))
    })
    .await?;
    let shared = state.clone();
    let found = run(move || no_cool::take(&shared, caller.branch, &call, &caller.who())).await?;
    let view = NoCoolView::try_from(found)?;
    let outcome = serde_json::json!({ "call": view.id, "priority": view.visit.priority });
    noted(&state, caller, "take no-cool call", Resource::Visit, view.visit.id.0, outcome).await?;
    Ok(HttpResponse::Created()
        .insert_header((header::LOCATION, format!("/api/v1/no-cool-calls/{}", view.id)))
        .json(view))
}

/// Reads a no-cool call
///
/// As it stands now: likely parts, and the ways to serve it while it is not decided.
#[utoipa::path(
    tag = "visits",
    params(("call_id" = i64, Path, description = "Number of the call")),
    responses((status = 200, description = "The call", body = NoCoolView))
)]
#[get("/no-cool-calls/{call_id}")]
pub(crate) async fn find_no_cool_call(
    state: web::Data<AppState>,
    caller: Caller,
    id: web::Path<i64>,
) -> Result<HttpResponse, ApiError> {
    let shared = state.clone();
    let found = run(move || no_cool::assess(&shared, caller.branch, id.into_inner())).await?;
    Ok(HttpResponse::Ok().json(NoCoolView::try_from(found)?))
}

/// Accepts a no-cool call
///
/// Puts it into a technician's day: the plan, the route and the load list follow, and whoever was told a
/// time that no longer holds is written to. Its own household is on the telephone: the visit counts as
/// announced. Refused when it does not fit there without breaking somebody's promised time.
#[utoipa::path(
    tag = "visits",
    params(("call_id" = i64, Path, description = "Number of the call")),
    request_body = AcceptanceInput,
    responses((status = 200, description = "The visit in its place", body = AcceptedView))
)]
#[post("/no-cool-calls/{call_id}/acceptance")]
pub(crate) async fn accept_no_cool_call(
    state: web::Data<AppState>,
    caller: Caller,
    id: web::Path<i64>,
    body: Body<AcceptanceInput>,
) -> Result<HttpResponse, ApiError> {
    let (id, place) = (id.into_inner(), body.value()?.place()?);
    let shared = state.clone();
    let accepted =
        run(move || no_cool::accept(&shared, caller.branch, id, place, &caller.who())).await?;
    let view = AcceptedView::from(accepted);
    let outcome = serde_json::json!({ "call": id, "day": view.visit.day, "told": view.told });
    noted(&state, caller, "accept no-cool call", Resource::Visit, view.visit.id.0, outcome).await?;
    Ok(HttpResponse::Ok().json(view))
}

/// Turns a no-cool call down
///
/// Its visit is dropped with the reason.
#[utoipa::path(
    tag = "visits",
    params(("call_id" = i64, Path, description = "Number of the call")),
    request_body = RejectionInput,
    responses((status = 200, description = "The dropped visit", body = VisitView))
)]
#[post("/no-cool-calls/{call_id}/rejection")]
pub(crate) async fn reject_no_cool_call(
    state: web::Data<AppState>,
    caller: Caller,
    id: web::Path<i64>,
    body: Body<RejectionInput>,
) -> Result<HttpResponse, ApiError> {
    let (id, why) = (id.into_inner(), body.value()?.reason()?);
    let shared = state.clone();
    let visit =
        run(move || no_cool::reject(&shared, caller.branch, id, &why, &caller.who())).await?;
    let view = VisitView::from(visit);
    let outcome = serde_json::json!({ "call": id, "why": view.reason });
    noted(&state, caller, "reject no-cool call", Resource::Visit, view.id.0, outcome).await?;
    Ok(HttpResponse::Ok().json(view))
}
