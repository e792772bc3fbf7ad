//! The forecast of a station's place in the manner of api.weather.gov: the grid cell of the point,
//! then the cell's layers.

use chrono::NaiveDate;
use chrono_tz::Tz;
use hotspell_store::weather::{self as stored, Forecast, ForecastDay, StationRecord};
use hotspell_weather::formats::nws::gridpoint;
use serde::Deserialize;

use super::fetch::{self, FeedError};
use crate::state::AppState;

#[derive(Deserialize)]
struct Point {
    properties: Cell,
}

#[derive(Deserialize)]
#[serde(rename_all = "camelCase")]
struct Cell {
    grid_id: String,
    grid_x: u32,
    grid_y: u32,
}

/// Fetches and stores the forecast: how many days of it are new; nothing when there is no source
/// or nothing new.
pub(super) async fn fetch(
    state: &AppState,
    station: &StationRecord,
    zone: Tz,
    today: NaiveDate,
) -> Result<Option<usize>, FeedError> {
    let settings = &state.config.weather;
    let Some(base) = settings.forecast_url.as_deref().map(|url| url.trim_end_matches('/')) else {
        return Ok(None);
    };
    // The service takes at most four decimal places, and no zeros at their end.
    let rounded = |degrees: f64| (degrees * 1e4).round() / 1e4;
    let (north, east) = (rounded(station.latitude_degrees), rounded(station.longitude_degrees));
    let point = format!("{base}/points/{north},{east}");
    let cell = match state.sources.grid(&point) {
        Some(cell) => cell,
        None => locate(state, station, &point).await?,
    };
    let url = format!("{base}/gridpoints/{cell}");
    let fetched = match fetch::get(state, station.id, &url).await {
        Ok(Some(fetched)) => fetched,
        Ok(None) => return Ok(None),
        Err(error) => {
            // The grid is redrawn now and then: ask for the cell again next time.
            if matches!(error, FeedError::Status { status: 404, .. }) {
                state.sources.set_grid(&point, None);
            }
            return Err(error);
        }
    };
    let read = gridpoint::read(fetched.bytes.as_slice())
        .map_err(|error| FeedError::unreadable(&url, error))?;
    let days: Vec<ForecastDay> = read
        .daily(&zone)
        .into_iter()
        .filter(|day| day.date >= today)
        .map(|day| ForecastDay {
            day: day.date,
            tmin_celsius: Some(day.tmin_celsius),
            tmax_celsius: Some(day.tmax_celsius),
            source: url.clone(),
        })
        .collect();
    if days.is_empty() {
        return Err(FeedError::unreadable(&url, format!("no whole day from {today} on")));
    }
    let forecast = Forecast { issued_at: read.updated, days };
    let (id, now) = (station.id, state.now());
    let new = state
        .store
        .write(|conn| stored::put_forecast(conn, id, &forecast, now))
        .map_err(FeedError::keeping)?;
    fetch::remember(state, id, &url, fetched.validators)?;
    Ok(Some(new))
}

/// The grid cell of a point. Only its name is taken, never an address that the answer holds: the
/// configured address is the only one that is spoken to.
async fn locate(
    state: &AppState,
    station: &StationRecord,
    point: &str,
) -> Result<String, FeedError> {
    let fetched = fetch::get(state, station.id, point).await?;
    let bytes = fetched.map(|fetched| fetched.bytes).unwrap_or_default();
    let read: Point =
        serde_json::from_slice(&bytes).map_err(|error| FeedError::unreadable(point, error))?;
    let Cell { grid_id, grid_x, grid_y } = read.properties;
    if grid_id.is_empty() || !grid_id.chars().all(|at| at.is_ascii_alphanumeric()) {
        return Err(FeedError::unreadable(point, format!("«{grid_id}» is no name of a grid")));
    }
    let cell = format!("{grid_id}/{grid_x},{grid_y}");
    state.sources.set_grid(point, Some(cell.clone()));
    Ok(cell)
}
