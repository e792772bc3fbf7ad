//! What the command line prints: a whole answer with the rule that made it and what was found in
//! the input, ready to be written as JSON.

use chrono::NaiveDate;
use serde::Serialize;
use thiserror::Error;

use crate::degree_days::{DegreeDayError, DegreeDayRule, DegreeDays, Method, Sense};
use crate::formats::WeatherRecord;
use crate::gaps::{self, FilledSeries, GapError, GapRule, Origin};
use crate::hourly::{FEWEST_HOURS_OF_A_DAY, HourlySeries};
use crate::quality::Finding;
use crate::season::{SeasonDefinition, SeasonError, SeasonOutlook, outlook};
use crate::series::{DayRange, StationSeries};
use crate::temperature::TemperatureUnit;

/// Degree days of a stretch of days.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct DegreeDayReport {
    /// The source's identifier; empty when it names none.
    pub station: String,
    /// Base with its unit, such as `65F`.
    pub base: String,
    /// Name of the method.
    pub method: Method,
    /// Cooling or heating.
    pub sense: Sense,
    /// The unit that the degree days count in: that of the base.
    pub unit: TemperatureUnit,
    /// What was done about missing days.
    pub gaps: GapRule,
    /// Every calendar day from the first to the last.
    pub days: Vec<DayReport>,
    /// Sum over the days that have a value.
    pub total: f64,
    /// Days without a value.
    pub missing_days: usize,
    /// Days whose value was filled in.
    pub filled_days: usize,
    /// Standard deviation of the total that filled days bring; 0 where nothing was filled.
    pub total_deviation: f64,
    /// What was found in the input, inside the stretch.
    pub findings: Vec<Finding>,
}

/// One day.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct DayReport {
    /// Local calendar day.
    pub date: NaiveDate,
    /// Degree days; none where the day has no usable value.
    pub degree_days: Option<f64>,
    /// Where a filled value comes from; absent where it was measured.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub filled: Option<Origin>,
}

/// Why there is no answer.
#[derive(Debug, Error)]
pub enum ReportError {
    /// The rule does not fit the input.
    #[error(transparent)]
    Rule(#[from] DegreeDayError),
    /// The gaps cannot be filled.
    #[error(transparent)]
    Gaps(#[from] GapError),
    /// The season cannot be told.
    #[error(transparent)]
    Season(#[from] SeasonError),
    /// The stretch is empty.
    #[error("the days from {from} to {to} are none; the last day must not be before the first")]
    EmptyStretch {
        /// First day asked for.
        from: NaiveDate,
        /// Last day asked for.
        to: NaiveDate,
    },
    /// Nothing to reckon with.
    #[error("the record holds no usable day")]
    NoDays,
    /// Records of more than one station.
    #[error(
        "the files are of different stations ({first} and {second}); run the command once for each"
    )]
    DifferentStations {
        /// One.
        first: String,
        /// Another.
        second: String,
    },
}

/// Degree days of a record from a day to a day; without them, of all that it covers.
///
/// Hourly records serve every method: the daily ones by the extremes of days with enough hours.
///
/// # Errors
/// [`ReportError`] where rule, gaps or stretch do not fit the record.
pub fn degree_day_report(
    record: &WeatherRecord,
    rule: &DegreeDayRule,
    gap_rule: GapRule,
    from: Option<NaiveDate>,
    to: Option<NaiveDate>,
) -> Result<DegreeDayReport, ReportError> {
    match record {
        WeatherRecord::Daily(series) => {
            let range = stretch(series.covered, from, to)?;
            daily_report(series, rule, gap_rule, range)
        }
        WeatherRecord::Hourly(hours) => {
            let range = stretch(hours.covered(), from, to)?;
            let hours = match gap_rule {
                GapRule::Leave => hours.clone(),
                GapRule::Fill => hours.with_short_gaps_filled(),
            };
            if rule.method() == Method::Hourly {
                return Ok(hourly_report(&hours, rule, gap_rule, range));
            }
            daily_report(&hours.daily_extremes(FEWEST_HOURS_OF_A_DAY), rule, gap_rule, range)
        }
    }
}

fn stretch(
    covered: Option<DayRange>,
    from: Option<NaiveDate>,
    to: Option<NaiveDate>,
) -> Result<DayRange, ReportError> {
    let covered = covered.ok_or(ReportError::NoDays)?;
    let (first, last) = (from.unwrap_or(covered.first), to.unwrap_or(covered.last));
    if last < first {
        return Err(ReportError::EmptyStretch { from: first, to: last });
    }
    Ok(DayRange { first, last })
}

fn daily_report(
    series: &StationSeries,
    rule: &DegreeDayRule,
    gap_rule: GapRule,
    range: DayRange,
) -> Result<DegreeDayReport, ReportError> {
    // First, so that a rule that cannot work is named before the gaps are.
    let measured = rule.of_series(series, range)?;
    match gap_rule {
        GapRule::Leave => Ok(report(&series.station, &measured, gap_rule, &series.findings, range)),
        GapRule::Fill => {
            let filled = gaps::fill(series, range)?;
            let sums = rule.of_series(&filled.series(&series.station), range)?;
            let mut findings = series.findings.clone();
            findings.extend(filled.findings.iter().cloned());
            findings.sort_by_key(|found| (found.first_day, found.finding));
            let mut answer = report(&series.station, &sums, gap_rule, &findings, range);
            mark_filled(&mut answer, &filled);
            answer.total_deviation = filled.total_deviation(rule)?;
            Ok(answer)
        }
    }
}

fn hourly_report(
    hours: &HourlySeries,
    rule: &DegreeDayRule,
    gap_rule: GapRule,
    range: DayRange,
) -> DegreeDayReport {
    let sums = hours.degree_days(rule, range, FEWEST_HOURS_OF_A_DAY);
    // The extremes' findings name the days with too few hours.
    let findings = hours.daily_extremes(FEWEST_HOURS_OF_A_DAY).findings;
    report(&hours.station, &sums, gap_rule, &findings, range)
}

fn report(
    station: &str,
    sums: &DegreeDays,
    gaps: GapRule,
    findings: &[Finding],
    range: DayRange,
) -> DegreeDayReport {
    let day = |day: &crate::degree_days::DayDegreeDays| DayReport {
        date: day.date,
        degree_days: day.degree_days,
        filled: None,
    };
    let inside = |found: &&Finding| found.first_day <= range.last && found.last_day >= range.first;
    DegreeDayReport {
        station: station.to_owned(),
        base: sums.rule.base().to_string(),
        method: sums.rule.method(),
        sense: sums.rule.sense(),
        unit: sums.rule.base().unit,
        gaps,
        days: sums.days.iter().map(day).collect(),
        total: sums.total,
        missing_days: sums.missing_days,
        filled_days: 0,
        total_deviation: 0.0,
        findings: findings.iter().filter(inside).cloned().collect(),
    }
}

fn mark_filled(answer: &mut DegreeDayReport, filled: &FilledSeries) {
    for (day, filled) in answer.days.iter_mut().zip(&filled.days) {
        if filled.origin != Origin::Measured {
            day.filled = Some(filled.origin);
            answer.filled_days += 1;
        }
    }
}

/// A season with what was found in the input.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct SeasonReport {
    /// The outlook.
    #[serde(flatten)]
    pub outlook: SeasonOutlook,
    /// Unit of the degree days of heat so far.
    pub unit: TemperatureUnit,
    /// What was found in the input, in all of the record.
    pub findings: Vec<Finding>,
}

/// The season of a year. Without an as-of day it is the day after the record's last in that year,
/// or the season's first day where the record ends before it.
///
/// # Errors
/// [`ReportError::Season`] when the record has too few years.
pub fn season_report(
    history: &StationSeries,
    year: i32,
    as_of: Option<NaiveDate>,
    definition: &SeasonDefinition,
) -> Result<SeasonReport, ReportError> {
    let season = crate::season::season_range(year, definition)?;
    let as_of = as_of.unwrap_or_else(|| {
        let last = history.days_within(season).last().map(|day| day.date);
        last.and_then(|last| last.succ_opt()).unwrap_or(season.first)
    });
    let outlook = outlook(history, year, as_of, &[], definition)?;
    Ok(SeasonReport {
        outlook,
        unit: definition.load_base.unit,
        findings: history.findings.clone(),
    })
}

/// One daily record out of several files of a station; of a day given twice the later file wins.
///
/// # Errors
/// [`ReportError`] for different stations or no usable day.
pub fn joined_record(records: Vec<WeatherRecord>) -> Result<StationSeries, ReportError> {
    let mut joined = StationSeries::from_days(String::new(), Vec::new());
    for record in records {
        let series = match record {
            WeatherRecord::Daily(series) => series,
            WeatherRecord::Hourly(hours) => hours.daily_extremes(FEWEST_HOURS_OF_A_DAY),
        };
        if joined.station.is_empty() {
            joined.station.clone_from(&series.station);
        } else if !series.station.is_empty() && series.station != joined.station {
            return Err(ReportError::DifferentStations {
                first: joined.station,
                second: series.station,
            });
        }
        joined.days.extend(series.days);
        joined.findings.extend(series.findings);
    }
    let mut findings = joined.findings;
    findings.sort_by_key(|found| (found.first_day, found.finding));
    let joined = StationSeries::from_days(joined.station, joined.days);
    if joined.days.is_empty() {
        return Err(ReportError::NoDays);
    }
    Ok(StationSeries { findings, ..joined })
}
