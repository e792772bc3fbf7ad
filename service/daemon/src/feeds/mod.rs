//! Weather from elsewhere: daily observations and the forecast of a branch's station, fetched over
//! HTTP or read from a folder, checked and stored.
//!
//! A source is met as one that may be slow, broken or wrong: what cannot be read whole changes
//! nothing, the last good data stay, and the job is tried again later. Unchanged files are not sent
//! again (conditional requests, RFC 9110 section 13); what a source said of a file is kept in the
//! database once the file is stored. A source that says `Retry-After` is left alone for so long.

pub(crate) mod fetch;
mod forecast;
mod observations;
mod retry_after;

use chrono::{DateTime, NaiveDate, Utc};
use chrono_tz::Tz;
use hotspell_domain::local_time::local_day;
use hotspell_store::Page;
use hotspell_store::branches::{self, BranchRecord};
use hotspell_store::jobs;
use hotspell_store::weather::{self as stored, StationRecord};
use hotspell_store::words::StationId;

use crate::app::weather::WeatherStored;
use crate::app::{AppError, scoring};
use crate::state::AppState;

pub use fetch::{FeedError, Sources};

/// Fetches what is configured for the branch's station; says in words what came of it.
///
/// Observations and forecast are fetched each for itself: one that fails does not keep the other
/// from being stored, but it fails the job, which is then tried again.
///
/// # Errors
/// [`AppError::Internal`] naming each source that failed.
pub async fn fetch_weather(
    state: &AppState,
    branch: &BranchRecord,
    today: NaiveDate,
) -> Result<String, AppError> {
    let Some(id) = branch.station_id else { return Ok("no station named".to_owned()) };
    let station = state.store.read(|conn| stored::station(conn, id))?;
    let observed = observations::fetch(state, &station, today).await;
    let foretold = forecast::fetch(state, &station, branch.time_zone, today).await;
    if let Ok(Some(kept)) = &observed
        && kept.days.corrected > 0
    {
        rescore(state, id).await?;
    }
    match (observed, foretold) {
        (Ok(observed), Ok(foretold)) => Ok(told(observed.as_ref(), foretold)),
        (Err(error), Ok(foretold)) => Err(failed(error, &told(None, foretold))),
        (Ok(observed), Err(error)) => Err(failed(error, &told(observed.as_ref(), None))),
        (Err(first), Err(second)) => Err(failed(first, &second.to_string())),
    }
}

fn failed(error: FeedError, beside: &str) -> AppError {
    AppError::internal(format!("{error}; {beside}"), error)
}

fn told(observed: Option<&WeatherStored>, foretold: Option<usize>) -> String {
    let days = observed.map_or_else(
        || "no new observations".to_owned(),
        |kept| {
            format!(
                "{} days new, {} corrected, {} findings",
                kept.days.inserted, kept.days.corrected, kept.findings
            )
        },
    );
    foretold.map_or_else(|| days.clone(), |count| format!("{days}, {count} days of forecast new"))
}

/// Scores again the branches of a station whose past was corrected after today's scoring; where
/// that is still to come, it finds the corrected days by itself. Other branches are left alone.
async fn rescore(state: &AppState, station: StationId) -> Result<(), AppError> {
    let state = state.clone();
    tokio::task::spawn_blocking(move || {
        let now = state.now();
        for branch in state.store.read(|conn| branches::list(conn, Page::everything()))? {
            if branch.station_id == Some(station) && scored_today(&state, &branch, now)? {
                scoring::score_branch(&state, branch.id, local_day(now, branch.time_zone))?;
            }
        }
        Ok(())
    })
    .await
    .map_err(|error| AppError::internal("scoring after a correction", error))?
}

fn scored_today(
    state: &AppState,
    branch: &BranchRecord,
    now: DateTime<Utc>,
) -> Result<bool, AppError> {
    let job = crate::jobs::tasks::Task::Scoring.as_str();
    let last = state.store.read(|conn| jobs::last_finished(conn, branch.id, job))?;
    let day = |at: DateTime<Utc>, zone: Tz| local_day(at, zone);
    Ok(last.is_some_and(|at| day(at, branch.time_zone) == day(now, branch.time_zone)))
}

/// The station's key as one segment of a URL path.
fn segment(station: &StationRecord) -> Result<&str, FeedError> {
    let plain = |at: char| at.is_ascii_alphanumeric() || at == '-' || at == '_';
    if !station.key.is_empty() && station.key.chars().all(plain) {
        Ok(&station.key)
    } else {
        Err(FeedError::StationKey { key: station.key.clone() })
    }
}

#[cfg(test)]
mod tests;
