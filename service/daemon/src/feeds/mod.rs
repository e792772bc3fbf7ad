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
use hotspell_store::branches::BranchRecord;
use hotspell_store::jobs;
use hotspell_store::weather::StationRecord;

use crate::app::weather::WeatherStored;
use crate::app::{AppError, late_weather, stations};
use crate::state::AppState;

pub use fetch::{FeedError, Sources};

/// Fetches what is configured for the branch's stations: the daily record of each, and the forecast
/// of its own; says in words what came of it.
///
/// Each is fetched for itself: one that fails does not keep the others from being stored, but it
/// fails the job, which is then tried again.
///
/// # Errors
/// [`AppError::Internal`] naming each source that failed.
pub async fn fetch_weather(
    state: &AppState,
    branch: &BranchRecord,
    today: NaiveDate,
) -> Result<String, AppError> {
    let stations = state.store.read(|conn| stations::of_branch(conn, branch))?;
    let Some(own) = stations.first() else { return Ok("no station named".to_owned()) };
    let (mut said, mut failed) = (Vec::new(), Vec::new());
    for station in &stations {
        match observations::fetch(state, station, today).await {
            Ok(kept) => {
                if let Some(day) = kept.as_ref().and_then(|kept| kept.days.last_altered) {
                    rescore(state, station, day).await?;
                }
                let whose =
                    if stations.len() > 1 { format!("{}: ", station.key) } else { String::new() };
                said.push(format!("{whose}{}", told(kept.as_ref())));
            }
            Err(error) => failed.push(error),
        }
    }
    match forecast::fetch(state, own, branch.time_zone, today).await {
        Ok(Some(count)) => said.push(format!("{count} days of forecast new")),
        Ok(None) => {}
        Err(error) => failed.push(error),
    }
    let said = said.join(", ");
    let all: Vec<String> = failed.iter().map(FeedError::to_string).collect();
    match failed.into_iter().next() {
        None => Ok(said),
        Some(first) => Err(AppError::internal(format!("{}; {said}", all.join("; ")), first)),
    }
}

fn told(observed: Option<&WeatherStored>) -> String {
    observed.map_or_else(
        || "no new observations".to_owned(),
        |kept| {
            format!(
                "{} days new, {} corrected, {} findings",
                kept.days.inserted, kept.days.corrected, kept.findings
            )
        },
    )
}

/// Scores again what altered days touch, in each branch that was scored today; where that is still
/// to come, it finds the days by itself.
async fn rescore(
    state: &AppState,
    station: &StationRecord,
    last_altered: NaiveDate,
) -> Result<(), AppError> {
    let (state, station) = (state.clone(), station.clone());
    tokio::task::spawn_blocking(move || {
        let now = state.now();
        late_weather::rescore(&state, &station, last_altered, |branch| {
            scored_today(&state, branch, now)
        })
    })
    .await
    .map_err(|error| AppError::internal("scoring after a correction", error))??;
    Ok(())
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
