//! `EnergyPlus` weather file: eight header lines, then one line an hour.
//!
//! Columns used: year, month, day, hour 1 to 24 (the hour that ends then), minute, flags, dry bulb
//! °C (missing 99.9), dew point °C, relative humidity % (missing 999) (Auxiliary Programs manual
//! of `EnergyPlus`, weather file format). In a typical year the months come from different years.

use std::io::BufRead;

use chrono::{NaiveDate, NaiveDateTime};

use super::FormatError;
use super::lines::Lines;
use crate::hourly::{HourlySeries, HourlyTemperature};
use crate::quality::{Finding, FindingKind, Remedy};

const HEADER_LINES: usize = 8;
/// A year without 29 February on which a typical year of mixed years is laid out.
const NOMINAL_YEAR: i32 = 2001;

/// One hour of the file.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct EpwHour {
    /// The year that the row was taken from.
    pub source_year: i32,
    /// Month, 1 to 12.
    pub month: u32,
    /// Day of the month.
    pub day: u32,
    /// The hour that ends then, 1 to 24.
    pub hour_ending: u32,
    /// Dry bulb, °C; none where marked missing.
    pub dry_bulb_celsius: Option<f64>,
    /// Relative humidity, percent; none where marked missing.
    pub relative_humidity_percent: Option<f64>,
}

/// A weather file.
#[derive(Debug, Clone, PartialEq)]
pub struct EpwFile {
    /// City as the header names it.
    pub city: String,
    /// WMO station number.
    pub station: String,
    /// Latitude, degrees north.
    pub latitude_degrees: f64,
    /// Longitude, degrees east.
    pub longitude_degrees: f64,
    /// Hours ahead of UTC, standard time.
    pub utc_offset_hours: f64,
    /// Elevation, m.
    pub elevation_meters: f64,
    /// The rows in the order of the file.
    pub hours: Vec<EpwHour>,
}

/// Reads a whole file.
///
/// # Errors
/// [`FormatError`] with the line that is not of this format.
pub fn read(reader: impl BufRead) -> Result<EpwFile, FormatError> {
    let mut lines = Lines::new(reader);
    let mut file = match lines.next()? {
        Some((_, first)) => location(&String::from_utf8_lossy(first))?,
        None => return Err(FormatError::Empty),
    };
    while let Some((number, line)) = lines.next()? {
        if number <= HEADER_LINES || line.is_empty() {
            continue;
        }
        let hour = std::str::from_utf8(line).ok().and_then(hour_of_row).ok_or_else(|| {
            FormatError::line(
                number,
                "not a row of year, month, day, hour 1-24, minute, flags, dry bulb",
            )
        })?;
        file.hours.push(hour);
    }
    if file.hours.is_empty() {
        return Err(FormatError::Empty);
    }
    Ok(file)
}

fn location(line: &str) -> Result<EpwFile, FormatError> {
    let fields: Vec<&str> = line.split(',').map(str::trim).collect();
    let wrong = || {
        FormatError::line(
            1,
            "not LOCATION,city,region,country,source,station,latitude,longitude,zone,elevation",
        )
    };
    let text = |at: usize| fields.get(at).copied().ok_or_else(wrong);
    let number = |at: usize| text(at)?.parse::<f64>().map_err(|_| wrong());
    if text(0)? != "LOCATION" {
        return Err(wrong());
    }
    Ok(EpwFile {
        city: text(1)?.to_owned(),
        station: text(5)?.to_owned(),
        latitude_degrees: number(6)?,
        longitude_degrees: number(7)?,
        utc_offset_hours: number(8)?,
        elevation_meters: number(9)?,
        hours: Vec::new(),
    })
}

fn hour_of_row(line: &str) -> Option<EpwHour> {
    let mut fields = line.split(',').map(str::trim);
    let source_year = fields.next()?.parse().ok()?;
    let month = fields.next()?.parse().ok()?;
    let day = fields.next()?.parse().ok()?;
    let hour_ending = fields.next()?.parse().ok().filter(|hour| (1..=24).contains(hour))?;
    NaiveDate::from_ymd_opt(2000, month, day)?;
    let dry_bulb: f64 = fields.nth(2)?.parse().ok()?;
    let humidity: f64 = fields.nth(1)?.parse().ok()?;
    Some(EpwHour {
        source_year,
        month,
        day,
        hour_ending,
        dry_bulb_celsius: (dry_bulb < 99.9).then_some(dry_bulb),
        relative_humidity_percent: (humidity < 999.0).then_some(humidity),
    })
}

impl EpwFile {
    /// The hours on one calendar: the file's own year, or for a typical year of mixed years a
    /// nominal one, which is then reported.
    pub fn hourly_series(&self) -> HourlySeries {
        let year = match self.hours.first() {
            Some(first) if self.hours.iter().all(|hour| hour.source_year == first.source_year) => {
                first.source_year
            }
            _ => NOMINAL_YEAR,
        };
        let readings: Vec<HourlyTemperature> = self
            .hours
            .iter()
            .filter_map(|hour| {
                Some(HourlyTemperature {
                    at: start_of_hour(year, hour)?,
                    celsius: hour.dry_bulb_celsius?,
                    relative_humidity_percent: hour.relative_humidity_percent,
                })
            })
            .collect();
        let mut series = HourlySeries::from_readings(self.station.clone(), readings);
        let left_out = self.hours.len().saturating_sub(series.hours.len());
        if let (Some(covered), true) = (series.covered(), left_out > 0) {
            series.findings.push(Finding {
                finding: FindingKind::TooFewHours,
                first_day: covered.first,
                last_day: covered.last,
                value_celsius: None,
                expected_celsius: None,
                remedy: Remedy::Missing,
                detail: format!(
                    "{left_out} rows of the file have no dry bulb or no day on the calendar"
                ),
            });
        }
        series
    }
}

fn start_of_hour(year: i32, hour: &EpwHour) -> Option<NaiveDateTime> {
    NaiveDate::from_ymd_opt(year, hour.month, hour.day)?.and_hms_opt(hour.hour_ending - 1, 0, 0)
}
