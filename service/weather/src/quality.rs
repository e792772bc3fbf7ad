//! What is wrong with a daily record, found before anything is computed from it.
//!
//! Each row gets at most one finding about its values, the first that fits in the order of
//! [`FindingKind`]; rows out of order are reported besides. Rules and their planted-error test:
//! `tests/data/weather_quality_input.csv`.

mod neighbours;
mod station_range;

use chrono::NaiveDate;
use serde::{Deserialize, Serialize};

use self::neighbours::Neighbourhood;
use crate::series::{DailyTemperature, DayRange};
use crate::temperature::{
    HIGHEST_RECORDED_CELSIUS, LOWEST_PLAUSIBLE_CELSIUS, celsius_from_fahrenheit,
};

/// One row of a source as it stands there, in °C.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct RawDay {
    /// Local calendar day.
    pub date: NaiveDate,
    /// Maximum; none when the source has no value.
    pub tmax_celsius: Option<f64>,
    /// Minimum; none when the source has no value.
    pub tmin_celsius: Option<f64>,
    /// The source's own mark of a failed quality check, if any.
    pub flag: Option<char>,
}

/// What was found.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
pub enum FindingKind {
    /// The same date again with the same values.
    #[serde(rename = "duplicate_same")]
    DuplicateSame,
    /// The same date again with other values.
    #[serde(rename = "duplicate_conflict")]
    DuplicateConflict,
    /// The source itself marks the value as failed.
    #[serde(rename = "flagged")]
    Flagged,
    /// The row has no maximum.
    #[serde(rename = "missing_tmax")]
    MissingTmax,
    /// The row has no minimum.
    #[serde(rename = "missing_tmin")]
    MissingTmin,
    /// No row for a calendar day inside the record, or a row without values.
    #[serde(rename = "missing_day")]
    MissingDay,
    /// Tenths of a degree not divided by ten.
    #[serde(rename = "tenths_not_scaled")]
    TenthsNotScaled,
    /// A value in °F in a column of °C.
    #[serde(rename = "unit_mixup_degF_in_degC")]
    UnitMixup,
    /// Hotter or colder than the Earth's records, and no unit explains it.
    #[serde(rename = "out_of_range")]
    OutOfRange,
    /// Minimum above maximum.
    #[serde(rename = "tmin_above_tmax")]
    TminAboveTmax,
    /// The same pair of values day after day.
    #[serde(rename = "stuck_sensor")]
    StuckSensor,
    /// Far outside what the station's own record holds for the time of year; reported, kept.
    #[serde(rename = "outside_station_range")]
    OutsideStationRange,
    /// A date earlier than the row before.
    #[serde(rename = "out_of_order")]
    OutOfOrder,
    /// A gap that was filled, see [`crate::gaps`].
    #[serde(rename = "gap_interpolated")]
    GapInterpolated,
    /// A gap that was filled from normals, see [`crate::gaps`].
    #[serde(rename = "gap_filled_from_normals")]
    GapFilledFromNormals,
    /// A day with too few hours to stand for a day.
    #[serde(rename = "too_few_hours")]
    TooFewHours,
}

/// What was done about it.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Remedy {
    /// The day does not count.
    Dropped,
    /// The value stands.
    Kept,
    /// Brought into order.
    Sorted,
    /// There was nothing; the day does not count.
    Missing,
    /// A value was put in its place, marked.
    Filled,
}

/// What would have been plausible, °C.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct ExpectedRange {
    /// The lowest plausible value.
    pub lowest: f64,
    /// The highest plausible value.
    pub highest: f64,
}

impl ExpectedRange {
    /// Whether a value lies inside.
    pub fn holds(&self, celsius: f64) -> bool {
        (self.lowest..=self.highest).contains(&celsius)
    }
}

/// One thing found in the input, with the days and the value it concerns.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Finding {
    /// What was found.
    pub finding: FindingKind,
    /// First day concerned.
    pub first_day: NaiveDate,
    /// Last day concerned; equal to the first for a single day.
    pub last_day: NaiveDate,
    /// The value that gave it away, °C as read, where there is one.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub value_celsius: Option<f64>,
    /// The range that the value lies outside of, where the finding is about one.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub expected_celsius: Option<ExpectedRange>,
    /// What was done about it.
    pub remedy: Remedy,
    /// One sentence for the reader.
    pub detail: String,
}

/// The thresholds of the checks. Rules of thumb without a published source, except the ends of
/// the plausible range (see [`crate::temperature`]).
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct QualityRules {
    /// Same pair of extremes on this many days in a row means a stuck sensor.
    pub stuck_days: usize,
    /// How near a re-read value must lie to its neighbours' median to explain a fault, K.
    pub explained_within_kelvin: f64,
    /// How many days to either side are neighbours.
    pub neighbour_days: i64,
    /// Sources that check for stuck sensors themselves (GHCN-Daily flag K) are not checked again.
    pub check_stuck: bool,
}

impl Default for QualityRules {
    fn default() -> Self {
        Self { stuck_days: 5, explained_within_kelvin: 5.0, neighbour_days: 7, check_stuck: true }
    }
}

/// A record after its check.
#[derive(Debug, Clone, PartialEq)]
pub struct Checked {
    /// The days that count, in order, each date once.
    pub days: Vec<DailyTemperature>,
    /// First to last calendar day with any value in the source.
    pub covered: Option<DayRange>,
    /// The findings in order of day.
    pub findings: Vec<Finding>,
}

/// Checks rows in the order of their source.
pub fn check(rows: Vec<RawDay>, rules: &QualityRules) -> Checked {
    let mut findings = Vec::new();
    let rows = ordered(rows, &mut findings);
    let covered = covered_range(&rows);
    let Some(range) = covered else {
        return Checked { days: Vec::new(), covered, findings };
    };
    let rows = without_duplicates(rows, &mut findings);
    let believed = believed_days(&rows, rules, &mut findings);
    missing_days(range, &rows, &mut findings);
    let days =
        if rules.check_stuck { without_stuck(&believed, rules, &mut findings) } else { believed };
    findings.extend(outside_station_range(&days));
    findings.sort_by_key(|found| (found.first_day, found.finding));
    Checked { days, covered, findings }
}

/// The days of a station's record, in order of date, whose minimum or maximum lies outside of what the
/// record itself makes plausible for the time of year: six biweight standard deviations from the
/// mean of the fifteen calendar days around it in all years, where they are a hundred values.
///
/// Source: the climatological outlier check of GHCN-Daily (Durre et al., J. Appl. Meteor. Climatol.
/// 49 (2010) 1615-1633). The values stand, since a record day is what a season is planned for.
pub fn outside_station_range(days: &[DailyTemperature]) -> Vec<Finding> {
    station_range::outside(days)
}

fn single(kind: FindingKind, day: NaiveDate, value: Option<f64>, remedy: Remedy) -> Finding {
    let detail = match kind {
        FindingKind::DuplicateSame => "the date is given twice with the same values; one kept",
        FindingKind::DuplicateConflict => {
            "the date is given twice with different values; both dropped"
        }
        FindingKind::Flagged => {
            "the source marks a value of this day as failed; the day does not count"
        }
        FindingKind::MissingTmax => "no maximum; the day does not count",
        FindingKind::MissingTmin => "no minimum; the day does not count",
        FindingKind::TenthsNotScaled => {
            "reads like tenths of a degree that were not divided by ten; dropped"
        }
        FindingKind::UnitMixup => "reads like degF in a degC column; dropped",
        FindingKind::OutOfRange => "beyond the records of the Earth; dropped",
        FindingKind::TminAboveTmax => "the minimum is above the maximum; both dropped",
        FindingKind::OutOfOrder => "the date is earlier than the row before; sorted",
        FindingKind::MissingDay
        | FindingKind::StuckSensor
        | FindingKind::OutsideStationRange
        | FindingKind::GapInterpolated
        | FindingKind::GapFilledFromNormals
        | FindingKind::TooFewHours => "",
    };
    Finding {
        finding: kind,
        first_day: day,
        last_day: day,
        value_celsius: value,
        expected_celsius: (kind == FindingKind::OutOfRange).then_some(EARTH),
        remedy,
        detail: detail.to_owned(),
    }
}

fn ordered(mut rows: Vec<RawDay>, findings: &mut Vec<Finding>) -> Vec<RawDay> {
    for pair in rows.windows(2) {
        if pair[1].date < pair[0].date {
            findings.push(single(FindingKind::OutOfOrder, pair[1].date, None, Remedy::Sorted));
        }
    }
    rows.sort_by_key(|row| row.date);
    rows
}

fn covered_range(rows: &[RawDay]) -> Option<DayRange> {
    let mut with_value =
        rows.iter().filter(|row| row.tmax_celsius.is_some() || row.tmin_celsius.is_some());
    let first = with_value.next()?.date;
    let last = with_value.next_back().map_or(first, |row| row.date);
    Some(DayRange { first, last })
}

/// Keeps one of equal rows; of conflicting rows none, but leaves a flagged marker row so that the
/// date is not reported as missing too.
fn without_duplicates(rows: Vec<RawDay>, findings: &mut Vec<Finding>) -> Vec<CheckedRow> {
    let mut kept: Vec<CheckedRow> = Vec::with_capacity(rows.len());
    for row in rows {
        match kept.last_mut() {
            Some(before) if before.row.date == row.date => {
                if before.conflicting {
                    continue;
                }
                if before.row == row {
                    findings.push(single(
                        FindingKind::DuplicateSame,
                        row.date,
                        row.tmax_celsius,
                        Remedy::Kept,
                    ));
                } else {
                    before.conflicting = true;
                    findings.push(single(
                        FindingKind::DuplicateConflict,
                        row.date,
                        row.tmax_celsius,
                        Remedy::Dropped,
                    ));
                }
            }
            _ => kept.push(CheckedRow { row, conflicting: false }),
        }
    }
    kept
}

struct CheckedRow {
    row: RawDay,
    conflicting: bool,
}

fn believed_days(
    rows: &[CheckedRow],
    rules: &QualityRules,
    findings: &mut Vec<Finding>,
) -> Vec<DailyTemperature> {
    let sound: Vec<RawDay> =
        rows.iter().filter(|row| !row.conflicting).map(|row| row.row).collect();
    let neighbourhood = Neighbourhood::new(&sound, rules.neighbour_days);
    let mut days = Vec::with_capacity(sound.len());
    for row in &sound {
        match verdict(row, &neighbourhood, rules) {
            Ok(day) => days.push(day),
            // A day without any value is reported with its neighbours by `missing_days`.
            Err((FindingKind::MissingDay, _)) => {}
            Err((kind, value)) => {
                let remedy = match kind {
                    FindingKind::MissingTmax | FindingKind::MissingTmin => Remedy::Missing,
                    _ => Remedy::Dropped,
                };
                findings.push(single(kind, row.date, value, remedy));
            }
        }
    }
    days
}

fn verdict(
    row: &RawDay,
    neighbourhood: &Neighbourhood<'_>,
    rules: &QualityRules,
) -> Result<DailyTemperature, (FindingKind, Option<f64>)> {
    if row.flag.is_some() {
        return Err((FindingKind::Flagged, row.tmax_celsius.or(row.tmin_celsius)));
    }
    let (tmax, tmin) = match (row.tmax_celsius, row.tmin_celsius) {
        (None, None) => return Err((FindingKind::MissingDay, None)),
        (None, Some(_)) => return Err((FindingKind::MissingTmax, None)),
        (Some(_), None) => return Err((FindingKind::MissingTmin, None)),
        (Some(tmax), Some(tmin)) => (tmax, tmin),
    };
    if !is_plausible(tmax) || !is_plausible(tmin) {
        let value = if is_plausible(tmax) { tmin } else { tmax };
        return Err((explanation(row.date, tmax, tmin, neighbourhood, rules), Some(value)));
    }
    if tmin > tmax {
        return Err((FindingKind::TminAboveTmax, Some(tmin)));
    }
    Ok(DailyTemperature { date: row.date, tmin_celsius: tmin, tmax_celsius: tmax })
}

/// Shade temperatures of this planet.
const EARTH: ExpectedRange =
    ExpectedRange { lowest: LOWEST_PLAUSIBLE_CELSIUS, highest: HIGHEST_RECORDED_CELSIUS };

/// Whether a shade temperature of this planet.
pub(crate) fn is_plausible(celsius: f64) -> bool {
    EARTH.holds(celsius)
}

/// Names the fault of a row with an implausible value by what would make it fit its neighbours.
fn explanation(
    date: NaiveDate,
    tmax: f64,
    tmin: f64,
    neighbourhood: &Neighbourhood<'_>,
    rules: &QualityRules,
) -> FindingKind {
    let medians = (neighbourhood.median_tmax(date), neighbourhood.median_tmin(date));
    if medians == (None, None) {
        return explanation_of_column(tmax, tmin);
    }
    let fits = |reread: fn(f64) -> f64| {
        let near = |value: f64, median: Option<f64>| {
            is_plausible(value)
                || median
                    .is_some_and(|m| (reread(value) - m).abs() <= rules.explained_within_kelvin)
        };
        near(tmax, medians.0) && near(tmin, medians.1)
    };
    if fits(|value| value / 10.0) {
        FindingKind::TenthsNotScaled
    } else if fits(celsius_from_fahrenheit) {
        FindingKind::UnitMixup
    } else {
        FindingKind::OutOfRange
    }
}

/// Without a sound neighbour the column itself is in another unit: °F up to the Earth's record,
/// tenths of °C beyond it.
fn explanation_of_column(tmax: f64, tmin: f64) -> FindingKind {
    let plausible_as =
        |reread: fn(f64) -> f64| is_plausible(reread(tmax)) && is_plausible(reread(tmin));
    if plausible_as(celsius_from_fahrenheit) {
        FindingKind::UnitMixup
    } else if plausible_as(|value| value / 10.0) {
        FindingKind::TenthsNotScaled
    } else {
        FindingKind::OutOfRange
    }
}

/// Reports calendar days of the range that have no row, or a row without values, as stretches.
fn missing_days(range: DayRange, rows: &[CheckedRow], findings: &mut Vec<Finding>) {
    let mut present = rows
        .iter()
        .filter(|row| {
            row.row.tmax_celsius.is_some()
                || row.row.tmin_celsius.is_some()
                || row.row.flag.is_some()
        })
        .map(|row| row.row.date)
        .peekable();
    let mut gap: Option<DayRange> = None;
    let mut report = |gap: Option<DayRange>| {
        if let Some(gap) = gap {
            let count = gap.days();
            findings.push(Finding {
                finding: FindingKind::MissingDay,
                first_day: gap.first,
                last_day: gap.last,
                value_celsius: None,
                expected_celsius: None,
                remedy: Remedy::Missing,
                detail: format!("no values on {count} day{}", if count == 1 { "" } else { "s" }),
            });
        }
    };
    for date in range.iter() {
        while present.next_if(|day| *day < date).is_some() {}
        if present.peek() == Some(&date) {
            report(gap.take());
        } else {
            gap = Some(DayRange { first: gap.map_or(date, |gap| gap.first), last: date });
        }
    }
    report(gap);
}

/// Of a run of equal pairs on consecutive days keeps the first day.
fn without_stuck(
    days: &[DailyTemperature],
    rules: &QualityRules,
    findings: &mut Vec<Finding>,
) -> Vec<DailyTemperature> {
    let same_and_next = |a: &DailyTemperature, b: &DailyTemperature| {
        a.date.succ_opt() == Some(b.date)
            && a.tmax_celsius.total_cmp(&b.tmax_celsius).is_eq()
            && a.tmin_celsius.total_cmp(&b.tmin_celsius).is_eq()
    };
    let mut kept = Vec::with_capacity(days.len());
    for run in days.chunk_by(same_and_next) {
        match run {
            [first, .., last] if run.len() >= rules.stuck_days => {
                kept.push(*first);
                findings.push(Finding {
                    finding: FindingKind::StuckSensor,
                    first_day: first.date,
                    last_day: last.date,
                    value_celsius: Some(first.tmax_celsius),
                    expected_celsius: None,
                    remedy: Remedy::Dropped,
                    detail: format!(
                        "the same values on {} days in a row; all but the first dropped",
                        run.len()
                    ),
                });
            }
            _ => kept.extend_from_slice(run),
        }
    }
    kept
}
