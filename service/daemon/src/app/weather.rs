//! The weather that a branch's computations use, from the store to the weather room and back.

use std::io::BufRead;

use chrono::{DateTime, NaiveDate, Utc};
use hotspell_domain::DateRange;
use hotspell_store::branches::BranchRecord;
use hotspell_store::weather::{self as stored, DaysStored, Finding, WeatherDay};
use hotspell_store::words::StationId;
use hotspell_weather::formats::{ReadOptions, WeatherRecord, read_record};
use hotspell_weather::series::{DailyTemperature, StationSeries};

use super::AppError;
use crate::state::AppState;

/// Hours that a day must have for its extremes to count (22 of 24, as the degree-day checks use).
const FEWEST_HOURS: usize = 22;
/// The earliest day that any record may have.
const EARLIEST: NaiveDate = NaiveDate::MIN;

/// The record of the branch's station.
///
/// # Errors
/// [`AppError::NotReady`] when the branch has no station or the station no day.
pub fn record(state: &AppState, branch: &BranchRecord) -> Result<StationSeries, AppError> {
    let id = branch.station_id.ok_or_else(|| {
        AppError::NotReady(format!("branch {} has no weather station; name one first", branch.key))
    })?;
    state.store.read(|conn| {
        let station = stored::station(conn, id)?;
        let range = stored::stored_range(conn, id)?.ok_or_else(|| {
            AppError::NotReady(format!(
                "station {} has no weather yet; import its daily record first",
                station.key
            ))
        })?;
        let days = stored::days(conn, id, range)?
            .into_iter()
            .filter_map(|day| {
                Some(DailyTemperature {
                    date: day.day,
                    tmin_celsius: day.tmin_celsius?,
                    tmax_celsius: day.tmax_celsius?,
                })
            })
            .collect();
        Ok(StationSeries::from_days(station.key.clone(), days))
    })
}

/// What became of a weather file.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct WeatherStored {
    /// Days new, corrected and unchanged.
    pub days: DaysStored,
    /// What was wrong with the input.
    pub findings: usize,
}

/// Reads a station's file and stores its days before `until`; a changed day keeps its earlier
/// value beside it.
///
/// # Errors
/// [`AppError::Invalid`] when the file cannot be read as weather.
pub fn import(
    state: &AppState,
    station: StationId,
    source: &str,
    reader: impl BufRead,
    until: NaiveDate,
    now: DateTime<Utc>,
) -> Result<WeatherStored, AppError> {
    let read = read_record(reader, &ReadOptions::default())
        .map_err(|error| AppError::field("file", error))?;
    let series = match read {
        WeatherRecord::Daily(series) => series,
        WeatherRecord::Hourly(hours) => hours.daily_extremes(FEWEST_HOURS),
    };
    let days: Vec<WeatherDay> = series
        .days
        .iter()
        .filter(|day| day.date < until && day.date > EARLIEST)
        .map(|day| WeatherDay {
            day: day.date,
            tmin_celsius: Some(day.tmin_celsius),
            tmax_celsius: Some(day.tmax_celsius),
            source: source.to_owned(),
            flag: None,
        })
        .collect();
    let findings: Vec<Finding> = series
        .findings
        .iter()
        .filter(|finding| finding.first_day < until)
        .map(|finding| Finding {
            day: Some(finding.first_day),
            kind: finding_name(finding.finding),
            detail: finding.detail.clone(),
            found_at: now,
        })
        .collect();
    state.store.write(|conn| {
        let days = stored::put_days(conn, station, &days, now)?;
        stored::insert_findings(conn, station, &findings)?;
        Ok(WeatherStored { days, findings: findings.len() })
    })
}

/// The days that a range has, for the API and pages.
///
/// # Errors
/// Those of the store.
pub fn days(
    state: &AppState,
    station: StationId,
    range: DateRange,
) -> Result<Vec<WeatherDay>, AppError> {
    Ok(state.store.read(|conn| stored::days(conn, station, range))?)
}

/// The finding's published name.
fn finding_name(kind: hotspell_weather::quality::FindingKind) -> String {
    serde_json::to_value(kind)
        .ok()
        .and_then(|name| name.as_str().map(str::to_owned))
        .unwrap_or_else(|| format!("{kind:?}"))
}
