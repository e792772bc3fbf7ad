//! Weather stations, their days and what was found wrong with them.

use actix_web::{HttpRequest, HttpResponse, get, web};
use chrono::NaiveDate;
use hotspell_domain::DateRange;
use hotspell_store::weather as rows;
use hotspell_store::words::StationId;

use crate::api::caller::Caller;
use crate::api::crud;
use crate::api::error::ApiError;
use crate::api::page::{PageView, Paged as _, list_query};
use crate::api::transact::read;
use crate::api::types::weather::{StationView, WeatherDayView, WeatherFindingView};
use crate::state::AppState;

/// Most days of one answer: a leap year.
const DAYS_MAX: i64 = 366;

list_query! {
    /// Which stations are listed.
    StationQuery {}
}

/// Which days are listed.
#[derive(Debug, Clone, serde::Deserialize, utoipa::IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub(crate) struct WeatherDayQuery {
    /// First day.
    first: NaiveDate,
    /// Last day, at most a year after the first.
    last: NaiveDate,
}

/// Lists weather stations
///
/// Stations are shared by branches; a branch names the one that its weather is measured at.
#[utoipa::path(
    tag = "weather",
    params(StationQuery),
    responses((status = 200, description = "One page", body = PageView<StationView>))
)]
#[get("/weather-stations")]
pub(crate) async fn list_weather_stations(
    state: web::Data<AppState>,
    _caller: Caller,
    request: HttpRequest,
    query: web::Query<StationQuery>,
) -> Result<HttpResponse, ApiError> {
    let work = |conn: &mut hotspell_store::AnyConnection, page: hotspell_store::Page| {
        let limit = usize::try_from(page.limit).unwrap_or(usize::MAX);
        let stations = rows::stations(conn)?;
        Ok(stations.into_iter().filter(|row| row.id.0 > page.after_id).take(limit).collect())
    };
    let view = |record: rows::StationRecord| (record.id.0, StationView::from(record));
    crud::rows(&state, &request, query.page(), work, view).await
}

/// Reads a weather station
///
/// As its network describes it.
#[utoipa::path(
    tag = "weather",
    params(("station_id" = i64, Path, description = "Number of the station")),
    responses((status = 200, description = "The station", body = StationView))
)]
#[get("/weather-stations/{station_id}")]
pub(crate) async fn find_weather_station(
    state: web::Data<AppState>,
    _caller: Caller,
    id: web::Path<i64>,
) -> Result<HttpResponse, ApiError> {
    let id = StationId(id.into_inner());
    let record = read(&state, move |conn| Ok(rows::station(conn, id)?)).await?;
    Ok(HttpResponse::Ok().json(StationView::from(record)))
}

/// Lists the days of a station
///
/// The stored days of the range, in order; a day that is not stored is not there. Not paged: a
/// range has at most 366 days.
#[utoipa::path(
    tag = "weather",
    params(("station_id" = i64, Path, description = "Number of the station"), WeatherDayQuery),
    responses((status = 200, description = "The days", body = PageView<WeatherDayView>))
)]
#[get("/weather-stations/{station_id}/days")]
pub(crate) async fn list_weather_days(
    state: web::Data<AppState>,
    _caller: Caller,
    request: HttpRequest,
    id: web::Path<i64>,
    query: web::Query<WeatherDayQuery>,
) -> Result<HttpResponse, ApiError> {
    let (id, first, last) = (StationId(id.into_inner()), query.first, query.last);
    let range = DateRange::new(first, last)
        .ok_or_else(|| ApiError::field("last", format!("{last} comes before {first}")))?;
    if range.days() > DAYS_MAX {
        let detail = format!("{} days; expected at most {DAYS_MAX}", range.days());
        return Err(ApiError::field("last", detail));
    }
    let days = read(&state, move |conn| {
        rows::station(conn, id)?;
        Ok(rows::days(conn, id, range)?)
    })
    .await?;
    let items = days.into_iter().map(WeatherDayView::from).collect();
    Ok(PageView { items, next: None }.answer(request.path(), request.query_string()))
}

/// Lists what was found wrong with a station
///
/// The newest 500 findings, newest first; not paged.
#[utoipa::path(
    tag = "weather",
    params(("station_id" = i64, Path, description = "Number of the station")),
    responses((status = 200, description = "The findings", body = PageView<WeatherFindingView>))
)]
#[get("/weather-stations/{station_id}/findings")]
pub(crate) async fn list_weather_findings(
    state: web::Data<AppState>,
    _caller: Caller,
    request: HttpRequest,
    id: web::Path<i64>,
) -> Result<HttpResponse, ApiError> {
    let id = StationId(id.into_inner());
    let findings = read(&state, move |conn| {
        rows::station(conn, id)?;
        Ok(rows::findings(conn, id, 500)?)
    })
    .await?;
    let items = findings.into_iter().map(WeatherFindingView::from).collect();
    Ok(PageView { items, next: None }.answer(request.path(), request.query_string()))
}
