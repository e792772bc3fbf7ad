//! Plain CSV from a logger, a building system or a spreadsheet: `date,tmin_c,tmax_c` or
//! `timestamp,temp_c`, in °F with `_f`. Extra columns are passed over. An optional column `qflag`
//! marks values that failed the source's own check.

use std::io::BufRead;

use chrono::{DateTime, NaiveDateTime};
use csv::StringRecord;

use super::csv_rows::CsvRows;
use super::fields::{day, is_missing};
use super::{FormatError, WeatherRecord};
use crate::hourly::{HourlySeries, HourlyTemperature};
use crate::quality::{QualityRules, RawDay, check};
use crate::series::StationSeries;
use crate::temperature::TemperatureUnit;

const DATE: [&str; 2] = ["date", "day"];
const TIMESTAMP: [&str; 4] = ["timestamp", "datetime", "date_time", "time"];
const TMIN: [&str; 7] =
    ["tmin", "temp_min", "temperature_min", "min_temp", "mintemp", "low", "min"];
const TMAX: [&str; 7] =
    ["tmax", "temp_max", "temperature_max", "max_temp", "maxtemp", "high", "max"];
const TEMPERATURE: [&str; 4] = ["temp", "temperature", "t", "dry_bulb"];
const HUMIDITY: [&str; 4] = ["humid", "humidity", "relative_humidity", "rh"];
const FLAG: [&str; 3] = ["qflag", "q_flag", "flag"];

/// Whether a header has what this format needs.
pub(super) fn fits(columns: &[String]) -> bool {
    Layout::of(columns).is_ok()
}

/// A column and the unit that its name states.
#[derive(Debug, Clone, Copy)]
struct Measured {
    place: usize,
    unit: Option<TemperatureUnit>,
}

enum Layout {
    Daily { date: usize, tmin: Measured, tmax: Measured, flag: Option<usize> },
    Hourly { timestamp: usize, temperature: Measured, humidity: Option<usize> },
}

impl Layout {
    fn of(columns: &[String]) -> Result<Self, FormatError> {
        let bare = |names: &[&str]| columns.iter().position(|name| names.contains(&name.as_str()));
        let measured = |names: &[&str]| {
            columns.iter().enumerate().find_map(|(place, column)| {
                let (name, unit) = split_unit(column);
                names.contains(&name).then_some(Measured { place, unit })
            })
        };
        let missing =
            |wanted: &'static str| FormatError::MissingColumn { wanted, found: columns.join(", ") };
        if let (Some(timestamp), Some(temperature)) = (bare(&TIMESTAMP), measured(&TEMPERATURE)) {
            return Ok(Self::Hourly { timestamp, temperature, humidity: bare(&HUMIDITY) });
        }
        let date = bare(&DATE).ok_or_else(|| missing("date (or timestamp)"))?;
        let tmin = measured(&TMIN).ok_or_else(|| missing("tmin_c or tmin_f"))?;
        let tmax = measured(&TMAX).ok_or_else(|| missing("tmax_c or tmax_f"))?;
        Ok(Self::Daily { date, tmin, tmax, flag: bare(&FLAG) })
    }
}

/// `tmin_c`, `tmin (C)`, `tmin_degF`, `tmin_celsius` into name and unit.
fn split_unit(column: &str) -> (&str, Option<TemperatureUnit>) {
    let suffixes = [
        ("celsius", TemperatureUnit::Celsius),
        ("fahrenheit", TemperatureUnit::Fahrenheit),
        ("degc", TemperatureUnit::Celsius),
        ("degf", TemperatureUnit::Fahrenheit),
        ("°c", TemperatureUnit::Celsius),
        ("°f", TemperatureUnit::Fahrenheit),
        ("c", TemperatureUnit::Celsius),
        ("f", TemperatureUnit::Fahrenheit),
    ];
    let open = column.trim_end_matches([')', ']']);
    for (suffix, unit) in suffixes {
        if let Some(name) = open.strip_suffix(suffix)
            && let Some(name) = name.strip_suffix(['_', ' ', '(', '[', '-'])
        {
            return (name.trim_end_matches(['_', ' ', '(', '[', '-']), Some(unit));
        }
    }
    (column, None)
}

/// Reads days or hours; `declared` is the unit where the header does not state it.
///
/// Timestamps are civil time of the station; an offset or `Z` at their end is passed over, since a
/// logger's own clock is what cuts its days.
///
/// # Errors
/// [`FormatError`] with the line, and when nothing states the unit.
pub fn read(
    reader: impl BufRead,
    declared: Option<TemperatureUnit>,
) -> Result<WeatherRecord, FormatError> {
    let mut builder = csv::ReaderBuilder::new();
    builder.trim(csv::Trim::All).flexible(true);
    let mut lines = CsvRows::new(&builder, reader)?;
    match Layout::of(&lines.columns)? {
        Layout::Daily { date, tmin, tmax, flag } => {
            let (low, high) = (unit_of(tmin, declared)?, unit_of(tmax, declared)?);
            let mut rows = Vec::new();
            each_row(&mut lines, |line, record| {
                let field = |at: usize| record.get(at).unwrap_or_default();
                let day = day(field(date)).ok_or_else(|| {
                    FormatError::line(
                        line,
                        format!("date \"{}\" is not written YYYY-MM-DD", field(date)),
                    )
                })?;
                rows.push(RawDay {
                    date: day,
                    tmax_celsius: value(line, field(tmax.place), high)?,
                    tmin_celsius: value(line, field(tmin.place), low)?,
                    flag: flag.and_then(|at| field(at).chars().next()),
                });
                Ok(())
            })?;
            daily(rows)
        }
        Layout::Hourly { timestamp, temperature, humidity } => {
            let unit = unit_of(temperature, declared)?;
            let mut readings = Vec::new();
            each_row(&mut lines, |line, record| {
                let field = |at: usize| record.get(at).unwrap_or_default();
                let at = civil_time(field(timestamp)).ok_or_else(|| {
                    FormatError::line(
                        line,
                        format!(
                            "timestamp \"{}\" is not written YYYY-MM-DD HH:MM",
                            field(timestamp)
                        ),
                    )
                })?;
                let humid = humidity.and_then(|at| field(at).parse().ok());
                if let Some(celsius) = value(line, field(temperature.place), unit)? {
                    readings.push(HourlyTemperature {
                        at,
                        celsius,
                        relative_humidity_percent: humid,
                    });
                }
                Ok(())
            })?;
            if readings.is_empty() {
                return Err(FormatError::Empty);
            }
            Ok(WeatherRecord::Hourly(HourlySeries::from_readings("", readings)))
        }
    }
}

fn daily(rows: Vec<RawDay>) -> Result<WeatherRecord, FormatError> {
    let checked = check(rows, &QualityRules::default());
    if checked.covered.is_none() {
        return Err(FormatError::Empty);
    }
    Ok(WeatherRecord::Daily(StationSeries {
        station: String::new(),
        days: checked.days,
        covered: checked.covered,
        findings: checked.findings,
    }))
}

fn each_row(
    lines: &mut CsvRows<impl BufRead>,
    mut each: impl FnMut(usize, &StringRecord) -> Result<(), FormatError>,
) -> Result<(), FormatError> {
    let mut record = StringRecord::new();
    while let Some(line) = lines.next(&mut record)? {
        each(line, &record)?;
    }
    Ok(())
}

fn unit_of(
    column: Measured,
    declared: Option<TemperatureUnit>,
) -> Result<TemperatureUnit, FormatError> {
    match (column.unit, declared) {
        (Some(named), Some(declared)) if named != declared => {
            Err(FormatError::UnitConflict { named, declared })
        }
        (named, declared) => named.or(declared).ok_or(FormatError::UnitNotDeclared),
    }
}

fn value(line: usize, text: &str, unit: TemperatureUnit) -> Result<Option<f64>, FormatError> {
    if is_missing(text) {
        return Ok(None);
    }
    let number: f64 = text.parse().map_err(|_| {
        FormatError::line(
            line,
            format!("\"{text}\" is not a temperature; leave the cell empty where there is none"),
        )
    })?;
    if !number.is_finite() {
        return Ok(None);
    }
    Ok(Some(unit.to_celsius(number)))
}

fn civil_time(text: &str) -> Option<NaiveDateTime> {
    if let Ok(instant) = DateTime::parse_from_rfc3339(text) {
        return Some(instant.naive_local());
    }
    ["%Y-%m-%d %H:%M:%S", "%Y-%m-%dT%H:%M:%S", "%Y-%m-%d %H:%M", "%Y-%m-%dT%H:%M", "%Y/%m/%d %H:%M"]
        .iter()
        .find_map(|pattern| NaiveDateTime::parse_from_str(text, pattern).ok())
}
