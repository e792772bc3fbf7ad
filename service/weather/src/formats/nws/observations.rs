//! Observations of a station: `/stations/{id}/observations` (a collection of features).

use std::io::BufRead;

use chrono::{DateTime, TimeZone, Utc};
use serde::Deserialize;

use super::{document, unit_of_code};
use crate::formats::FormatError;
use crate::hourly::{HourlySeries, HourlyTemperature};

const EXPECTED: &str = "collection of observations";

#[derive(Deserialize)]
struct Document {
    features: Vec<Feature>,
}

#[derive(Deserialize)]
struct Feature {
    properties: Properties,
}

#[derive(Deserialize)]
#[serde(rename_all = "camelCase")]
struct Properties {
    timestamp: DateTime<Utc>,
    #[serde(default)]
    station: String,
    temperature: Quantity,
    #[serde(default)]
    relative_humidity: Option<Quantity>,
}

#[derive(Deserialize)]
#[serde(rename_all = "camelCase")]
struct Quantity {
    #[serde(default)]
    unit_code: String,
    value: Option<f64>,
    #[serde(default)]
    quality_control: Option<String>,
}

/// One observation.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Observation {
    /// When it was taken.
    pub at: DateTime<Utc>,
    /// Temperature, °C; none where the service has none or rejected it.
    pub celsius: Option<f64>,
    /// Relative humidity, percent.
    pub relative_humidity_percent: Option<f64>,
}

/// Observations of one station, in order of time.
#[derive(Debug, Clone, PartialEq)]
pub struct Observations {
    /// The station's identifier.
    pub station: String,
    /// In order of time.
    pub taken: Vec<Observation>,
}

/// Reads one document.
///
/// # Errors
/// [`FormatError::Json`] for other JSON or an unknown unit.
pub fn read(reader: impl BufRead) -> Result<Observations, FormatError> {
    let document: Document = document(reader, EXPECTED)?;
    let station = document.features.first().map(|f| f.properties.station.clone());
    let station = station.unwrap_or_default();
    let taken = document.features.iter().map(|f| observation(&f.properties));
    let mut taken: Vec<Observation> = taken.collect::<Result<_, _>>()?;
    taken.sort_by_key(|observation| observation.at);
    let station = station.rsplit('/').next().unwrap_or_default().to_owned();
    Ok(Observations { station, taken })
}

fn observation(properties: &Properties) -> Result<Observation, FormatError> {
    let quantity = &properties.temperature;
    let celsius = match quantity.value {
        // X: rejected by the quality control (MADIS flags).
        Some(_) if quantity.quality_control.as_deref() == Some("X") => None,
        Some(value) => {
            let unit = unit_of_code(&quantity.unit_code).ok_or_else(|| FormatError::Json {
                expected: EXPECTED,
                problem: format!("temperature has unit \"{}\"", quantity.unit_code),
            })?;
            Some(unit.to_celsius(value))
        }
        None => None,
    };
    let humidity = properties.relative_humidity.as_ref().and_then(|quantity| quantity.value);
    Ok(Observation { at: properties.timestamp, celsius, relative_humidity_percent: humidity })
}

impl Observations {
    /// The readings as a record whose days are cut in UTC; see [`Self::local_hours`].
    pub fn hourly_series(&self) -> HourlySeries {
        self.local_hours(&Utc)
    }

    /// The readings as a record whose days are those of the zone, averaged by hour.
    pub fn local_hours(&self, zone: &impl TimeZone) -> HourlySeries {
        let readings = self.taken.iter().filter_map(|observation| {
            Some(HourlyTemperature {
                at: observation.at.with_timezone(zone).naive_local(),
                celsius: observation.celsius?,
                relative_humidity_percent: observation.relative_humidity_percent,
            })
        });
        HourlySeries::from_readings(self.station.clone(), readings.collect())
    }
}
