//! Season plans: list, read, compare, discard.

use actix_web::{HttpRequest, HttpResponse, delete, get, web};
use chrono::{DateTime, NaiveDate, Utc};
use hotspell_domain::PlanId;
use hotspell_store::AnyConnection;
use hotspell_store::plans::{
    self as rows, PlanFilter, PlanRecord, PlanRouteFilter, PlanRouteRecord, PlanStopFilter,
    PlanStopRecord, UnplacedFilter, UnplacedRecord,
};
use hotspell_store::words::{PlanState, Resource};

use crate::api::audit::{self, Deed};
use crate::api::caller::Caller;
use crate::api::crud;
use crate::api::error::ApiError;
use crate::api::etag;
use crate::api::page::{PageView, Paged as _, list_query};
use crate::api::query::Query;
use crate::api::transact::{read, write};
use crate::api::types::plan_changes::ComparisonView;
use crate::api::types::plans::{PlanRouteView, PlanStopView, PlanView, UnplacedView};
use crate::app::plan_compare;
use crate::state::AppState;

list_query! {
    /// Which plans are listed.
    PlanQuery sorted by rows::PlanSort {
        /// Draft, adopted or discarded.
        state: PlanState,
        /// Changed after this instant.
        updated_after: DateTime<Utc>,
    }
}

list_query! {
    /// Which stops of a plan are listed.
    PlanStopQuery sorted by rows::PlanStopSort {
        /// On this day.
        day: NaiveDate,
        /// Number of the technician.
        technician_id: i64,
        /// Number of the visit.
        visit_id: i64,
    }
}

list_query! {
    /// Which technicians' days of a plan are listed.
    PlanRouteQuery sorted by rows::PlanRouteSort {
        /// On this day.
        day: NaiveDate,
    }
}

/// What a plan is compared with.
#[derive(Debug, Clone, serde::Deserialize, utoipa::IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub(crate) struct ComparisonQuery {
    /// Number of the plan that it is held against.
    against: i64,
}

list_query! {
    /// Which unplaced visits are listed.
    UnplacedQuery sorted by rows::UnplacedSort {}
}

/// Lists plans
///
/// Season plans that meet every filter, by number unless `sort` says otherwise.
#[utoipa::path(
    tag = "plans",
    params(PlanQuery),
    responses((status = 200, description = "One page", body = PageView<PlanView>))
)]
#[get("/plans")]
pub(crate) async fn list_plans(
    state: web::Data<AppState>,
    caller: Caller,
    request: HttpRequest,
    query: Query<PlanQuery>,
) -> Result<HttpResponse, ApiError> {
    let filter = PlanFilter { state: query.state, updated_after: query.updated_after };
    let work =
        move |conn: &mut AnyConnection, page| Ok(rows::list(conn, caller.branch, &filter, page)?);
    let view = |_: &mut AnyConnection, record: PlanRecord| Ok(PlanView::from(record));
    crud::rows(&state, &request, query.page(), work, view).await
}

/// Reads a plan
///
/// With its figures, and its version as the ETag; `If-None-Match` with that ETag gets 304.
#[utoipa::path(
    tag = "plans",
    params(("plan_id" = i64, Path, description = "Number of the plan")),
    responses((status = 200, description = "The plan", body = PlanView))
)]
#[get("/plans/{plan_id}")]
pub(crate) async fn find_plan(
    state: web::Data<AppState>,
    caller: Caller,
    request: HttpRequest,
    id: web::Path<i64>,
) -> Result<HttpResponse, ApiError> {
    let id = PlanId(id.into_inner());
    let plan = read(&state, move |conn| Ok(rows::find(conn, caller.branch, id)?)).await?;
    let version = plan.version;
    if etag::known(&request, version) {
        return Ok(HttpResponse::NotModified().insert_header(etag::tag(version)).finish());
    }
    Ok(HttpResponse::Ok().insert_header(etag::tag(version)).json(PlanView::from(plan)))
}

/// Discards a plan
///
/// It stays readable, since what was based on it must stay explicable. An adopted plan's visits
/// keep their places.
#[utoipa::path(
    tag = "plans",
    params(("plan_id" = i64, Path, description = "Number of the plan")),
    responses((status = 200, description = "The discarded plan", body = PlanView))
)]
#[delete("/plans/{plan_id}")]
pub(crate) async fn discard_plan(
    state: web::Data<AppState>,
    caller: Caller,
    request: HttpRequest,
    id: web::Path<i64>,
) -> Result<HttpResponse, ApiError> {
    let (expected, now) = (etag::expected(&request), state.now());
    let id = PlanId(id.into_inner());
    let view = write(&state, move |conn| {
        let before = rows::find(conn, caller.branch, id)?;
        let version = expected?.check(before.version)?;
        let state = PlanState::Discarded;
        let after = rows::set_state(conn, caller.branch, id, version, state, now)?;
        let (before, after) = (PlanView::from(before), PlanView::from(after));
        let deed = Deed { action: "discard", kind: Resource::Plan, id: id.0 };
        audit::record(conn, &caller, deed, Some(&before), Some(&after), now)?;
        Ok(after)
    })
    .await?;
    Ok(HttpResponse::Ok().insert_header(etag::tag(view.version)).json(view))
}

/// Lists the stops of a plan
///
/// Each with day, technician, times and the reason why it is there.
#[utoipa::path(
    tag = "plans",
    params(("plan_id" = i64, Path, description = "Number of the plan"), PlanStopQuery),
    responses((status = 200, description = "One page", body = PageView<PlanStopView>))
)]
#[get("/plans/{plan_id}/stops")]
pub(crate) async fn list_plan_stops(
    state: web::Data<AppState>,
    caller: Caller,
    request: HttpRequest,
    id: web::Path<i64>,
    query: Query<PlanStopQuery>,
) -> Result<HttpResponse, ApiError> {
    let id = PlanId(id.into_inner());
    let filter = PlanStopFilter {
        plan: Some(id),
        visit: query.visit_id.map(Into::into),
        technician: query.technician_id.map(Into::into),
        day: query.day,
    };
    let work = move |conn: &mut AnyConnection, page| {
        rows::find(conn, caller.branch, id)?;
        Ok(rows::list_stops(conn, caller.branch, &filter, page)?)
    };
    let view = |_: &mut AnyConnection, record: PlanStopRecord| Ok(PlanStopView::from(record));
    crud::rows(&state, &request, query.page(), work, view).await
}

/// Lists the technicians' days of a plan
///
/// Each with its work, its driving, its pause and its end. A plan of an older version has none.
#[utoipa::path(
    tag = "plans",
    params(("plan_id" = i64, Path, description = "Number of the plan"), PlanRouteQuery),
    responses((status = 200, description = "One page", body = PageView<PlanRouteView>))
)]
#[get("/plans/{plan_id}/routes")]
pub(crate) async fn list_plan_routes(
    state: web::Data<AppState>,
    caller: Caller,
    request: HttpRequest,
    id: web::Path<i64>,
    query: Query<PlanRouteQuery>,
) -> Result<HttpResponse, ApiError> {
    let id = PlanId(id.into_inner());
    let filter = PlanRouteFilter { plan: Some(id), day: query.day };
    let work = move |conn: &mut AnyConnection, page| {
        rows::find(conn, caller.branch, id)?;
        Ok(rows::list_routes(conn, caller.branch, &filter, page)?)
    };
    let view = |_: &mut AnyConnection, record: PlanRouteRecord| Ok(PlanRouteView::from(record));
    crud::rows(&state, &request, query.page(), work, view).await
}

/// Compares two plans
///
/// What this plan has otherwise than another: visits on another day, with another person or time,
/// new ones, lost ones, each in words; and the households that were told something else than this
/// plan has.
#[utoipa::path(
    tag = "plans",
    params(("plan_id" = i64, Path, description = "Number of the plan"), ComparisonQuery),
    responses((status = 200, description = "The comparison", body = ComparisonView))
)]
#[get("/plans/{plan_id}/comparison")]
pub(crate) async fn compare_plans(
    state: web::Data<AppState>,
    caller: Caller,
    id: web::Path<i64>,
    query: Query<ComparisonQuery>,
) -> Result<HttpResponse, ApiError> {
    let (against, id) = (PlanId(query.against), PlanId(id.into_inner()));
    let compared =
        read(&state, move |conn| Ok(plan_compare::compare(conn, caller.branch, against, id)?))
            .await?;
    Ok(HttpResponse::Ok().json(ComparisonView::from(compared)))
}

/// Lists the visits that a plan does not place
///
/// Each with the reason why not.
#[utoipa::path(
    tag = "plans",
    params(("plan_id" = i64, Path, description = "Number of the plan"), UnplacedQuery),
    responses((status = 200, description = "One page", body = PageView<UnplacedView>))
)]
#[get("/plans/{plan_id}/unplaced")]
pub(crate) async fn list_unplaced_visits(
    state: web::Data<AppState>,
    caller: Caller,
    request: HttpRequest,
    id: web::Path<i64>,
    query: Query<UnplacedQuery>,
) -> Result<HttpResponse, ApiError> {
    let id = PlanId(id.into_inner());
    let work = move |conn: &mut AnyConnection, page| {
        rows::find(conn, caller.branch, id)?;
        let filter = UnplacedFilter { plan: Some(id) };
        Ok(rows::list_unplaced(conn, caller.branch, &filter, page)?)
    };
    let view = |_: &mut AnyConnection, record: UnplacedRecord| Ok(UnplacedView::from(record));
    crud::rows(&state, &request, query.page(), work, view).await
}
