//! Gridpoint layers: `/gridpoints/{office}/{x},{y}`. A value stands for its whole interval; it is
//! expanded over the hours, never counted once.

use std::collections::BTreeMap;
use std::io::BufRead;

use chrono::{DateTime, NaiveDate, TimeDelta, TimeZone, Timelike, Utc};
use serde::Deserialize;

use super::{Interval, document, parse_interval, unit_of_code};
use crate::formats::FormatError;
use crate::hourly::{HourlySeries, HourlyTemperature};
use crate::series::DailyTemperature;

const EXPECTED: &str = "gridpoint document";
/// A temperature entry longer than this is not a forecast of hours.
const LONGEST_ENTRY_HOURS: i64 = 24 * 31;

#[derive(Deserialize)]
struct Document {
    properties: Properties,
}

#[derive(Deserialize)]
#[serde(rename_all = "camelCase")]
struct Properties {
    #[serde(default)]
    grid_id: String,
    #[serde(default)]
    grid_x: serde_json::Value,
    #[serde(default)]
    grid_y: serde_json::Value,
    update_time: DateTime<Utc>,
    valid_times: String,
    temperature: Layer,
    max_temperature: Layer,
    min_temperature: Layer,
    #[serde(default)]
    heat_index: Option<Layer>,
    #[serde(default)]
    relative_humidity: Option<Layer>,
}

#[derive(Deserialize)]
struct Layer {
    #[serde(default)]
    uom: String,
    #[serde(default)]
    values: Vec<Entry>,
}

#[derive(Deserialize)]
#[serde(rename_all = "camelCase")]
struct Entry {
    valid_time: String,
    value: Option<f64>,
}

/// A value and the time it stands for.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ValidValue {
    /// The time it stands for.
    pub valid: Interval,
    /// The value; none where the service gives null.
    pub value: Option<f64>,
}

/// The layers that matter for heat.
#[derive(Debug, Clone, PartialEq)]
pub struct GridpointForecast {
    /// `TAE/58,65`.
    pub grid: String,
    /// When the forecast was made.
    pub updated: DateTime<Utc>,
    /// The time it covers.
    pub valid: Interval,
    /// Temperature, °C.
    pub temperature_celsius: Vec<ValidValue>,
    /// Daytime maximum, °C.
    pub max_temperature_celsius: Vec<ValidValue>,
    /// Night-time minimum, °C.
    pub min_temperature_celsius: Vec<ValidValue>,
    /// Heat index, °C; null where it is too cool to be defined.
    pub heat_index_celsius: Vec<ValidValue>,
    /// Relative humidity, percent.
    pub relative_humidity_percent: Vec<ValidValue>,
}

/// Reads one document.
///
/// # Errors
/// [`FormatError::Json`] for other JSON, an unknown unit or a time that is not an ISO interval.
pub fn read(reader: impl BufRead) -> Result<GridpointForecast, FormatError> {
    let document: Document = document(reader, EXPECTED)?;
    let properties = document.properties;
    let plain = |value: &serde_json::Value| value.to_string().trim_matches('"').to_owned();
    let grid = format!(
        "{}/{},{}",
        properties.grid_id,
        plain(&properties.grid_x),
        plain(&properties.grid_y)
    );
    let valid = interval(&properties.valid_times, "validTimes")?;
    let optional = |layer: Option<Layer>, name: &'static str, temperature: bool| match layer {
        Some(layer) if temperature => celsius_layer(&layer, name),
        Some(layer) => plain_layer(&layer, name),
        None => Ok(Vec::new()),
    };
    Ok(GridpointForecast {
        grid,
        updated: properties.update_time,
        valid,
        temperature_celsius: celsius_layer(&properties.temperature, "temperature")?,
        max_temperature_celsius: celsius_layer(&properties.max_temperature, "maxTemperature")?,
        min_temperature_celsius: celsius_layer(&properties.min_temperature, "minTemperature")?,
        heat_index_celsius: optional(properties.heat_index, "heatIndex", true)?,
        relative_humidity_percent: optional(
            properties.relative_humidity,
            "relativeHumidity",
            false,
        )?,
    })
}

fn interval(text: &str, place: &str) -> Result<Interval, FormatError> {
    parse_interval(text).ok_or_else(|| FormatError::Json {
        expected: EXPECTED,
        problem: format!("{place} \"{text}\" is not an ISO 8601 start and duration"),
    })
}

fn plain_layer(layer: &Layer, name: &str) -> Result<Vec<ValidValue>, FormatError> {
    let entry = |entry: &Entry| {
        let valid = interval(&entry.valid_time, name)?;
        Ok(ValidValue { valid, value: entry.value })
    };
    layer.values.iter().map(entry).collect()
}

fn celsius_layer(layer: &Layer, name: &str) -> Result<Vec<ValidValue>, FormatError> {
    let values = plain_layer(layer, name)?;
    if values.is_empty() {
        return Ok(values);
    }
    let unit = unit_of_code(&layer.uom).ok_or_else(|| FormatError::Json {
        expected: EXPECTED,
        problem: format!("{name} has unit \"{}\", not degC or degF", layer.uom),
    })?;
    let convert = |value: ValidValue| ValidValue {
        value: value.value.map(|value| unit.to_celsius(value)),
        ..value
    };
    Ok(values.into_iter().map(convert).collect())
}

impl GridpointForecast {
    /// Temperature hour by hour, each entry expanded over its duration; UTC.
    pub fn hours(&self) -> Vec<(DateTime<Utc>, f64)> {
        let expanded = |entry: &ValidValue| {
            let (start, value) = (entry.valid.start, entry.value);
            let hours = entry.valid.hours().clamp(0, LONGEST_ENTRY_HOURS);
            (0..hours).filter_map(move |hour| Some((start + TimeDelta::hours(hour), value?)))
        };
        self.temperature_celsius.iter().flat_map(expanded).collect()
    }

    /// The hours as a record whose days are cut in UTC; for local days use [`Self::local_hours`].
    pub fn hourly_series(&self) -> HourlySeries {
        self.local_hours(&Utc)
    }

    /// The hours as a record whose days are those of the zone.
    pub fn local_hours(&self, zone: &impl TimeZone) -> HourlySeries {
        let readings = self.hours().into_iter().map(|(at, celsius)| HourlyTemperature {
            at: at.with_timezone(zone).naive_local(),
            celsius,
            relative_humidity_percent: None,
        });
        HourlySeries::from_readings(self.grid.clone(), readings.collect())
    }

    /// The days of the zone for which both extremes are known, in order.
    ///
    /// A maximum belongs to the local day in which its interval begins, a minimum to the local
    /// morning in which it ends. Where a layer has no entry for a day, the extremes of its hours
    /// stand in if at least [`crate::hourly::FEWEST_HOURS_OF_A_DAY`] are there.
    pub fn daily(&self, zone: &impl TimeZone) -> Vec<DailyTemperature> {
        let local = |instant: DateTime<Utc>| instant.with_timezone(zone).naive_local();
        let mut highs = BTreeMap::new();
        for entry in &self.max_temperature_celsius {
            if let Some(value) = entry.value {
                highs.entry(local(entry.valid.start).date()).or_insert(value);
            }
        }
        let mut lows: BTreeMap<NaiveDate, f64> = BTreeMap::new();
        for entry in &self.min_temperature_celsius {
            let end = local(entry.valid.end());
            // A night that ends exactly at midnight belongs to the day that ends with it.
            let date = if end.num_seconds_from_midnight() == 0 {
                end.date().pred_opt().unwrap_or(end.date())
            } else {
                end.date()
            };
            if let Some(value) = entry.value {
                lows.entry(date).or_insert(value);
            }
        }
        let hourly = self.local_hours(zone).daily_extremes(crate::hourly::FEWEST_HOURS_OF_A_DAY);
        for day in &hourly.days {
            highs.entry(day.date).or_insert(day.tmax_celsius);
            lows.entry(day.date).or_insert(day.tmin_celsius);
        }
        highs
            .into_iter()
            .filter_map(|(date, tmax)| {
                let tmin = *lows.get(&date)?;
                (tmin <= tmax).then_some(DailyTemperature {
                    date,
                    tmin_celsius: tmin,
                    tmax_celsius: tmax,
                })
            })
            .collect()
    }
}
