//! Keeping an adopted plan alive: repair, offers of other slots, reasons.

use actix_web::http::header;
use actix_web::{HttpResponse, get, post, web};
use chrono::NaiveDate;
use hotspell_store::words::Resource;

use super::actions::noted;
use super::visits::reach;
use crate::api::body::Body;
use crate::api::caller::Caller;
use crate::api::error::ApiError;
use crate::api::query::Query;
use crate::api::transact::{read, run};
use crate::api::types::repairs::{OfferView, OffersView, ReasonsView, RepairInput, RepairView};
use crate::app::{explain, repair};
use crate::state::AppState;

/// Offers of other slots.
const OFFERS: usize = 3;

/// Which slots are out of the question.
#[derive(Debug, Clone, serde::Deserialize, utoipa::IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub(crate) struct OfferQuery {
    /// A day that the household cannot take, beside the present one.
    #[param(required = false, nullable = false)]
    refused: Option<NaiveDate>,
}

/// In which plan.
#[derive(Debug, Clone, serde::Deserialize, utoipa::IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub(crate) struct ReasonsQuery {
    /// Number of the plan, such as a draft; what is in force if absent.
    #[param(required = false, nullable = false)]
    plan_id: Option<i64>,
}

/// Repairs the adopted plan
///
/// States what happened and gets the best new plan close to what is in force, as a draft with each
/// change in words; adopt it like any other. Work that has begun stays. What households were told
/// costs more to change, what they agreed to most, the more the nearer it is. Absences, declined days
/// and longer visits are kept as facts at once, whether the draft is adopted or not.
#[utoipa::path(
    tag = "plans",
    request_body = RepairInput,
    responses((status = 201, description = "The draft and what it changes", body = RepairView))
)]
#[post("/repairs")]
pub(crate) async fn create_repair(
    state: web::Data<AppState>,
    caller: Caller,
    body: Body<RepairInput>,
) -> Result<HttpResponse, ApiError> {
    let request = body.value()?.request(state.config.planning.seed)?;
    let shared = state.clone();
    let mut composed = run(move || repair::mend(&shared, caller.branch, &request)).await?;
    let change = composed
        .figures
        .change
        .take()
        .ok_or_else(|| ApiError::internal("a repair that says nothing of what it changes"))?;
    let view = RepairView::new(&composed, change);
    let outcome = serde_json::json!({
        "run_id": view.run_id, "moved_day": view.moved_day, "removed": view.removed
    });
    noted(&state, caller, "repair", Resource::Plan, view.plan_id.0, outcome).await?;
    Ok(HttpResponse::Created()
        .insert_header((header::LOCATION, format!("/api/v1/plans/{}", view.plan_id)))
        .json(view))
}

/// Offers other slots for a visit
///
/// The three best ones of the adopted plan's days after today, at most one for each half of a day,
/// without moving anybody else; none on the visit's present day. When a household takes one, place
/// the visit there.
#[utoipa::path(
    tag = "visits",
    params(("visit_id" = i64, Path, description = "Number of the visit"), OfferQuery),
    responses((status = 200, description = "The best first", body = OffersView))
)]
#[get("/visits/{visit_id}/offers")]
pub(crate) async fn list_visit_offers(
    state: web::Data<AppState>,
    caller: Caller,
    id: web::Path<i64>,
    query: Query<OfferQuery>,
) -> Result<HttpResponse, ApiError> {
    let id = id.into_inner();
    let visit = read(&state, move |conn| reach(conn, &caller, id)).await?.id;
    let refused: Vec<NaiveDate> = query.refused.into_iter().collect();
    let shared = state.clone();
    let found =
        run(move || explain::other_slots(&shared, caller.branch, visit, &refused, OFFERS)).await?;
    let offers = found.into_iter().map(OfferView::from).collect();
    Ok(HttpResponse::Ok().json(OffersView { offers }))
}

/// Says why a visit stands where it stands
///
/// What its place costs by parts, the next best day and person, and what blocks each other day; for
/// a visit without a place why it has none. Everybody else is taken to stay where they are.
#[utoipa::path(
    tag = "visits",
    params(("visit_id" = i64, Path, description = "Number of the visit"), ReasonsQuery),
    responses((status = 200, description = "The account", body = ReasonsView))
)]
#[get("/visits/{visit_id}/reasons")]
pub(crate) async fn explain_visit(
    state: web::Data<AppState>,
    caller: Caller,
    id: web::Path<i64>,
    query: Query<ReasonsQuery>,
) -> Result<HttpResponse, ApiError> {
    let id = id.into_inner();
    let visit = read(&state, move |conn| reach(conn, &caller, id)).await?.id;
    let plan = query.plan_id.map(Into::into);
    let shared = state.clone();
    let explained = run(move || explain::reasons(&shared, caller.branch, visit, plan)).await?;
    Ok(HttpResponse::Ok().json(ReasonsView::new(visit, &explained)))
}
