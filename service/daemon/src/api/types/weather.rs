//! Weather stations on the wire.

use chrono::{DateTime, NaiveDate, Utc};
use hotspell_store::weather::{Finding, NewStation, StationRecord, WeatherDay};
use hotspell_store::words::StationId;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use crate::api::checks::{Checks, LINE_MAX};
use crate::api::error::ApiError;
use crate::app::stations::WeighedStation;

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

/// A weather station as its network describes it.
#[derive(Debug, Clone, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({
    "key": "USW00023183", "name": "PHOENIX AP", "latitude_degrees": 33.4278,
    "longitude_degrees": -112.0038, "elevation_metres": 337.4
}))]
pub struct StationInput {
    /// The network's id, such as that of GHCN-Daily.
    #[schema(min_length = 1, max_length = 100, pattern = r"\S")]
    pub key: String,
    /// The network's name of it.
    #[schema(min_length = 1, max_length = 200, pattern = r"\S")]
    pub name: String,
    /// North positive, in degrees.
    #[schema(minimum = -90, maximum = 90)]
    pub latitude_degrees: f64,
    /// East positive, in degrees.
    #[schema(minimum = -180, maximum = 180)]
    pub longitude_degrees: f64,
    /// Above sea level, in metres.
    #[schema(minimum = -500, maximum = 9000)]
    pub elevation_metres: Option<f64>,
}

/// What became of a station's file.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct WeatherFileView {
    /// Number of new days.
    pub inserted: usize,
    /// Number of days that said something else before; their earlier values are kept.
    pub corrected: usize,
    /// Number of days that said the same.
    pub unchanged: usize,
    /// Number of findings against the file.
    pub findings: usize,
    /// Number of parts scored again at once, because a day that they lived through was corrected
    /// or filled in.
    pub scored_again: usize,
}

impl StationInput {
    /// What is stored of it.
    pub(crate) fn checked(&self) -> Result<NewStation, ApiError> {
        let mut checks = Checks::default();
        let key = checks.key("/key", &self.key);
        let name = checks.text("/name", &self.name, LINE_MAX);
        let (north, east) = (self.latitude_degrees, self.longitude_degrees);
        checks.number("/latitude_degrees", north, -90.0, 90.0, "degrees");
        checks.number("/longitude_degrees", east, -180.0, 180.0, "degrees");
        if let Some(metres) = self.elevation_metres {
            checks.number("/elevation_metres", metres, -500.0, 9_000.0, "m");
        }
        checks.finish()?;
        Ok(NewStation {
            key,
            name,
            latitude_degrees: north,
            longitude_degrees: east,
            elevation_metres: self.elevation_metres,
        })
    }
}

/// Most further stations of a branch.
pub(crate) const STATIONS_MAX: usize = 20;

/// The stations beside a branch's own.
#[derive(Debug, Clone, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({"further_station_ids": []}))]
pub struct BranchStationsInput {
    /// Numbers of the stations, each once, without the branch's own.
    #[schema(value_type = Vec<i64>, max_items = 20)]
    pub further_station_ids: Vec<StationId>,
}

/// How much a station counts at a site.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct WeighedStationView {
    /// Number of the station.
    #[schema(value_type = i64, example = 1)]
    pub station_id: StationId,
    /// The network's id of it.
    #[schema(example = "USW00023183")]
    pub key: String,
    /// Its share of the site's heat, 0 to 1, no unit.
    pub weight: f64,
    /// Way over ground in metres; absent for a site without a position.
    pub distance_metres: Option<f64>,
    /// Height of the station above the site in metres; absent where either is not known.
    pub higher_by_metres: Option<f64>,
}

impl From<WeighedStation> for WeighedStationView {
    fn from(weighed: WeighedStation) -> Self {
        Self {
            station_id: weighed.station.id,
            key: weighed.station.key.clone(),
            weight: weighed.weight,
            distance_metres: weighed.distance_metres,
            higher_by_metres: weighed.higher_by_metres,
        }
    }
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
    /// The last day that it is about; equal to `day` for a single one.
    pub last_day: Option<NaiveDate>,
    /// The value that gave it away, in degrees Celsius, as read.
    pub value_celsius: Option<f64>,
    /// What would have been plausible, for a finding about a range.
    pub expected_celsius: Option<ExpectedRangeView>,
    /// What was done about it: `dropped` (the day does not count), `kept` (the value stands),
    /// `sorted`, `missing` (there was nothing) or `filled`.
    #[schema(example = "kept")]
    pub remedy: Option<String>,
}

/// A range of plausible temperatures.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct ExpectedRangeView {
    /// The lowest, in degrees Celsius.
    pub lowest: f64,
    /// The highest, in degrees Celsius.
    pub highest: f64,
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
        let expected = finding.expected_low_celsius.zip(finding.expected_high_celsius);
        Self {
            day: finding.day,
            kind: finding.kind,
            detail: finding.detail,
            found_at: finding.found_at,
            last_day: finding.last_day,
            value_celsius: finding.value_celsius,
            expected_celsius: expected
                .map(|(lowest, highest)| ExpectedRangeView { lowest, highest }),
            remedy: finding.remedy,
        }
    }
}
