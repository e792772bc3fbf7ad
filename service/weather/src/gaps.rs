//! What to do about missing days, by a stated rule, never silently.
//!
//! Leave (the default): a missing day has no value and is counted. Fill: a gap of up to
//! [`INTERPOLATED_DAYS`] days is bridged by straight lines between the days around it; a longer one
//! takes the station's own smoothed normals; both are marked and carry an uncertainty. More than a
//! tenth of the days missing is refused (CalTRACK 2.0, section 2.2.1.2).

use chrono::{Datelike, NaiveDate};
use serde::{Deserialize, Serialize};

use crate::caltrack::{Insufficient, check_baseline_days};
use crate::degree_days::{DegreeDayError, DegreeDayRule};
use crate::normals::Climatology;
use crate::quality::{Finding, FindingKind, Remedy};
use crate::series::{DailyTemperature, DayRange, StationSeries};

/// Longest gap bridged by straight lines, days (common practice, no source; weather loses half of
/// its memory in about three days).
pub const INTERPOLATED_DAYS: usize = 3;

/// The rule chosen.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum GapRule {
    /// Missing days stay missing.
    #[default]
    Leave,
    /// Short gaps interpolated, long ones from normals, too many refused.
    Fill,
}

/// Where a day's values come from.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Origin {
    /// As measured.
    Measured,
    /// Straight line over a short gap.
    Interpolated,
    /// The normal of the calendar day.
    FromNormals,
}

/// A day with its origin.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct FilledDay {
    /// The extremes.
    pub day: DailyTemperature,
    /// Where they come from.
    pub origin: Origin,
    /// Standard deviation of the daily mean as filled, K; 0 where measured.
    pub deviation_kelvin: f64,
}

/// A stretch without holes.
#[derive(Debug, Clone, PartialEq)]
pub struct FilledSeries {
    /// Every calendar day of the stretch.
    pub days: Vec<FilledDay>,
    /// One finding for each gap filled.
    pub findings: Vec<Finding>,
}

/// Why gaps cannot be filled.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum GapError {
    /// More is missing than may be.
    #[error(transparent)]
    TooMany(#[from] Insufficient),
    /// The record knows nothing about that time of the year.
    #[error(
        "the record has no values around {day} in any year, so the gap cannot be filled; leave it open"
    )]
    NoNormals {
        /// First day that cannot be filled.
        day: NaiveDate,
    },
}

/// Fills the gaps of a series over a range.
///
/// # Errors
/// [`GapError`] when more than a tenth of the days is missing, or normals are lacking.
pub fn fill(series: &StationSeries, range: DayRange) -> Result<FilledSeries, GapError> {
    let known = series.days_within(range);
    check_baseline_days(range.days(), range.days() - known.len())?;
    let mut filled = FilledSeries { days: Vec::with_capacity(range.days()), findings: Vec::new() };
    if known.len() == range.days() {
        filled.days.extend(known.iter().map(|day| measured(*day)));
        return Ok(filled);
    }
    let years = range.first.year() - 60..=range.last.year() + 60;
    let climatology = Climatology::of_series(series, years);
    let mut known = known.iter().peekable();
    let mut before: Option<DailyTemperature> = None;
    let mut next_open = range.first;
    loop {
        let next = known.next();
        let gap_end = next.map_or(Some(range.last), |day| day.date.pred_opt());
        if let Some(last) = gap_end.filter(|last| *last >= next_open) {
            let gap = DayRange { first: next_open, last };
            filled.close(gap, before, next.copied(), &climatology)?;
        }
        let Some(day) = next else { break };
        filled.days.push(measured(*day));
        before = Some(*day);
        let Some(following) = day.date.succ_opt() else { break };
        next_open = following;
    }
    Ok(filled)
}

fn measured(day: DailyTemperature) -> FilledDay {
    FilledDay { day, origin: Origin::Measured, deviation_kelvin: 0.0 }
}

impl FilledSeries {
    fn close(
        &mut self,
        gap: DayRange,
        before: Option<DailyTemperature>,
        after: Option<DailyTemperature>,
        climatology: &Climatology,
    ) -> Result<(), GapError> {
        let ends = before.zip(after).filter(|_| gap.days() <= INTERPOLATED_DAYS);
        for (at, date) in gap.iter().enumerate() {
            let usual = climatology.deviation_kelvin(date);
            let filled = match ends {
                Some((before, after)) => {
                    let share = (at + 1) as f64 / (gap.days() + 1) as f64;
                    // A bridge errs most in its middle; half of the day-to-day spread at a single
                    // missing day (lag-one autocorrelation of daily means near 0.7).
                    let middle = 2.0 * (share * (1.0 - share)).sqrt();
                    FilledDay {
                        day: between(date, &before, &after, share),
                        origin: Origin::Interpolated,
                        deviation_kelvin: 0.6 * middle * usual.unwrap_or(3.0),
                    }
                }
                None => from_normals(date, climatology).ok_or(GapError::NoNormals { day: date })?,
            };
            self.days.push(filled);
        }
        self.findings.push(finding(gap, ends.is_some()));
        Ok(())
    }

    /// The days alone, as a series to reckon with.
    pub fn series(&self, station: &str) -> StationSeries {
        StationSeries::from_days(station, self.days.iter().map(|filled| filled.day).collect())
    }

    /// Standard deviation of the total degree days that the filled days bring, in the rule's unit.
    ///
    /// Each filled day's share is half the difference of its degree days one deviation warmer and
    /// colder. Within a gap the shares are added (a warm spell warms all of it), gaps are taken as
    /// independent of each other.
    ///
    /// # Errors
    /// [`DegreeDayError::NeedsHourlyInput`] for the hourly method.
    pub fn total_deviation(&self, rule: &DegreeDayRule) -> Result<f64, DegreeDayError> {
        let mut variance = 0.0;
        let same_kind = |a: &FilledDay, b: &FilledDay| {
            (a.origin == Origin::Measured) == (b.origin == Origin::Measured)
        };
        for gap in self.days.chunk_by(same_kind) {
            let mut sum = 0.0;
            for filled in gap.iter().filter(|filled| filled.origin != Origin::Measured) {
                let moved = |by: f64| {
                    let day = DailyTemperature {
                        tmin_celsius: filled.day.tmin_celsius + by,
                        tmax_celsius: filled.day.tmax_celsius + by,
                        ..filled.day
                    };
                    rule.of_day(&day, None)
                };
                let deviation = filled.deviation_kelvin;
                sum += (moved(deviation)? - moved(-deviation)?).abs() / 2.0;
            }
            variance += sum * sum;
        }
        Ok(variance.sqrt())
    }
}

fn between(
    date: NaiveDate,
    before: &DailyTemperature,
    after: &DailyTemperature,
    share: f64,
) -> DailyTemperature {
    let line = |from: f64, to: f64| from + share * (to - from);
    DailyTemperature {
        date,
        tmin_celsius: line(before.tmin_celsius, after.tmin_celsius),
        tmax_celsius: line(before.tmax_celsius, after.tmax_celsius),
    }
}

fn from_normals(date: NaiveDate, climatology: &Climatology) -> Option<FilledDay> {
    let day = DailyTemperature {
        date,
        tmin_celsius: climatology.tmin.smoothed(date)?,
        tmax_celsius: climatology.tmax.smoothed(date)?,
    };
    let deviation_kelvin = climatology.deviation_kelvin(date)?;
    Some(FilledDay { day, origin: Origin::FromNormals, deviation_kelvin })
}

fn finding(gap: DayRange, interpolated: bool) -> Finding {
    let (finding, how) = if interpolated {
        (FindingKind::GapInterpolated, "bridged by straight lines")
    } else {
        (FindingKind::GapFilledFromNormals, "filled from the station's normals")
    };
    let count = gap.days();
    Finding {
        finding,
        first_day: gap.first,
        last_day: gap.last,
        value_celsius: None,
        expected_celsius: None,
        remedy: Remedy::Filled,
        detail: format!("{count} missing day{} {how}", if count == 1 { "" } else { "s" }),
    }
}
