//! Offices on the wire.

use chrono::{NaiveDate, NaiveTime};
use chrono_tz::Tz;
use hotspell_domain::{BranchId, Position, TemperatureUnit};
use hotspell_store::branches::{BranchFields, BranchRecord, Holiday};
use hotspell_store::words::StationId;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use super::sites::checked_position;
use super::stored::stored_view;
use super::weekday::{self, Weekday};
use crate::api::checks::{Checks, LINE_MAX};
use crate::api::error::ApiError;

/// A day on which the office does not work.
#[derive(Debug, Clone, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct HolidayInput {
    /// The day.
    pub day: NaiveDate,
    /// Its name.
    #[schema(min_length = 1, max_length = 200, pattern = r"\S")]
    pub name: String,
}

/// An office: its own station, calendar, quiet hours and technicians.
#[derive(Debug, Clone, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({
    "key": "main", "name": "Saguaro Cooling", "time_zone": "America/Phoenix", "station_id": null,
    "temperature_unit": "degF", "degree_day_base": 65.0,
    "depot": {"latitude_degrees": 33.44, "longitude_degrees": -112.02},
    "postal_address": "1 Depot Road, Phoenix, AZ 85001", "phone": "+16025550100",
    "reply_to": "office@example.com", "quiet_from": "20:00:00", "quiet_until": "08:00:00",
    "working_weekdays": ["mon", "tue", "wed", "thu", "fri"], "mains_hertz": 60.0,
    "holidays": [{"day": "2026-07-03", "name": "Independence Day observed"}]
}))]
pub struct BranchInput {
    /// Your own name of it.
    #[schema(min_length = 1, max_length = 100, pattern = r"\S")]
    pub key: String,
    /// As households know it.
    #[schema(min_length = 1, max_length = 200, pattern = r"\S")]
    pub name: String,
    /// Its days and times of day are of this zone (IANA name).
    #[schema(example = "America/Phoenix")]
    pub time_zone: String,
    /// Number of the weather station that its weather is measured at.
    #[schema(value_type = Option<i64>)]
    pub station_id: Option<StationId>,
    /// In which its people read temperatures.
    pub temperature_unit: TemperatureUnit,
    /// Base of cooling degree days, in degrees of `temperature_unit`; 40 to 90 degF or 5 to 32 degC.
    #[schema(minimum = 5, maximum = 90)]
    pub degree_day_base: f64,
    /// Where trucks start, if not at home (WGS 84, degrees).
    pub depot: Option<Position>,
    /// In the footer of every mail.
    #[schema(min_length = 1, max_length = 200, pattern = r"\S")]
    pub postal_address: String,
    /// Where households call, E.164.
    #[schema(max_length = 40)]
    pub phone: Option<String>,
    /// Where answers to mails go.
    #[schema(max_length = 254)]
    pub reply_to: Option<String>,
    /// No mail from this time of the branch's clock on; only together with `quiet_until`.
    pub quiet_from: Option<NaiveTime>,
    /// Mail again from this time of the branch's clock on.
    pub quiet_until: Option<NaiveTime>,
    /// The days on which the office works.
    #[schema(max_items = 7)]
    pub working_weekdays: Vec<Weekday>,
    /// Frequency of the mains in hertz; 60 if absent.
    #[serde(default = "sixty")]
    #[schema(minimum = 50, maximum = 60)]
    pub mains_hertz: f64,
    /// Days on which the office does not work.
    #[serde(default)]
    #[schema(max_items = 400)]
    pub holidays: Vec<HolidayInput>,
}

const fn sixty() -> f64 {
    60.0
}

stored_view!(
    /// An office, as stored.
    BranchView, BranchInput, BranchRecord, BranchId
);

/// A new office, with the token that reaches it.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct NewBranchView {
    /// Token of your new account there. It is not stored and cannot be shown again.
    #[schema(example = "hs_kPq3…")]
    pub token: String,
    /// The office, as stored.
    pub stored: BranchView,
}

impl BranchInput {
    /// What is stored of it.
    pub(crate) fn fields(&self) -> Result<(BranchFields, Vec<Holiday>), ApiError> {
        let mut checks = Checks::default();
        let zone = self.time_zone.parse::<Tz>().map_err(|_| {
            format!("«{}» is no time zone; expected such as America/Phoenix", self.time_zone)
        });
        let zone = checks.keep("/time_zone", zone).unwrap_or(Tz::UTC);
        let fields = BranchFields {
            key: checks.key("/key", &self.key),
            name: checks.text("/name", &self.name, LINE_MAX),
            time_zone: zone,
            station_id: self.station_id,
            temperature_unit: self.temperature_unit,
            degree_day_base: self.degree_day_base,
            depot_latitude_degrees: self.depot.map(|depot| depot.latitude_degrees),
            depot_longitude_degrees: self.depot.map(|depot| depot.longitude_degrees),
            postal_address: checks.text("/postal_address", &self.postal_address, LINE_MAX),
            phone: checks.phone("/phone", self.phone.as_deref()),
            reply_to: checks.email("/reply_to", self.reply_to.as_deref()),
            quiet_from: self.quiet_from,
            quiet_until: self.quiet_until,
            working_weekdays: weekday::set(&self.working_weekdays),
            mains_hertz: self.mains_hertz,
        };
        checked_position(&mut checks, "/depot", self.depot);
        let (low, high) = match self.temperature_unit {
            TemperatureUnit::DegF => (40.0, 90.0),
            TemperatureUnit::DegC => (5.0, 32.0),
        };
        let unit = self.temperature_unit.as_str();
        checks.number("/degree_day_base", self.degree_day_base, low, high, unit);
        checks.number("/mains_hertz", self.mains_hertz, 50.0, 60.0, "Hz");
        checks.both_or_neither(
            "/quiet_until",
            self.quiet_from.is_some(),
            self.quiet_until.is_some(),
        );
        let holidays = self.checked_holidays(&mut checks);
        checks.finish()?;
        Ok((fields, holidays))
    }

    fn checked_holidays(&self, checks: &mut Checks) -> Vec<Holiday> {
        let row = |(i, holiday): (usize, &HolidayInput)| {
            checks.day(&format!("/holidays/{i}/day"), Some(holiday.day));
            if self.holidays.iter().take(i).any(|earlier| earlier.day == holiday.day) {
                checks.refuse(&format!("/holidays/{i}/day"), "this day is there twice");
            }
            let name = checks.text(&format!("/holidays/{i}/name"), &holiday.name, LINE_MAX);
            Holiday { day: holiday.day, name }
        };
        self.holidays.iter().enumerate().map(row).collect()
    }

    /// As it is answered.
    pub(crate) fn of(record: &BranchRecord, holidays: Vec<Holiday>) -> Self {
        let fields = &record.fields;
        Self {
            key: fields.key.clone(),
            name: fields.name.clone(),
            time_zone: fields.time_zone.name().to_owned(),
            station_id: fields.station_id,
            temperature_unit: fields.temperature_unit,
            degree_day_base: fields.degree_day_base,
            depot: fields.depot(),
            postal_address: fields.postal_address.clone(),
            phone: fields.phone.clone(),
            reply_to: fields.reply_to.clone(),
            quiet_from: fields.quiet_from,
            quiet_until: fields.quiet_until,
            working_weekdays: weekday::days(fields.working_weekdays),
            mains_hertz: fields.mains_hertz,
            holidays: holidays
                .into_iter()
                .map(|holiday| HolidayInput { day: holiday.day, name: holiday.name })
                .collect(),
        }
    }
}
