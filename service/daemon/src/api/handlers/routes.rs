//! Day routes and load lists.

use actix_web::http::header::CONTENT_TYPE;
use actix_web::{HttpRequest, HttpResponse, get, post, web};
use chrono::NaiveDate;
use hotspell_domain::{DateRange, RouteId};
use hotspell_store::routes::{
    self as rows, LoadListLineFilter, RouteFilter, RouteRecord, RouteStopFilter,
};
use hotspell_store::words::{Resource, RouteState};
use hotspell_store::{AnyConnection, Page};

use crate::api::audit::{self, Deed};
use crate::api::body::Body;
use crate::api::caller::Caller;
use crate::api::crud;
use crate::api::error::ApiError;
use crate::api::page::{PageView, Paged as _, list_query};
use crate::api::query::Query;
use crate::api::transact::{read, write};
use crate::api::types::geojson::FeatureCollection;
use crate::api::types::routes::{DelayInput, DelayView, LoadListView, RouteMailView, RouteView};
use crate::api::visibility;
use crate::app::{delays, route_mail, way};
use crate::state::AppState;

list_query! {
    /// Which routes are listed.
    RouteQuery sorted by rows::RouteSort {
        /// On this day.
        day: NaiveDate,
        /// Number of the technician.
        technician_id: i64,
        /// In force or superseded; both if absent.
        state: RouteState,
        /// Number of the plan.
        plan_id: i64,
    }
}

fn with_stops(
    conn: &mut AnyConnection,
    caller: &Caller,
    route: RouteRecord,
) -> Result<RouteView, ApiError> {
    let filter = RouteStopFilter { route: Some(route.id), visit: None };
    let stops = rows::list_stops(conn, caller.branch, &filter, Page::everything())?;
    Ok(RouteView::of(route, stops))
}

/// The route, if it is the caller's own or the office asks.
fn reach(conn: &mut AnyConnection, caller: &Caller, id: i64) -> Result<RouteRecord, ApiError> {
    let route = rows::find(conn, caller.branch, RouteId(id))?;
    if visibility::technician(caller, route.technician_id) {
        Ok(route)
    } else {
        Err(ApiError::not_found("route", id))
    }
}

/// Lists routes
///
/// Day routes that meet every filter, with their stops; by number
/// unless `sort` says otherwise. A technician sees the own ones.
#[utoipa::path(
    tag = "routes",
    params(RouteQuery),
    responses((status = 200, description = "One page", body = PageView<RouteView>))
)]
#[get("/routes")]
pub(crate) async fn list_routes(
    state: web::Data<AppState>,
    caller: Caller,
    request: HttpRequest,
    query: Query<RouteQuery>,
) -> Result<HttpResponse, ApiError> {
    let own = if caller.is_office() { None } else { caller.technician };
    let filter = RouteFilter {
        technician: own.or(query.technician_id.map(Into::into)),
        days: query.day.and_then(|day| DateRange::new(day, day)),
        state: query.state,
        plan: query.plan_id.map(Into::into),
    };
    let work =
        move |conn: &mut AnyConnection, page| Ok(rows::list(conn, caller.branch, &filter, page)?);
    let view = move |conn: &mut AnyConnection, route| with_stops(conn, &caller, route);
    crud::rows(&state, &request, query.page(), work, view).await
}

/// Reads a route
///
/// With its stops in order.
#[utoipa::path(
    tag = "routes",
    params(("route_id" = i64, Path, description = "Number of the route")),
    responses((status = 200, description = "The route", body = RouteView))
)]
#[get("/routes/{route_id}")]
pub(crate) async fn find_route(
    state: web::Data<AppState>,
    caller: Caller,
    id: web::Path<i64>,
) -> Result<HttpResponse, ApiError> {
    let view = read(&state, move |conn| {
        let route = reach(conn, &caller, id.into_inner())?;
        with_stops(conn, &caller, route)
    })
    .await?;
    Ok(HttpResponse::Ok().json(view))
}

/// Reads the load list of a route
///
/// What the truck must carry so that the chance of missing a part stays under the stated bound.
#[utoipa::path(
    tag = "routes",
    params(("route_id" = i64, Path, description = "Number of the route")),
    responses((status = 200, description = "The load list", body = LoadListView))
)]
#[get("/routes/{route_id}/load-list")]
pub(crate) async fn find_load_list(
    state: web::Data<AppState>,
    caller: Caller,
    id: web::Path<i64>,
) -> Result<HttpResponse, ApiError> {
    let id = id.into_inner();
    let view = read(&state, move |conn| {
        let route = reach(conn, &caller, id)?;
        let list = rows::load_list_of(conn, caller.branch, route.id)?
            .ok_or_else(|| ApiError::not_found("load list of route", id))?;
        let filter = LoadListLineFilter { load_list: Some(list.id) };
        let lines = rows::list_lines(conn, caller.branch, &filter, Page::everything())?;
        Ok(LoadListView::of(&route, list, lines))
    })
    .await?;
    Ok(HttpResponse::Ok().json(view))
}

/// Reads a route as GeoJSON
///
/// For a map (RFC 7946): each stop as a point with its order, arrival and kind, then the way as a
/// line from the technician's start over the stops and back, straight from place to place. A home
/// whose position is not known is a stop without geometry.
#[utoipa::path(
    tag = "routes",
    params(("route_id" = i64, Path, description = "Number of the route")),
    responses((
        status = 200, description = "The route's features",
        body = FeatureCollection, content_type = "application/geo+json"
    ))
)]
#[get("/routes/{route_id}/geojson")]
pub(crate) async fn find_route_geojson(
    state: web::Data<AppState>,
    caller: Caller,
    id: web::Path<i64>,
) -> Result<HttpResponse, ApiError> {
    let way = read(&state, move |conn| {
        let route = reach(conn, &caller, id.into_inner())?;
        Ok(way::load(conn, caller.branch, &route)?)
    })
    .await?;
    Ok(HttpResponse::Ok()
        .insert_header((CONTENT_TYPE, "application/geo+json"))
        .json(FeatureCollection::from(&way)))
}

/// Mails a route to its technician
///
/// The stops, the parts and the load list if one is written, as the job does each evening for the day
/// after: for a route that changed since, or this morning. Each revision of a route is mailed once.
#[utoipa::path(
    tag = "routes",
    params(("route_id" = i64, Path, description = "Number of the route")),
    responses((status = 200, description = "Whether a mail was written", body = RouteMailView))
)]
#[post("/routes/{route_id}/mail")]
pub(crate) async fn mail_route(
    state: web::Data<AppState>,
    caller: Caller,
    id: web::Path<i64>,
) -> Result<HttpResponse, ApiError> {
    let (shared, now) = (state.clone(), state.now());
    let view = write(&state, move |conn| {
        let route = reach(conn, &caller, id.into_inner())?;
        let view = RouteMailView { written: route_mail::write_route(conn, &shared, &route)? };
        let deed = Deed { action: "mail route", kind: Resource::Route, id: route.id.0 };
        audit::record(conn, &caller, deed, None::<&()>, Some(&view), now)?;
        Ok(view)
    })
    .await?;
    Ok(HttpResponse::Ok().json(view))
}

/// Says that a route of today runs late
///
/// The stops that are still to come begin so many minutes later than the route says. A household whose
/// promised window is broken by that is told the new one, with the calendar update, and stays as agreed
/// as it was; one whose window still holds is left in peace. Minutes count from the times of the route,
/// so that the same report again tells nobody again.
#[utoipa::path(
    tag = "routes",
    params(("route_id" = i64, Path, description = "Number of the route")),
    request_body = DelayInput,
    responses((status = 200, description = "The stops still to come", body = DelayView))
)]
#[post("/routes/{route_id}/delays")]
pub(crate) async fn report_delay(
    state: web::Data<AppState>,
    caller: Caller,
    id: web::Path<i64>,
    body: Body<DelayInput>,
) -> Result<HttpResponse, ApiError> {
    let (input, now) = (body.value()?, state.now());
    let shared = state.clone();
    let view = write(&state, move |conn| {
        let route = reach(conn, &caller, id.into_inner())?;
        let delay = input.delay()?;
        let stops = delays::report(conn, &shared, &route, &delay, &caller.who())?;
        let view = DelayView::new(route.id, delay.minutes, stops);
        let deed = Deed { action: "report delay", kind: Resource::Route, id: route.id.0 };
        audit::record(conn, &caller, deed, None::<&()>, Some(&view), now)?;
        Ok(view)
    })
    .await?;
    Ok(HttpResponse::Ok().json(view))
}
