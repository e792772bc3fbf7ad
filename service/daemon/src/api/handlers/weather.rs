//! Weather stations, their days and what was found wrong with them.

use actix_web::http::header;
use actix_web::{HttpRequest, HttpResponse, get, post, put, web};
use chrono::{DateTime, NaiveDate, Utc};
use hotspell_domain::DateRange;
use hotspell_domain::local_time::local_day;
use hotspell_store::weather::{self as rows, NewStation};
use hotspell_store::words::{Resource, StationId};
use hotspell_store::{AnyConnection, branches};

use crate::api::audit::{self, Deed};
use crate::api::body::{Body, too_large};
use crate::api::caller::Caller;
use crate::api::crud;
use crate::api::error::ApiError;
use crate::api::page::{PageView, Paged as _, list_query};
use crate::api::query::Query;
use crate::api::transact::{read, run, write};
use crate::api::types::weather::{
    StationInput, StationView, WeatherDayView, WeatherFileView, WeatherFindingView,
};
use crate::app::{AppError, late_weather, weather};
use crate::state::AppState;

/// Most days of one answer: a leap year.
const DAYS_MAX: i64 = 366;

list_query! {
    /// Which stations are listed.
    StationQuery sorted by rows::StationSort {}
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
    query: Query<StationQuery>,
) -> Result<HttpResponse, ApiError> {
    let work = |conn: &mut AnyConnection, page| Ok(rows::stations(conn, page)?);
    let view = |_: &mut AnyConnection, record: rows::StationRecord| Ok(StationView::from(record));
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
    query: Query<WeatherDayQuery>,
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

/// Stores a weather station
///
/// New, or found by its key: then what the network says of it is replaced.
#[utoipa::path(
    tag = "weather",
    request_body = StationInput,
    responses((status = 201, description = "The station", body = StationView))
)]
#[post("/weather-stations")]
pub(crate) async fn put_weather_station(
    state: web::Data<AppState>,
    caller: Caller,
    body: Body<StationInput>,
) -> Result<HttpResponse, ApiError> {
    let (station, now) = (body.value()?.checked()?, state.now());
    let view = write(&state, move |conn| keep_station(conn, &caller, &station, now)).await?;
    Ok(HttpResponse::Created()
        .insert_header((header::LOCATION, format!("/api/v1/weather-stations/{}", view.id)))
        .json(view))
}

/// Stores a station, found by its key.
pub(crate) fn keep_station(
    conn: &mut AnyConnection,
    caller: &Caller,
    station: &NewStation,
    now: DateTime<Utc>,
) -> Result<StationView, ApiError> {
    let view = StationView::from(rows::put_station(conn, station, now)?);
    noted(conn, caller, "put weather station", &view, now)?;
    Ok(view)
}

/// Stations are shared, so the audit names the branch that changed one.
fn noted<T: serde::Serialize>(
    conn: &mut AnyConnection,
    caller: &Caller,
    action: &str,
    after: &T,
    now: DateTime<Utc>,
) -> Result<(), ApiError> {
    let deed = Deed { action, kind: Resource::Branch, id: caller.branch.0 };
    audit::record(conn, caller, deed, None::<&()>, Some(after), now)
}

/// Uploads a station's file
///
/// A GHCN-Daily file (`.dly` or `.csv`), an hourly record, or what else the weather room reads,
/// as plain text. Days before today are stored; a day that said something else before is
/// corrected and its earlier value kept. Parts that lived through a day that was corrected or
/// filled in are scored again at once, new days count at the next scoring. The same file again
/// changes nothing.
#[utoipa::path(
    tag = "weather",
    params(("station_id" = i64, Path, description = "Number of the station")),
    request_body(
        content = String, content_type = "text/plain",
        description = "The file, UTF-8 or ASCII text"
    ),
    responses((status = 200, description = "What became of it", body = WeatherFileView))
)]
#[put("/weather-stations/{station_id}/file")]
pub(crate) async fn upload_weather_file(
    state: web::Data<AppState>,
    caller: Caller,
    request: HttpRequest,
    id: web::Path<i64>,
    body: Result<web::Bytes, actix_web::Error>,
) -> actix_web::Result<HttpResponse> {
    let id = StationId(id.into_inner());
    read(&state, move |conn| Ok(rows::station(conn, id)?)).await?;
    let body = body.map_err(|error| too_large(error, &request))?;
    let view = read_in(&state, caller, id, "upload", body).await?;
    Ok(HttpResponse::Ok().json(view))
}

/// Stores the days of a station's file, scores again the parts that lived through a day that says
/// something else now, and keeps who did it. `name` is the file's in refusals.
pub(crate) async fn read_in(
    state: &web::Data<AppState>,
    caller: Caller,
    id: StationId,
    name: &str,
    content: web::Bytes,
) -> Result<WeatherFileView, ApiError> {
    let (shared, now, name) = (state.clone(), state.now(), name.to_owned());
    let view = run(move || {
        let (branch, station) = shared.store.read(|conn| {
            Ok::<_, AppError>((branches::find(conn, caller.branch)?, rows::station(conn, id)?))
        })?;
        let today = local_day(now, branch.time_zone);
        let stored = weather::import(&shared, id, &name, content.as_ref(), today, now)?;
        let scored_again = match stored.days.last_altered {
            Some(day) => late_weather::rescore(&shared, &station, day, |_| Ok(true))?,
            None => 0,
        };
        Ok::<_, AppError>(WeatherFileView {
            inserted: stored.days.inserted,
            corrected: stored.days.corrected,
            unchanged: stored.days.unchanged,
            findings: stored.findings,
            scored_again,
        })
    })
    .await?;
    let kept = view.clone();
    write(state, move |conn| noted(conn, &caller, "upload weather file", &kept, now)).await?;
    Ok(view)
}
