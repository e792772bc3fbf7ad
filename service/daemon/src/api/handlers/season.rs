//! The season of the branch: its dates, and its curve as a picture.

use actix_web::http::header;
use actix_web::{HttpResponse, get, web};
use chrono::NaiveDate;
use hotspell_domain::BranchId;
use hotspell_store::branches::{self, BranchRecord};

use super::actions::run_as_of;
use crate::api::caller::Caller;
use crate::api::error::ApiError;
use crate::api::query::Query;
use crate::api::types::season::BranchSeasonView;
use crate::app::AppError;
use crate::app::outlook::{self, BranchSeason};
use crate::pages::charts::season_curve::branch_season_svg;
use crate::state::AppState;

/// On which day.
#[derive(Debug, Clone, serde::Deserialize, utoipa::IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub(crate) struct SeasonQuery {
    /// What could be said on this day, today or earlier; the branch's today if absent.
    as_of: Option<NaiveDate>,
}

/// Reads the season
///
/// When heat begins, when the first hot spell comes and which week loads most, as distributions;
/// heat so far against normal; and every day of the curve. Computed when it is read, from the
/// stored record and forecast; refused with 409 while the record is too short.
#[utoipa::path(
    tag = "weather",
    params(SeasonQuery),
    responses((status = 200, description = "The season", body = BranchSeasonView))
)]
#[get("/season")]
pub(crate) async fn find_season(
    state: web::Data<AppState>,
    caller: Caller,
    query: Query<SeasonQuery>,
) -> Result<HttpResponse, ApiError> {
    let (_, season) = run_as_of(&state, caller, query.as_of, season).await?;
    Ok(HttpResponse::Ok().json(BranchSeasonView::from(&season)))
}

/// Draws the season's curve
///
/// This year, normal, the band of the past years, what may come and the hot spells, as an SVG of
/// 960 by 480 units that reads in print and without colour.
#[utoipa::path(
    tag = "weather",
    params(SeasonQuery),
    responses((
        status = 200, description = "The picture",
        body = String, content_type = "image/svg+xml"
    ))
)]
#[get("/season/curve")]
pub(crate) async fn draw_season_curve(
    state: web::Data<AppState>,
    caller: Caller,
    query: Query<SeasonQuery>,
) -> Result<HttpResponse, ApiError> {
    let (branch, season) = run_as_of(&state, caller, query.as_of, season).await?;
    Ok(HttpResponse::Ok()
        .insert_header((header::CONTENT_TYPE, "image/svg+xml; charset=utf-8"))
        .body(branch_season_svg(&branch.name, &season)))
}

fn season(
    state: &AppState,
    branch: BranchId,
    as_of: NaiveDate,
) -> Result<(BranchRecord, BranchSeason), AppError> {
    let branch = state.store.read(|conn| branches::find(conn, branch))?;
    let season = outlook::of_branch(state, &branch, as_of)?;
    Ok((branch, season))
}
