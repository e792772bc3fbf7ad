//! The station's daily record: a file in a folder, or one behind an address.

use std::io::{BufReader, Cursor};
use std::path::Path;

use chrono::NaiveDate;
use hotspell_store::weather::StationRecord;

use super::fetch::{self, FeedError};
use super::segment;
use crate::app::AppError;
use crate::app::weather::{self, WeatherStored};
use crate::state::AppState;

/// Fetches and stores the record; nothing when there is no source or nothing new.
pub(super) async fn fetch(
    state: &AppState,
    station: &StationRecord,
    today: NaiveDate,
) -> Result<Option<WeatherStored>, FeedError> {
    let settings = &state.config.weather;
    if let Some(folder) = settings.folder.clone() {
        let key = segment(station)?.to_owned();
        let read = tokio::task::spawn_blocking(move || read_file(&folder, &key)).await;
        let (source, bytes) =
            read.map_err(|error| FeedError::keeping(AppError::internal("reading", error)))??;
        return keep(state, station, source, bytes, today).await.map(Some);
    }
    let Some(base) = &settings.observations_url else { return Ok(None) };
    let url = format!("{}/{}.csv", base.trim_end_matches('/'), segment(station)?);
    let Some(fetched) = fetch::get(state, station.id, &url).await? else { return Ok(None) };
    // Without a stated length an answer that broke off looks whole, and half a number is a number.
    if fetched.bytes.last() != Some(&b'\n') {
        return Err(FeedError::unreadable(&url, "the last line has no end: cut off, or empty"));
    }
    let kept = keep(state, station, url.clone(), fetched.bytes, today).await?;
    fetch::remember(state, station.id, &url, fetched.validators)?;
    Ok(Some(kept))
}

async fn keep(
    state: &AppState,
    station: &StationRecord,
    source: String,
    bytes: Vec<u8>,
    today: NaiveDate,
) -> Result<WeatherStored, FeedError> {
    let (state, id) = (state.clone(), station.id);
    tokio::task::spawn_blocking(move || {
        let reader = BufReader::new(Cursor::new(bytes));
        weather::import(&state, id, &source, reader, today, state.now()).map_err(
            |error| match error {
                AppError::Invalid(_) => FeedError::unreadable(&source, error),
                error => FeedError::keeping(error),
            },
        )
    })
    .await
    .map_err(|error| FeedError::keeping(AppError::internal("weather task", error)))?
}

fn read_file(folder: &Path, station: &str) -> Result<(String, Vec<u8>), FeedError> {
    for ending in ["dly", "csv"] {
        let path = folder.join(format!("ghcnd_{station}.{ending}"));
        if path.is_file() {
            let name = path.display().to_string();
            let bytes =
                std::fs::read(&path).map_err(|error| FeedError::unreadable(&name, error))?;
            return Ok((name, bytes));
        }
    }
    Err(FeedError::unreadable(
        &folder.display().to_string(),
        format!("there is no ghcnd_{station}.dly or .csv; put the station's record there"),
    ))
}
