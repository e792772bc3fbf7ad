//! Hourly temperatures: hours to days, and degree days by integration over the hours.

use chrono::{NaiveDate, NaiveDateTime, Timelike};
use serde::{Deserialize, Serialize};

use crate::caltrack::INTERPOLATED_HOURS;
use crate::degree_days::{DayDegreeDays, DegreeDayRule, DegreeDays};
use crate::quality::{Finding, FindingKind, Remedy, is_plausible, outside_station_range};
use crate::series::{DailyTemperature, DayRange, StationSeries};

/// Hours that a day must have before its extremes or its integral stand for it. Stricter than the
/// half that CalTRACK 2.2.2.3 asks of a daily mean: the hottest hour is easily among the lost.
pub const FEWEST_HOURS_OF_A_DAY: usize = 22;

/// The temperature of one hour.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct HourlyTemperature {
    /// Start of the hour in the station's civil time.
    pub at: NaiveDateTime,
    /// Mean or sample of the hour, °C.
    pub celsius: f64,
    /// Relative humidity, percent, where the source has it.
    pub relative_humidity_percent: Option<f64>,
}

/// An hourly record of one station.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct HourlySeries {
    /// The source's identifier; empty when it names none.
    pub station: String,
    /// The hours that count, in order.
    pub hours: Vec<HourlyTemperature>,
    /// What was wrong with the input.
    pub findings: Vec<Finding>,
}

impl HourlySeries {
    /// Orders the readings, averages those of one hour, drops and reports implausible ones.
    pub fn from_readings(station: impl Into<String>, readings: Vec<HourlyTemperature>) -> Self {
        let mut findings = Vec::new();
        for pair in readings.windows(2) {
            if pair[1].at < pair[0].at {
                findings.push(hour_finding(
                    FindingKind::OutOfOrder,
                    &pair[1],
                    Remedy::Sorted,
                    "earlier than the row before; sorted",
                ));
            }
        }
        let mut sound = Vec::with_capacity(readings.len());
        for reading in readings {
            if is_plausible(reading.celsius) {
                sound.push(reading);
            } else {
                findings.push(hour_finding(
                    FindingKind::OutOfRange,
                    &reading,
                    Remedy::Dropped,
                    "beyond the records of the Earth; hour dropped",
                ));
            }
        }
        sound.sort_by_key(|reading| reading.at);
        let same_hour =
            |a: &HourlyTemperature, b: &HourlyTemperature| hour_of(a.at) == hour_of(b.at);
        let mut hours = Vec::with_capacity(sound.len());
        for readings in sound.chunk_by(same_hour) {
            add_hour(readings, &mut hours, &mut findings);
        }
        findings.sort_by_key(|found| (found.first_day, found.finding));
        Self { station: station.into(), hours, findings }
    }

    /// First to last calendar day with a reading.
    pub fn covered(&self) -> Option<DayRange> {
        Some(DayRange { first: self.hours.first()?.at.date(), last: self.hours.last()?.at.date() })
    }

    /// The readings day by day.
    pub fn by_day(&self) -> impl Iterator<Item = (NaiveDate, &[HourlyTemperature])> {
        let same_day = |a: &HourlyTemperature, b: &HourlyTemperature| a.at.date() == b.at.date();
        self.hours.chunk_by(same_day).filter_map(|day| Some((day.first()?.at.date(), day)))
    }

    /// Days with their extremes, where at least `fewest_hours` are there; others are reported.
    pub fn daily_extremes(&self, fewest_hours: usize) -> StationSeries {
        let mut findings = self.findings.clone();
        let mut days = Vec::new();
        for (date, hours) in self.by_day() {
            if hours.len() < fewest_hours {
                findings.push(too_few(date, hours.len(), fewest_hours));
                continue;
            }
            let values = || hours.iter().map(|hour| hour.celsius);
            days.push(DailyTemperature {
                date,
                tmin_celsius: values().fold(f64::INFINITY, f64::min),
                tmax_celsius: values().fold(f64::NEG_INFINITY, f64::max),
            });
        }
        findings.extend(outside_station_range(&days));
        findings.sort_by_key(|found| (found.first_day, found.finding));
        let covered = self.covered();
        StationSeries { station: self.station.clone(), days, covered, findings }
    }

    /// Degree days by integration: the mean over a day's hours of their excess. A day with fewer
    /// than `fewest_hours` has none. The rule's base, sense and cutoff hold; its method is stored
    /// with the result and must be [`crate::degree_days::Method::Hourly`] for it to be true.
    pub fn degree_days(
        &self,
        rule: &DegreeDayRule,
        range: DayRange,
        fewest_hours: usize,
    ) -> DegreeDays {
        let mut known = self.by_day().peekable();
        let days = range.iter().map(|date| {
            while known.next_if(|(day, _)| *day < date).is_some() {}
            let hours = known.next_if(|(day, _)| *day == date).map(|(_, hours)| hours);
            let degree_days = hours.filter(|hours| hours.len() >= fewest_hours).map(|hours| {
                let sum: f64 = hours.iter().map(|hour| rule.of_constant(hour.celsius)).sum();
                sum / hours.len() as f64
            });
            DayDegreeDays { date, degree_days }
        });
        DegreeDays::new(*rule, days.collect())
    }

    /// The same record with gaps of at most six hours filled by straight lines and reported
    /// (CalTRACK 2.2.4.1); longer gaps stay open.
    pub fn with_short_gaps_filled(&self) -> Self {
        let mut filled = self.clone();
        filled.hours.clear();
        for pair in self.hours.windows(2) {
            filled.hours.push(pair[0]);
            let span = (hour_of(pair[1].at) - hour_of(pair[0].at)).num_hours();
            let missing = usize::try_from(span - 1).unwrap_or(0);
            if missing == 0 || missing > INTERPOLATED_HOURS {
                continue;
            }
            for step in 1..span {
                let share = step as f64 / span as f64;
                filled.hours.push(HourlyTemperature {
                    at: hour_of(pair[0].at) + chrono::TimeDelta::hours(step),
                    celsius: pair[0].celsius + share * (pair[1].celsius - pair[0].celsius),
                    relative_humidity_percent: None,
                });
            }
            let text = format!("{missing} missing hours interpolated (CalTRACK 2.2.4.1)");
            filled.findings.push(hour_finding(
                FindingKind::GapInterpolated,
                &pair[0],
                Remedy::Filled,
                &text,
            ));
        }
        filled.hours.extend(self.hours.last());
        filled
    }
}

fn hour_of(at: NaiveDateTime) -> NaiveDateTime {
    at.date().and_hms_opt(at.hour(), 0, 0).unwrap_or(at)
}

/// Adds what was read in one civil hour: readings of different minutes as their mean; the same
/// minute twice with other values as two hours, since clocks are set back once a year.
fn add_hour(
    readings: &[HourlyTemperature],
    hours: &mut Vec<HourlyTemperature>,
    findings: &mut Vec<Finding>,
) {
    let (Some(first), Some(last)) = (readings.first(), readings.last()) else { return };
    if first.at != last.at {
        hours.push(mean_of_hour(first, readings));
        return;
    }
    hours.push(*first);
    for again in readings.iter().skip(1) {
        if again.celsius.total_cmp(&first.celsius).is_eq() {
            let text = "the same hour twice with the same value; one kept";
            findings.push(hour_finding(FindingKind::DuplicateSame, again, Remedy::Kept, text));
        } else {
            let text = "the same hour twice with different values; both count, as when clocks are set back";
            findings.push(hour_finding(FindingKind::DuplicateConflict, again, Remedy::Kept, text));
            hours.push(*again);
        }
    }
}

fn mean_of_hour(first: &HourlyTemperature, readings: &[HourlyTemperature]) -> HourlyTemperature {
    let mean = readings.iter().map(|r| r.celsius).sum::<f64>() / readings.len() as f64;
    let humid: Vec<f64> = readings.iter().filter_map(|r| r.relative_humidity_percent).collect();
    let humidity = (!humid.is_empty()).then(|| humid.iter().sum::<f64>() / humid.len() as f64);
    HourlyTemperature { at: hour_of(first.at), celsius: mean, relative_humidity_percent: humidity }
}

fn hour_finding(
    kind: FindingKind,
    reading: &HourlyTemperature,
    remedy: Remedy,
    text: &str,
) -> Finding {
    Finding {
        finding: kind,
        first_day: reading.at.date(),
        last_day: reading.at.date(),
        value_celsius: Some(reading.celsius),
        expected_celsius: None,
        remedy,
        detail: format!("{}: {text}", reading.at.format("%H:%M")),
    }
}

fn too_few(date: NaiveDate, hours: usize, fewest: usize) -> Finding {
    Finding {
        finding: FindingKind::TooFewHours,
        first_day: date,
        last_day: date,
        value_celsius: None,
        expected_celsius: None,
        remedy: Remedy::Missing,
        detail: format!("{hours} hours, and a day needs {fewest}; the day does not count"),
    }
}
