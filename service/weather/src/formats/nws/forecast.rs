//! Forecast periods: `/gridpoints/{office}/{x},{y}/forecast` (day and night) and `…/forecast/hourly`.

use std::collections::BTreeMap;
use std::io::BufRead;

use chrono::{DateTime, FixedOffset, NaiveDate, TimeDelta, Utc};
use serde::Deserialize;

use super::{document, unit_of_code};
use crate::formats::{FormatError, WeatherRecord};
use crate::hourly::{HourlySeries, HourlyTemperature};
use crate::series::{DailyTemperature, StationSeries};
use crate::temperature::TemperatureUnit;

const EXPECTED: &str = "forecast document";

#[derive(Deserialize)]
struct Document {
    properties: Properties,
}

#[derive(Deserialize)]
#[serde(rename_all = "camelCase")]
struct Properties {
    #[serde(default)]
    update_time: Option<String>,
    periods: Vec<RawPeriod>,
}

#[derive(Deserialize)]
#[serde(rename_all = "camelCase")]
struct RawPeriod {
    start_time: String,
    end_time: String,
    is_daytime: bool,
    temperature: Temperature,
    #[serde(default)]
    temperature_unit: Option<String>,
}

/// A bare number with the unit beside it, or a quantity that carries its own.
#[derive(Deserialize)]
#[serde(untagged)]
enum Temperature {
    Number(f64),
    #[serde(rename_all = "camelCase")]
    Quantity {
        value: Option<f64>,
        unit_code: String,
    },
    Nothing,
}

/// One period.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ForecastPeriod {
    /// Start with the place's offset; none where the document has no real time there.
    pub start: Option<DateTime<FixedOffset>>,
    /// End.
    pub end: Option<DateTime<FixedOffset>>,
    /// Day (a maximum) or night (a minimum).
    pub is_daytime: bool,
    /// The number as given; none where the service gives null.
    pub temperature: Option<f64>,
    /// Its unit.
    pub unit: TemperatureUnit,
}

impl ForecastPeriod {
    /// The temperature in °C.
    pub fn celsius(&self) -> Option<f64> {
        self.temperature.map(|degrees| self.unit.to_celsius(degrees))
    }

    fn is_hour(&self) -> bool {
        matches!((self.start, self.end), (Some(start), Some(end)) if end - start == TimeDelta::hours(1))
    }
}

/// A forecast.
#[derive(Debug, Clone, PartialEq)]
pub struct PeriodForecast {
    /// When it was made, where the document says so with a real time.
    pub updated: Option<DateTime<Utc>>,
    /// The periods in order.
    pub periods: Vec<ForecastPeriod>,
}

/// Reads one document.
///
/// A time that is not RFC 3339 leaves the period's times empty, so that values can still be
/// looked at; [`PeriodForecast::into_record`] and [`PeriodForecast::daily`] refuse such a document.
///
/// # Errors
/// [`FormatError::Json`] for other JSON or an unknown unit.
pub fn read(reader: impl BufRead) -> Result<PeriodForecast, FormatError> {
    let document: Document = document(reader, EXPECTED)?;
    let updated = document.properties.update_time.as_deref();
    let updated = updated.and_then(|text| DateTime::parse_from_rfc3339(text).ok());
    let periods = document.properties.periods.iter().map(period).collect::<Result<_, _>>()?;
    Ok(PeriodForecast { updated: updated.map(|at| at.with_timezone(&Utc)), periods })
}

fn period(raw: &RawPeriod) -> Result<ForecastPeriod, FormatError> {
    let (temperature, code) = match &raw.temperature {
        Temperature::Number(number) => (Some(*number), raw.temperature_unit.as_deref()),
        Temperature::Quantity { value, unit_code } => (*value, Some(unit_code.as_str())),
        Temperature::Nothing => (None, raw.temperature_unit.as_deref()),
    };
    let unit = code.and_then(unit_of_code).ok_or_else(|| FormatError::Json {
        expected: EXPECTED,
        problem: format!("a period has temperature unit {code:?}, not F or C"),
    })?;
    let instant = |text: &str| DateTime::parse_from_rfc3339(text).ok();
    Ok(ForecastPeriod {
        start: instant(&raw.start_time),
        end: instant(&raw.end_time),
        is_daytime: raw.is_daytime,
        temperature,
        unit,
    })
}

impl PeriodForecast {
    /// Days for which a daytime and the night before it are both in the forecast, in order.
    ///
    /// A day's maximum is that of its daytime period. Its minimum is that of the night ending in
    /// its morning; the first daytime has no such night in the forecast and is left out.
    ///
    /// # Errors
    /// [`FormatError::Json`] where a period has no real time.
    pub fn daily(&self) -> Result<Vec<DailyTemperature>, FormatError> {
        let mut highs: BTreeMap<NaiveDate, f64> = BTreeMap::new();
        let mut lows: BTreeMap<NaiveDate, f64> = BTreeMap::new();
        for period in &self.periods {
            let (Some(start), Some(end)) = (period.start, period.end) else {
                return Err(without_time());
            };
            let Some(celsius) = period.celsius() else { continue };
            if period.is_daytime {
                let high = highs.entry(start.date_naive()).or_insert(celsius);
                *high = high.max(celsius);
            } else {
                let low = lows.entry(end.date_naive()).or_insert(celsius);
                *low = low.min(celsius);
            }
        }
        let both = highs.into_iter().filter_map(|(date, tmax)| {
            let tmin = *lows.get(&date)?;
            (tmin <= tmax).then_some(DailyTemperature {
                date,
                tmin_celsius: tmin,
                tmax_celsius: tmax,
            })
        });
        Ok(both.collect())
    }

    /// Hours from an hourly forecast, days from a day-and-night one.
    ///
    /// # Errors
    /// [`FormatError`] where a period has no real time, or nothing usable is there.
    pub fn into_record(self) -> Result<WeatherRecord, FormatError> {
        if self.periods.is_empty() {
            return Err(FormatError::Empty);
        }
        if self.periods.iter().any(|period| period.start.is_none() || period.end.is_none()) {
            return Err(without_time());
        }
        if self.periods.iter().all(ForecastPeriod::is_hour) {
            let readings = self.periods.iter().filter_map(|period| {
                Some(HourlyTemperature {
                    at: period.start?.naive_local(),
                    celsius: period.celsius()?,
                    relative_humidity_percent: None,
                })
            });
            return Ok(WeatherRecord::Hourly(HourlySeries::from_readings("", readings.collect())));
        }
        let days = self.daily()?;
        if days.is_empty() {
            return Err(FormatError::Empty);
        }
        Ok(WeatherRecord::Daily(StationSeries::from_days("", days)))
    }
}

fn without_time() -> FormatError {
    FormatError::Json {
        expected: EXPECTED,
        problem: "a period's startTime or endTime is not an RFC 3339 time".to_owned(),
    }
}
