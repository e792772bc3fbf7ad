//! The weather that a branch's computations use, from the store to the weather room and back.

use std::collections::BTreeMap;
use std::io::BufRead;

use chrono::{DateTime, NaiveDate, NaiveTime, TimeDelta, Utc};
use hotspell_domain::DateRange;
use hotspell_domain::local_time::instant;
use hotspell_store::AnyConnection;
use hotspell_store::branches::BranchRecord;
use hotspell_store::weather::{self as stored, DaysStored, Finding, WeatherDay};
use hotspell_store::words::StationId;
use hotspell_weather::formats::{ReadOptions, WeatherRecord, read_record};
use hotspell_weather::gaps;
use hotspell_weather::quality::{FindingKind, outside_station_range};
use hotspell_weather::series::{DailyTemperature, DayRange, StationSeries};

use super::AppError;
use crate::state::AppState;

/// Hours that a day must have for its extremes to count (22 of 24, as the degree-day checks use).
const FEWEST_HOURS: usize = 22;
/// Age at which a forecast is no longer used.
const FORECAST_AGE_MAX: TimeDelta = TimeDelta::hours(48);
/// Findings of a station that a new file's are compared with.
const FINDINGS_COMPARED: i64 = 10_000;
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
    station_record(state, id)
}

/// The record of a station.
///
/// # Errors
/// [`AppError::NotReady`] when it has no day.
pub fn station_record(state: &AppState, id: StationId) -> Result<StationSeries, AppError> {
    state.store.read(|conn| {
        let station = stored::station(conn, id)?;
        let days: Vec<DailyTemperature> = stored::extremes(conn, id)?
            .into_iter()
            .map(|(date, tmin_celsius, tmax_celsius)| DailyTemperature {
                date,
                tmin_celsius,
                tmax_celsius,
            })
            .collect();
        if days.is_empty() {
            return Err(AppError::NotReady(format!(
                "station {} has no weather yet; import its daily record first",
                station.key
            )));
        }
        Ok(StationSeries::from_days(station.key.clone(), days))
    })
}

/// A record without holes, up to the day before the day from which it is looked at.
#[derive(Debug, Clone)]
pub(super) struct WholeRecord {
    /// Its days.
    pub(super) series: StationSeries,
    /// The first and the last of them.
    pub(super) range: DayRange,
    /// What was assumed where there were holes, in words.
    pub(super) assumptions: Vec<String>,
}

/// Fills the holes of a record by the stated rule of the weather room.
///
/// # Errors
/// [`AppError::NotReady`] when the record is empty or has too many holes.
pub(super) fn whole(record: &StationSeries, as_of: NaiveDate) -> Result<WholeRecord, AppError> {
    let known: Vec<DailyTemperature> =
        record.days.iter().filter(|day| day.date < as_of).copied().collect();
    let (Some(first), Some(last)) = (known.first(), known.last()) else {
        return Err(AppError::NotReady(format!(
            "station {} has no weather before {as_of}; import its daily record first",
            record.station
        )));
    };
    let range = DayRange { first: first.date, last: last.date };
    let known = StationSeries::from_days(record.station.clone(), known);
    let filled = gaps::fill(&known, range).map_err(|error| {
        AppError::NotReady(format!("weather of station {}: {error}", record.station))
    })?;
    let series = filled.series(&record.station);
    let mut assumptions: Vec<String> = filled
        .findings
        .iter()
        .map(|gap| format!("weather {} to {}: {}", gap.first_day, gap.last_day, gap.detail))
        .collect();
    let stale = (as_of - range.last).num_days() - 1;
    if stale > 0 {
        assumptions.push(format!(
            "the weather record ends on {}; {stale} days up to {as_of} count as without heat",
            range.last
        ));
    }
    Ok(WholeRecord { series, range, assumptions })
}

/// What the newest forecast by the end of the day before `as_of`, or by now on that day, says of
/// the days from `as_of` on; nothing when there is none or it is older than two days, for its skill
/// is reckoned from `as_of`.
///
/// # Errors
/// Those of the store.
pub fn forecast(
    state: &AppState,
    branch: &BranchRecord,
    as_of: NaiveDate,
) -> Result<Vec<DailyTemperature>, AppError> {
    let Some(id) = branch.station_id else { return Ok(Vec::new()) };
    let midnight = |day: NaiveDate| instant(day, NaiveTime::MIN, branch.time_zone);
    let at = as_of.succ_opt().map_or_else(|| state.now(), midnight).min(state.now());
    let newest = state.store.read(|conn| stored::latest_forecast(conn, id, at))?;
    let Some(newest) = newest.filter(|it| midnight(as_of) - it.issued_at <= FORECAST_AGE_MAX)
    else {
        return Ok(Vec::new());
    };
    let days = newest.days.into_iter().filter(|day| day.day >= as_of).filter_map(|day| {
        Some(DailyTemperature {
            date: day.day,
            tmin_celsius: day.tmin_celsius?,
            tmax_celsius: day.tmax_celsius?,
        })
    });
    Ok(days.collect())
}

/// A sentence when the record ends longer before `as_of` than `weather.stale_after_days`.
#[must_use]
pub fn staleness(state: &AppState, record: &StationSeries, as_of: NaiveDate) -> Option<String> {
    let last = record.days.iter().map(|day| day.date).filter(|date| *date < as_of).max()?;
    let lacking = (as_of - last).num_days() - 1;
    (lacking > state.config.weather.stale_after_days).then(|| {
        format!(
            "The weather of station {} is stale: its last day is {}, {lacking} days before {} are \
             missing. What follows does without them.",
            record.station,
            last.format("%b %-d, %Y"),
            as_of.format("%b %-d, %Y")
        )
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
    state.store.write(|conn| {
        let findings: Vec<Finding> = judged(conn, station, &series)?
            .into_iter()
            .filter(|finding| finding.first_day < until)
            .map(|finding| kept_finding(finding, now))
            .collect();
        let days = stored::put_days(conn, station, &days, now)?;
        // The same file comes again each day: what was told once is not told again.
        let known = stored::findings(conn, station, FINDINGS_COMPARED)?;
        let same =
            |a: &Finding, b: &Finding| (a.day, &a.kind, &a.detail) == (b.day, &b.kind, &b.detail);
        let new: Vec<Finding> = findings
            .iter()
            .filter(|found| !known.iter().any(|earlier| same(earlier, found)))
            .cloned()
            .collect();
        stored::insert_findings(conn, station, &new)?;
        Ok(WeatherStored { days, findings: findings.len() })
    })
}

/// The findings of a file. What is plausible at a station is judged by the stored record with the
/// file's days in it: a file of a few days has no range of its own.
fn judged(
    conn: &mut AnyConnection,
    station: StationId,
    series: &StationSeries,
) -> Result<Vec<hotspell_weather::quality::Finding>, AppError> {
    let mut record: BTreeMap<NaiveDate, DailyTemperature> = BTreeMap::new();
    if let Some(range) = stored::stored_range(conn, station)? {
        let known = stored::days(conn, station, range)?;
        record.extend(known.iter().filter_map(measured).map(|day| (day.date, day)));
    }
    record.extend(series.days.iter().map(|day| (day.date, *day)));
    let record: Vec<DailyTemperature> = record.into_values().collect();
    let in_file = |day: NaiveDate| series.day(day).is_some();
    let mut findings = series.findings.clone();
    findings.retain(|found| found.finding != FindingKind::OutsideStationRange);
    findings.extend(outside_station_range(&record).into_iter().filter(|it| in_file(it.first_day)));
    Ok(findings)
}

/// A finding as it is stored.
fn kept_finding(finding: hotspell_weather::quality::Finding, now: DateTime<Utc>) -> Finding {
    Finding {
        day: Some(finding.first_day),
        kind: published_name(finding.finding),
        found_at: now,
        last_day: Some(finding.last_day),
        value_celsius: finding.value_celsius,
        expected_low_celsius: finding.expected_celsius.map(|range| range.lowest),
        expected_high_celsius: finding.expected_celsius.map(|range| range.highest),
        remedy: Some(published_name(finding.remedy)),
        detail: finding.detail,
    }
}

/// A stored day with both extremes.
fn measured(day: &WeatherDay) -> Option<DailyTemperature> {
    Some(DailyTemperature {
        date: day.day,
        tmin_celsius: day.tmin_celsius?,
        tmax_celsius: day.tmax_celsius?,
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

/// The published name of a kind of finding or of a remedy.
fn published_name(word: impl serde::Serialize + std::fmt::Debug) -> String {
    serde_json::to_value(&word)
        .ok()
        .and_then(|name| name.as_str().map(str::to_owned))
        .unwrap_or_else(|| format!("{word:?}"))
}
