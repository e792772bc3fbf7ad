//! What the jobs do. Each looks at the present state and may run twice with the same result.

use std::io::{BufReader, Cursor};
use std::path::Path;
use std::time::Duration;

use chrono::{Days, NaiveDate, Weekday};
use hotspell_domain::DateRange;
use hotspell_store::branches::BranchRecord;
use hotspell_store::weather as stored;

use crate::app::{AppError, loads, missed, notices, proof, route_mail, scoring, weather};
use crate::state::AppState;

/// A daily job.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Task {
    /// Fetch and check the station's weather.
    Weather,
    /// Fit the life model and score every part.
    Scoring,
    /// Look after the adopted plan.
    PlanCheck,
    /// Write the notices that are due.
    Notices,
    /// Write tomorrow's load lists and route mails.
    Routes,
}

impl Task {
    /// Every job, in the order in which they are done when several are due.
    pub const ALL: &'static [Self] =
        &[Self::Weather, Self::Scoring, Self::PlanCheck, Self::Notices, Self::Routes];

    /// Its name in the ledger.
    #[must_use]
    pub const fn as_str(self) -> &'static str {
        match self {
            Self::Weather => "weather",
            Self::Scoring => "scoring",
            Self::PlanCheck => "plan-check",
            Self::Notices => "notices",
            Self::Routes => "routes",
        }
    }
}

/// Does the task for a branch's day; says in words what came of it.
///
/// # Errors
/// The task's own; it is tried again later.
pub async fn run(
    state: &AppState,
    branch: &BranchRecord,
    task: Task,
    today: NaiveDate,
) -> Result<String, AppError> {
    if task == Task::Weather {
        return fetch_weather(state, branch, today).await;
    }
    let (state, branch) = (state.clone(), branch.clone());
    tokio::task::spawn_blocking(move || run_blocking(&state, &branch, task, today))
        .await
        .map_err(|error| AppError::internal("job task", error))?
}

fn run_blocking(
    state: &AppState,
    branch: &BranchRecord,
    task: Task,
    today: NaiveDate,
) -> Result<String, AppError> {
    match task {
        Task::Weather => Ok(String::new()),
        Task::Scoring => {
            prove_weekly(state, branch, today)?;
            let summary = scoring::score_branch(state, branch.id, today)?;
            Ok(format!("{} parts scored", summary.components))
        }
        Task::PlanCheck => {
            let count = missed::mark_missed(state, branch.id, today)?;
            Ok(format!("{count} visits missed"))
        }
        Task::Notices => {
            let written = notices::write_due(state, branch.id)?;
            Ok(format!(
                "{} reminders, {} second ones, {} for tomorrow",
                written.reminders, written.second_reminders, written.day_before
            ))
        }
        Task::Routes => {
            let tomorrow = today.checked_add_days(Days::new(1)).unwrap_or(today);
            if let Some(day) = DateRange::new(tomorrow, tomorrow) {
                loads::write_load_lists(state, branch.id, day, today)?;
            }
            let count = route_mail::write(state, branch.id, tomorrow)?;
            Ok(format!("{count} routes written"))
        }
    }
}

/// Judges the life model by the past seasons, at the first scoring and then once a week. A branch
/// without a whole season on record has nothing to judge by.
fn prove_weekly(state: &AppState, branch: &BranchRecord, today: NaiveDate) -> Result<(), AppError> {
    let due = proof::latest(state, branch.id)?
        .is_none_or(|proof| today.week(Weekday::Mon).first_day() > proof.as_of);
    if !due {
        return Ok(());
    }
    match proof::prove(state, branch.id, today) {
        Ok(_) => Ok(()),
        Err(AppError::NotReady(why)) => {
            tracing::info!(branch = %branch.key, why, "no backtest");
            Ok(())
        }
        Err(error) => Err(error),
    }
}

/// Reads the station's file from the configured folder, else fetches it from the configured
/// address.
async fn fetch_weather(
    state: &AppState,
    branch: &BranchRecord,
    today: NaiveDate,
) -> Result<String, AppError> {
    let Some(id) = branch.station_id else { return Ok("no station named".to_owned()) };
    let station = state.store.read(|conn| stored::station(conn, id))?;
    let settings = &state.config.weather;
    let (source, bytes) = if let Some(folder) = &settings.folder {
        read_file(folder, &station.key)?
    } else if let Some(base) = &settings.observations_url {
        let url = format!("{}/{}.csv", base.trim_end_matches('/'), station.key);
        (url.clone(), download(&url, settings.timeout_s).await?)
    } else {
        return Ok("no source of weather is configured".to_owned());
    };
    let state = state.clone();
    tokio::task::spawn_blocking(move || {
        let reader = BufReader::new(Cursor::new(bytes));
        let kept = weather::import(&state, id, &source, reader, today, state.now())?;
        Ok(format!(
            "{} days new, {} corrected, {} findings",
            kept.days.inserted, kept.days.corrected, kept.findings
        ))
    })
    .await
    .map_err(|error| AppError::internal("weather task", error))?
}

fn read_file(folder: &Path, station: &str) -> Result<(String, Vec<u8>), AppError> {
    for ending in ["dly", "csv"] {
        let path = folder.join(format!("ghcnd_{station}.{ending}"));
        if path.is_file() {
            let bytes = std::fs::read(&path).map_err(|error| {
                AppError::internal(format!("reading {}", path.display()), error)
            })?;
            return Ok((path.display().to_string(), bytes));
        }
    }
    Err(AppError::NotReady(format!(
        "there is no ghcnd_{station}.dly or .csv in {}; put the station's record there",
        folder.display()
    )))
}

async fn download(url: &str, timeout_s: u64) -> Result<Vec<u8>, AppError> {
    let failed = |error: reqwest::Error| AppError::internal(format!("fetching {url}"), error);
    let client = reqwest::Client::builder()
        .timeout(Duration::from_secs(timeout_s))
        .user_agent(concat!("hotspell/", env!("CARGO_PKG_VERSION")))
        .build()
        .map_err(failed)?;
    let answer =
        client.get(url).send().await.map_err(failed)?.error_for_status().map_err(failed)?;
    Ok(answer.bytes().await.map_err(failed)?.to_vec())
}
