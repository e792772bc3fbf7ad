//! The demo's files, carried inside the binary, and their way into the store.

use chrono::{DateTime, Days, NaiveDate, NaiveTime, Utc, Weekday};
use chrono_tz::Tz;
use hotspell_domain::{DateRange, TemperatureUnit};
use hotspell_imports::{ImportKind, Mode, import};
use hotspell_store::WeekdaySet;
use hotspell_store::branches::{self, BranchFields, BranchRecord, Holiday};
use hotspell_store::weather::{self as stored, NewStation};
use serde::Deserialize;

use crate::app::{AppError, weather};
use crate::state::AppState;

macro_rules! seed_file {
    ($path:literal) => {
        include_bytes!(concat!(env!("CARGO_MANIFEST_DIR"), "/../../seed/", $path))
    };
}

const BRANCH: &[u8] = seed_file!("demo/branch.toml");
const WEATHER: &[u8] = seed_file!("weather/ghcnd_USW00023183.dly");
/// In the order in which later files name records of earlier ones.
const RECORDS: [(ImportKind, &[u8]); 6] = [
    (ImportKind::Technicians, seed_file!("demo/technicians.csv")),
    (ImportKind::Sites, seed_file!("demo/sites.csv")),
    (ImportKind::Agreements, seed_file!("demo/agreements.csv")),
    (ImportKind::Units, seed_file!("demo/units.csv")),
    (ImportKind::Components, seed_file!("demo/components.csv")),
    (ImportKind::Readings, seed_file!("demo/readings.csv")),
];
/// Local time at which the demo's day begins.
const OPENS: (u32, u32) = (9, 15);
/// Days of the plan that get load lists at once.
const LOAD_LIST_DAYS: u64 = 7;

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct File {
    branch: Branch,
    station: Station,
    depot: Point,
    quiet_hours: QuietHours,
    holidays: Vec<SeedHoliday>,
    demo: Demo,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct Branch {
    key: String,
    name: String,
    time_zone: String,
    temperature_unit: TemperatureUnit,
    degree_day_base: f64,
    mains_hertz: f64,
    postal_address: String,
    phone: String,
    reply_to: String,
    working_weekdays: Vec<Weekday>,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct Station {
    key: String,
    name: String,
    latitude: f64,
    longitude: f64,
    elevation_metres: f64,
    #[serde(rename = "record")]
    _record: String,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct Point {
    latitude: f64,
    longitude: f64,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct QuietHours {
    from: String,
    until: String,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct SeedHoliday {
    day: NaiveDate,
    name: String,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct Demo {
    today: NaiveDate,
    plan_first_day: NaiveDate,
    plan_last_day: NaiveDate,
    #[serde(rename = "seed")]
    _seed: u64,
}

/// The demo's branch, day and plan.
#[derive(Debug)]
pub struct Scenario {
    file: File,
    /// The day on which the demo lives.
    pub today: NaiveDate,
    /// The days to plan.
    pub horizon: DateRange,
    zone: Tz,
}

impl Scenario {
    /// Reads the scenario.
    ///
    /// # Errors
    /// [`AppError::Internal`]: the file is part of the program.
    pub fn read() -> Result<Self, AppError> {
        let broken = |error: Box<dyn std::error::Error + Send + Sync>| AppError::Internal {
            context: "seed/demo/branch.toml".to_owned(),
            source: error,
        };
        let text = std::str::from_utf8(BRANCH).map_err(|error| broken(error.into()))?;
        let file: File = toml::from_str(text).map_err(|error| broken(error.into()))?;
        let horizon = DateRange::new(file.demo.plan_first_day, file.demo.plan_last_day)
            .ok_or_else(|| broken("the plan ends before it begins".into()))?;
        let zone: Tz = file
            .branch
            .time_zone
            .parse()
            .map_err(|error: chrono_tz::ParseError| broken(error.into()))?;
        Ok(Self { today: file.demo.today, horizon, zone, file })
    }

    /// The instant at which the demo's clock starts.
    #[must_use]
    pub fn starts_at(&self) -> DateTime<Utc> {
        let time = NaiveTime::from_hms_opt(OPENS.0, OPENS.1, 0).unwrap_or_default();
        hotspell_domain::local_time::instant(self.today, time, self.zone)
    }

    /// The first days of the plan.
    #[must_use]
    pub fn first_days(&self) -> DateRange {
        let last = self.horizon.first.checked_add_days(Days::new(LOAD_LIST_DAYS));
        DateRange { first: self.horizon.first, last: last.unwrap_or(self.horizon.first) }
    }

    pub(super) fn load_branch(&self, state: &AppState) -> Result<BranchRecord, AppError> {
        let File { branch, station, depot, quiet_hours, holidays, .. } = &self.file;
        let now = state.now();
        let time = |text: &str| {
            NaiveTime::parse_from_str(text, "%H:%M")
                .map_err(|error| AppError::internal("quiet hours of the demo", error))
        };
        let (quiet_from, quiet_until) = (time(&quiet_hours.from)?, time(&quiet_hours.until)?);
        state.store.write(|conn| {
            let station = NewStation {
                key: station.key.clone(),
                name: station.name.clone(),
                latitude_degrees: station.latitude,
                longitude_degrees: station.longitude,
                elevation_metres: Some(station.elevation_metres),
            };
            let station = stored::put_station(conn, &station, now)?;
            let fields = BranchFields {
                key: branch.key.clone(),
                name: branch.name.clone(),
                time_zone: self.zone,
                station_id: Some(station.id),
                temperature_unit: branch.temperature_unit,
                degree_day_base: branch.degree_day_base,
                depot_latitude_degrees: Some(depot.latitude),
                depot_longitude_degrees: Some(depot.longitude),
                postal_address: branch.postal_address.clone(),
                phone: Some(branch.phone.clone()),
                reply_to: Some(branch.reply_to.clone()),
                quiet_from: Some(quiet_from),
                quiet_until: Some(quiet_until),
                working_weekdays: branch.working_weekdays.iter().copied().collect::<WeekdaySet>(),
                mains_hertz: branch.mains_hertz,
            };
            let record = branches::insert(conn, &fields, now)?;
            let days: Vec<Holiday> = holidays
                .iter()
                .map(|holiday| Holiday { day: holiday.day, name: holiday.name.clone() })
                .collect();
            branches::set_holidays(conn, record.id, &days, now)?;
            Ok(branches::find(conn, record.id)?)
        })
    }

    pub(super) fn load_weather(
        &self,
        state: &AppState,
        branch: &BranchRecord,
    ) -> Result<(), AppError> {
        let station = branch.station_id.ok_or_else(|| AppError::not_found("station", "demo"))?;
        let source = "GHCN-Daily (NOAA), seed/weather";
        weather::import(state, station, source, WEATHER, self.today, state.now())?;
        Ok(())
    }

    pub(super) fn load_records(
        &self,
        state: &AppState,
        branch: &BranchRecord,
        progress: &dyn Fn(&str),
    ) -> Result<(), AppError> {
        for (kind, bytes) in RECORDS {
            let now = state.now();
            let report = import(&state.store, branch.id, kind, bytes, Mode::Keep, now, self.today)
                .map_err(|error| AppError::internal(format!("seed file {kind}"), error))?;
            progress(&format!("  {}: {} rows", kind, report.rows));
        }
        Ok(())
    }
}
