//! Weather stations on the wire.

use chrono::{DateTime, NaiveDate, Utc};
use hotspell_store::weather::{Finding, StationRecord, WeatherDay};
use hotspell_store::words::StationId;
use serde::Serialize;
use utoipa::ToSchema;

/// A weather station, shared by branches.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct StationView {
    /// Its number.
    #[schema(value_type = i64, example = 1)]
    pub id: StationId,
    /// The network's id, such as that of GHCN-Daily.
    #[schema(example = "USW00023183")]
    pub key: String,
    /// The network's name of it.
    pub name: String,
    /// North positive, in degrees.
    pub latitude_degrees: f64,
    /// East positive, in degrees.
    pub longitude_degrees: f64,
    /// Above sea level, in metres.
    pub elevation_metres: Option<f64>,
}

/// One measured day of a station.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct WeatherDayView {
    /// The station's local day.
    pub day: NaiveDate,
    /// Lowest temperature in degrees Celsius; absent when missing.
    pub tmin_celsius: Option<f64>,
    /// Highest temperature in degrees Celsius; absent when missing.
    pub tmax_celsius: Option<f64>,
    /// Which feed.
    pub source: String,
    /// What the feed or the checks say against it.
    pub flag: Option<String>,
}

/// Something wrong with a feed or a day.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct WeatherFindingView {
    /// The day, if it is about one.
    pub day: Option<NaiveDate>,
    /// Which check.
    pub kind: String,
    /// What a person should know.
    pub detail: String,
    /// When it was found.
    pub found_at: DateTime<Utc>,
}

impl From<StationRecord> for StationView {
    fn from(record: StationRecord) -> Self {
        let station = record.station;
        Self {
            id: record.id,
            key: station.key,
            name: station.name,
            latitude_degrees: station.latitude_degrees,
            longitude_degrees: station.longitude_degrees,
            elevation_metres: station.elevation_metres,
        }
    }
}

impl From<WeatherDay> for WeatherDayView {
    fn from(day: WeatherDay) -> Self {
        Self {
            day: day.day,
            tmin_celsius: day.tmin_celsius,
            tmax_celsius: day.tmax_celsius,
            source: day.source,
            flag: day.flag,
        }
    }
}

impl From<Finding> for WeatherFindingView {
    fn from(finding: Finding) -> Self {
        Self {
            day: finding.day,
            kind: finding.kind,
            detail: finding.detail,
            found_at: finding.found_at,
        }
    }
}
