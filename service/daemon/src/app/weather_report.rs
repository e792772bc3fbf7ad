//! What the office should know of a station's record: how fresh it is, which days had a finding,
//! which were filled by which rule, what the source changed.

use chrono::{Days, NaiveDate};
use hotspell_domain::DateRange;
use hotspell_store::weather::{self as stored, Correction, Finding, StationRecord, WeatherDay};
use hotspell_store::words::StationId;
use hotspell_weather::gaps::{self, FilledDay, Origin};
use hotspell_weather::series::{DayRange, StationSeries};

use super::{AppError, weather};
use crate::state::AppState;

/// Findings shown of a station, by its latest days.
const FINDINGS_SHOWN: i64 = 100;
/// How far back corrections are shown.
const CORRECTION_DAYS: u64 = 366;

/// A day of which the source changed its word.
#[derive(Debug, Clone, PartialEq)]
pub struct CorrectedDay {
    /// What it said before.
    pub before: Correction,
    /// What it says now.
    pub now: Option<WeatherDay>,
}

/// A stretch of days that were filled.
#[derive(Debug, Clone, PartialEq)]
pub struct FilledStretch {
    /// The days, in order.
    pub days: Vec<FilledDay>,
    /// By which rule.
    pub origin: Origin,
}

/// A station's record as the office should know it.
#[derive(Debug, Clone)]
pub struct StationReport {
    /// The station.
    pub station: StationRecord,
    /// First and last day of the record; nothing while there is none.
    pub covered: Option<DayRange>,
    /// A sentence when the record is stale.
    pub stale: Option<String>,
    /// Findings about its latest days, latest first.
    pub findings: Vec<Finding>,
    /// Stretches filled inside the record, latest first; or why it cannot be filled.
    pub filled: Result<Vec<FilledStretch>, String>,
    /// Days of the past year that the source changed, latest change first.
    pub corrected: Vec<CorrectedDay>,
}

/// The report of one station as of a day.
///
/// # Errors
/// Those of the store.
pub fn of_station(
    state: &AppState,
    id: StationId,
    as_of: NaiveDate,
) -> Result<StationReport, AppError> {
    let station = state.store.read(|conn| stored::station(conn, id))?;
    let series = match weather::station_record(state, id) {
        Ok(series) => Some(series),
        Err(AppError::NotReady(_)) => None,
        Err(error) => return Err(error),
    };
    let stale = series.as_ref().and_then(|series| weather::staleness(state, series, as_of));
    let filled = series.as_ref().map_or_else(|| Ok(Vec::new()), filled);
    let (findings, corrected) = state.store.read(|conn| {
        let findings = stored::latest_findings(conn, id, FINDINGS_SHOWN)?;
        let first = as_of.checked_sub_days(Days::new(CORRECTION_DAYS)).unwrap_or(as_of);
        let Some(range) = DateRange::new(first, as_of) else {
            return Ok::<_, AppError>((findings, Vec::new()));
        };
        let days = stored::days(conn, id, range)?;
        let corrected = stored::corrections(conn, id, range)?
            .into_iter()
            .rev()
            .map(|before| {
                let now = days.iter().find(|day| day.day == before.day).cloned();
                CorrectedDay { before, now }
            })
            .collect();
        Ok((findings, corrected))
    })?;
    let covered = series.and_then(|series| series.covered);
    Ok(StationReport { station, covered, stale, findings, filled, corrected })
}

/// The stretches that the gap rule fills inside a record, latest first, or why it refuses.
///
/// # Errors
/// The rule's refusal, in words.
pub fn filled(series: &StationSeries) -> Result<Vec<FilledStretch>, String> {
    let Some(range) = series.covered else { return Ok(Vec::new()) };
    let filled = gaps::fill(series, range).map_err(|error| error.to_string())?;
    let mut stretches: Vec<FilledStretch> = filled
        .days
        .chunk_by(|a, b| a.origin == b.origin)
        .filter(|days| days.first().is_some_and(|day| day.origin != Origin::Measured))
        .filter_map(|days| {
            Some(FilledStretch { origin: days.first()?.origin, days: days.to_vec() })
        })
        .collect();
    stretches.reverse();
    Ok(stretches)
}
