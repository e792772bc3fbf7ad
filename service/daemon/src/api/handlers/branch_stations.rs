//! The stations of a branch and how much each counts at a home.

use actix_web::{HttpRequest, HttpResponse, get, put, web};
use hotspell_domain::SiteId;
use hotspell_store::words::Resource;
use hotspell_store::{AnyConnection, branch_stations as rows, branches, sites, weather};
use serde_json::json;

use crate::api::audit::{self, Deed};
use crate::api::body::Body;
use crate::api::caller::Caller;
use crate::api::checks::{Checks, refer};
use crate::api::error::ApiError;
use crate::api::page::PageView;
use crate::api::transact::{read, write};
use crate::api::types::weather::{
    BranchStationsInput, STATIONS_MAX, StationView, WeighedStationView,
};
use crate::app::stations;
use crate::state::AppState;

fn stations_of(
    conn: &mut AnyConnection,
    caller: &Caller,
    id: i64,
) -> Result<Vec<StationView>, ApiError> {
    if id != caller.branch.0 {
        return Err(ApiError::not_found("branch", id));
    }
    let branch = branches::find(conn, caller.branch)?;
    let all = stations::of_branch(conn, &branch)?;
    Ok(all.into_iter().map(StationView::from).collect())
}

/// Lists the stations of a branch
///
/// Its own first, which its season is told by, then the further ones whose heat counts at the homes
/// near them. Not paged.
#[utoipa::path(
    tag = "weather",
    params(("branch_id" = i64, Path, description = "Number of the branch")),
    responses((status = 200, description = "The stations", body = PageView<StationView>))
)]
#[get("/branches/{branch_id}/stations")]
pub(crate) async fn list_branch_stations(
    state: web::Data<AppState>,
    caller: Caller,
    request: HttpRequest,
    id: web::Path<i64>,
) -> Result<HttpResponse, ApiError> {
    let id = id.into_inner();
    let items = read(&state, move |conn| stations_of(conn, &caller, id)).await?;
    Ok(PageView { items, next: None }.answer(request.path(), request.query_string()))
}

/// Names the further stations of a branch
///
/// Beside its own, which the branch itself names. Replaces the list. Scores follow with the next
/// scoring; none of their earlier numbers changes.
#[utoipa::path(
    tag = "weather",
    params(("branch_id" = i64, Path, description = "Number of the branch")),
    request_body = BranchStationsInput,
    responses((status = 200, description = "All its stations", body = PageView<StationView>))
)]
#[put("/branches/{branch_id}/stations")]
pub(crate) async fn put_branch_stations(
    state: web::Data<AppState>,
    caller: Caller,
    request: HttpRequest,
    id: web::Path<i64>,
    body: Body<BranchStationsInput>,
) -> Result<HttpResponse, ApiError> {
    let (id, input, now) = (id.into_inner(), body.value()?, state.now());
    let items = write(&state, move |conn| {
        let before = stations_of(conn, &caller, id)?;
        let branch = branches::find(conn, caller.branch)?;
        let mut checks = Checks::default();
        let ids = &input.further_station_ids;
        if ids.len() > STATIONS_MAX {
            checks.refuse("/further_station_ids", format!("expected at most {STATIONS_MAX}"));
        }
        if !ids.is_empty() && branch.station_id.is_none() {
            let detail = "the branch names no station of its own yet";
            checks.refuse("/further_station_ids", detail);
        }
        for (i, station) in ids.iter().enumerate() {
            let pointer = format!("/further_station_ids/{i}");
            if branch.station_id == Some(*station) {
                checks.refuse(&pointer, "this is the branch's own station");
            }
            if ids.iter().take(i).any(|earlier| earlier == station) {
                checks.refuse(&pointer, "this station is there twice");
            }
        }
        checks.finish()?;
        for (i, station) in ids.iter().enumerate() {
            weather::station(conn, *station)
                .map_err(|error| refer(&format!("/further_station_ids/{i}"), error))?;
        }
        rows::set(conn, caller.branch, ids)?;
        let after = stations_of(conn, &caller, id)?;
        let deed = Deed { action: "put branch stations", kind: Resource::Branch, id };
        let (was, is) = (json!({ "stations": before }), json!({ "stations": after }));
        audit::record(conn, &caller, deed, Some(&was), Some(&is), now)?;
        Ok(after)
    })
    .await?;
    Ok(PageView { items, next: None }.answer(request.path(), request.query_string()))
}

/// Tells how much each station counts at a site
///
/// By distance and height, as the next scoring uses them; the weights sum to one. A station of
/// less than a hundredth is left out. Not paged.
#[utoipa::path(
    tag = "weather",
    params(("site_id" = i64, Path, description = "Number of the site")),
    responses((status = 200, description = "The weights", body = PageView<WeighedStationView>))
)]
#[get("/sites/{site_id}/station-weights")]
pub(crate) async fn list_station_weights(
    state: web::Data<AppState>,
    caller: Caller,
    request: HttpRequest,
    id: web::Path<i64>,
) -> Result<HttpResponse, ApiError> {
    let id = SiteId(id.into_inner());
    let items = read(&state, move |conn| {
        let site = sites::find(conn, caller.branch, id)?;
        let branch = branches::find(conn, caller.branch)?;
        let all = stations::of_branch(conn, &branch)?;
        let weighed = stations::at_site(&site, &all)?;
        Ok(weighed.into_iter().map(WeighedStationView::from).collect())
    })
    .await?;
    Ok(PageView { items, next: None }.answer(request.path(), request.query_string()))
}
