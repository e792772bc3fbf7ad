//! Weather of stations: what was measured, what was forecast, what was found wrong. Stations are
//! shared by offices. A corrected day keeps what it said before.

use std::collections::BTreeMap;

use chrono::{DateTime, NaiveDate, Utc};
use diesel::{
    BoolExpressionMethods, ExpressionMethods, Insertable, NullableExpressionMethods,
    OptionalExtension, QueryDsl, Queryable, RunQueryDsl, Selectable, SelectableHelper,
};
use hotspell_domain::DateRange;

use crate::columns::{RawId, RawInstant, naive};
use crate::connection::each;
use crate::record::BOUND_VALUES;
use crate::schema::{
    weather_day_corrections, weather_days, weather_findings, weather_forecast_days,
    weather_stations,
};
use crate::sorting::{in_order, sort_keys};
use crate::words::StationId;
use crate::{AnyConnection, SortedPage, StoreError};

/// A station as its network describes it.
#[derive(Debug, Clone, PartialEq, Queryable, Selectable, Insertable)]
#[diesel(table_name = weather_stations, treat_none_as_default_value = false)]
pub struct NewStation {
    /// The network's id, such as that of GHCN-Daily.
    pub key: String,
    /// The network's name of it.
    pub name: String,
    /// North positive.
    pub latitude_degrees: f64,
    /// East positive.
    pub longitude_degrees: f64,
    /// Above sea level.
    pub elevation_metres: Option<f64>,
}

/// A stored station.
#[derive(Debug, Clone, PartialEq, Queryable, Selectable)]
#[diesel(table_name = weather_stations)]
pub struct StationRecord {
    /// Its number.
    #[diesel(deserialize_as = RawId)]
    pub id: StationId,
    /// What the network says.
    #[diesel(embed)]
    pub station: NewStation,
}

impl core::ops::Deref for StationRecord {
    type Target = NewStation;
    fn deref(&self) -> &NewStation {
        &self.station
    }
}

/// One measured day of a station.
#[derive(Debug, Clone, PartialEq, Queryable, Selectable, Insertable)]
#[diesel(table_name = weather_days, treat_none_as_default_value = false)]
pub struct WeatherDay {
    /// The station's local day.
    pub day: NaiveDate,
    /// Lowest temperature; nothing when missing.
    pub tmin_celsius: Option<f64>,
    /// Highest temperature; nothing when missing.
    pub tmax_celsius: Option<f64>,
    /// Which feed.
    pub source: String,
    /// What the feed or the checks say against it.
    pub flag: Option<String>,
}

/// What a day said before it was corrected.
#[derive(Debug, Clone, PartialEq, Queryable, Selectable)]
#[diesel(table_name = weather_day_corrections)]
pub struct Correction {
    /// The station's local day.
    pub day: NaiveDate,
    /// The earlier value.
    pub tmin_celsius: Option<f64>,
    /// The earlier value.
    pub tmax_celsius: Option<f64>,
    /// Which feed said so.
    pub source: String,
    /// The earlier flag.
    pub flag: Option<String>,
    /// When the earlier value came in.
    #[diesel(deserialize_as = RawInstant)]
    pub fetched_at: DateTime<Utc>,
    /// When it was corrected.
    #[diesel(deserialize_as = RawInstant)]
    pub corrected_at: DateTime<Utc>,
}

/// One forecast day.
#[derive(Debug, Clone, PartialEq, Queryable, Selectable, Insertable)]
#[diesel(table_name = weather_forecast_days, treat_none_as_default_value = false)]
pub struct ForecastDay {
    /// The station's local day.
    pub day: NaiveDate,
    /// Lowest temperature.
    pub tmin_celsius: Option<f64>,
    /// Highest temperature.
    pub tmax_celsius: Option<f64>,
    /// Which feed.
    pub source: String,
}

/// A forecast: its days and when it was issued.
#[derive(Debug, Clone, PartialEq)]
pub struct Forecast {
    /// When the feed issued it.
    pub issued_at: DateTime<Utc>,
    /// Its days, in order.
    pub days: Vec<ForecastDay>,
}

/// Something wrong with a feed or a day.
#[derive(Debug, Clone, PartialEq, Queryable, Selectable, Insertable)]
#[diesel(table_name = weather_findings, treat_none_as_default_value = false)]
pub struct Finding {
    /// The day, if it is about one.
    pub day: Option<NaiveDate>,
    /// Which check.
    pub kind: String,
    /// What a person should know.
    pub detail: String,
    /// When it was found.
    #[diesel(deserialize_as = RawInstant, serialize_as = RawInstant)]
    pub found_at: DateTime<Utc>,
    /// The last day that it is about, if there is one.
    pub last_day: Option<NaiveDate>,
    /// The value that gave it away, as read.
    pub value_celsius: Option<f64>,
    /// The lowest value that would have been plausible.
    pub expected_low_celsius: Option<f64>,
    /// The highest value that would have been plausible.
    pub expected_high_celsius: Option<f64>,
    /// What was done about it, in the weather room's word.
    pub remedy: Option<String>,
}

/// What became of the days that were to be stored.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct DaysStored {
    /// New days.
    pub inserted: usize,
    /// Days that said something else before; it is kept as a correction.
    pub corrected: usize,
    /// Days that said the same.
    pub unchanged: usize,
    /// The last day that a reader of the record found otherwise before: corrected, or filled in
    /// where later days were stored already.
    pub last_altered: Option<NaiveDate>,
}

/// Stores a station, or finds it by its key. What the network says of it is replaced.
///
/// # Errors
/// [`StoreError::Check`] for a place that is none on earth.
pub fn put_station(
    conn: &mut AnyConnection,
    station: &NewStation,
    now: DateTime<Utc>,
) -> Result<StationRecord, StoreError> {
    Ok(each!(conn, c => {
        diesel::insert_into(weather_stations::table)
            .values((station, weather_stations::created_at.eq(naive(now))))
            .on_conflict(weather_stations::key)
            .do_update()
            .set((
                weather_stations::name.eq(&station.name),
                weather_stations::latitude_degrees.eq(station.latitude_degrees),
                weather_stations::longitude_degrees.eq(station.longitude_degrees),
                weather_stations::elevation_metres.eq(station.elevation_metres),
            ))
            .returning(StationRecord::as_returning())
            .get_result(c)
    })?)
}

/// The station with this number.
///
/// # Errors
/// [`StoreError::NotFound`].
pub fn station(conn: &mut AnyConnection, id: StationId) -> Result<StationRecord, StoreError> {
    weather_stations::table
        .filter(weather_stations::id.eq(id.0))
        .select(StationRecord::as_select())
        .first(conn)
        .optional()?
        .ok_or(StoreError::NotFound("weather station"))
}

sort_keys! {
    /// What [`stations`] can be sorted by.
    StationSort of StationRecord, numbered by "id" id {
        Key "key": Text key,
        Name "name": Text name,
    }
}

/// Every station, in the order of the page.
///
/// # Errors
/// Those of the database.
pub fn stations(
    conn: &mut AnyConnection,
    page: impl Into<SortedPage<StationSort>>,
) -> Result<Vec<StationRecord>, StoreError> {
    let all = weather_stations::table.select(StationRecord::as_select()).into_boxed();
    let query = in_order!(all, page.into(), weather_stations::id, StationSort {
        Key: Text weather_stations::key,
        Name: Text weather_stations::name,
    });
    Ok(query.load(conn)?)
}

/// The stored days of a range, in order; a day that is not stored is not there.
///
/// # Errors
/// Those of the database.
pub fn days(
    conn: &mut AnyConnection,
    station: StationId,
    range: DateRange,
) -> Result<Vec<WeatherDay>, StoreError> {
    Ok(weather_days::table
        .filter(weather_days::station_id.eq(station.0))
        .filter(weather_days::day.between(range.first, range.last))
        .order(weather_days::day)
        .select(WeatherDay::as_select())
        .load(conn)?)
}

/// Day, lowest and highest temperature of every stored day that has both, in order: what a record is
/// reckoned from, read without the rest of its some ten thousand rows.
///
/// # Errors
/// Those of the database.
pub fn extremes(
    conn: &mut AnyConnection,
    station: StationId,
) -> Result<Vec<(NaiveDate, f64, f64)>, StoreError> {
    let (lowest, highest) = (weather_days::tmin_celsius, weather_days::tmax_celsius);
    Ok(weather_days::table
        .filter(weather_days::station_id.eq(station.0))
        .filter(lowest.is_not_null().and(highest.is_not_null()))
        .order(weather_days::day)
        .select((weather_days::day, lowest.assume_not_null(), highest.assume_not_null()))
        .load(conn)?)
}

/// First and last stored day, if there is any.
///
/// # Errors
/// Those of the database.
pub fn stored_range(
    conn: &mut AnyConnection,
    station: StationId,
) -> Result<Option<DateRange>, StoreError> {
    let ends: (Option<NaiveDate>, Option<NaiveDate>) = weather_days::table
        .filter(weather_days::station_id.eq(station.0))
        .select((diesel::dsl::min(weather_days::day), diesel::dsl::max(weather_days::day)))
        .first(conn)?;
    Ok(ends.0.zip(ends.1).and_then(|(first, last)| DateRange::new(first, last)))
}

/// Stores days: new ones come in, differing ones are corrected and their earlier value is kept,
/// the same ones are left alone.
///
/// # Errors
/// [`StoreError::Conflict`] when a day is there twice in the argument, `ForeignKey`.
pub fn put_days(
    conn: &mut AnyConnection,
    station: StationId,
    days_in: &[WeatherDay],
    now: DateTime<Utc>,
) -> Result<DaysStored, StoreError> {
    let (Some(first), Some(last)) =
        (days_in.iter().map(|day| day.day).min(), days_in.iter().map(|day| day.day).max())
    else {
        return Ok(DaysStored::default());
    };
    let range = DateRange { first, last };
    let stored: BTreeMap<NaiveDate, WeatherDay> =
        days(conn, station, range)?.into_iter().map(|day| (day.day, day)).collect();
    let (new, known): (Vec<&WeatherDay>, Vec<&WeatherDay>) =
        days_in.iter().partition(|day| !stored.contains_key(&day.day));
    let known_to = stored_range(conn, station)?.map(|range| range.last);
    let filled = new.iter().map(|day| day.day).filter(|day| known_to.is_some_and(|to| *day < to));
    let last_altered = filled.max();
    insert_days(conn, station, &new, now)?;
    let mut outcome = DaysStored { inserted: new.len(), last_altered, ..DaysStored::default() };
    for day in known {
        if stored.get(&day.day) == Some(day) {
            outcome.unchanged += 1;
        } else {
            correct_day(conn, station, day, now)?;
            outcome.corrected += 1;
            outcome.last_altered = outcome.last_altered.max(Some(day.day));
        }
    }
    Ok(outcome)
}

fn insert_days(
    conn: &mut AnyConnection,
    station: StationId,
    days: &[&WeatherDay],
    now: DateTime<Utc>,
) -> Result<(), StoreError> {
    let at = naive(now);
    for chunk in days.chunks(BOUND_VALUES / 7) {
        let rows: Vec<_> = chunk
            .iter()
            .map(|day| {
                (weather_days::station_id.eq(station.0), *day, weather_days::fetched_at.eq(at))
            })
            .collect();
        each!(conn, c => diesel::insert_into(weather_days::table).values(rows).execute(c))?;
    }
    Ok(())
}

fn correct_day(
    conn: &mut AnyConnection,
    station: StationId,
    day: &WeatherDay,
    now: DateTime<Utc>,
) -> Result<(), StoreError> {
    let at = naive(now);
    let which = weather_days::table
        .filter(weather_days::station_id.eq(station.0))
        .filter(weather_days::day.eq(day.day));
    let earlier: (WeatherDay, chrono::NaiveDateTime) =
        which.select((WeatherDay::as_select(), weather_days::fetched_at)).first(conn)?;
    diesel::insert_into(weather_day_corrections::table)
        .values((
            weather_day_corrections::station_id.eq(station.0),
            weather_day_corrections::day.eq(day.day),
            weather_day_corrections::tmin_celsius.eq(earlier.0.tmin_celsius),
            weather_day_corrections::tmax_celsius.eq(earlier.0.tmax_celsius),
            weather_day_corrections::source.eq(earlier.0.source),
            weather_day_corrections::flag.eq(earlier.0.flag),
            weather_day_corrections::fetched_at.eq(earlier.1),
            weather_day_corrections::corrected_at.eq(at),
        ))
        .execute(conn)?;
    diesel::update(which)
        .set((
            weather_days::tmin_celsius.eq(day.tmin_celsius),
            weather_days::tmax_celsius.eq(day.tmax_celsius),
            weather_days::source.eq(&day.source),
            weather_days::flag.eq(&day.flag),
            weather_days::fetched_at.eq(at),
        ))
        .execute(conn)?;
    Ok(())
}

/// What the days of a range said before they were corrected, oldest correction first.
///
/// # Errors
/// Those of the database.
pub fn corrections(
    conn: &mut AnyConnection,
    station: StationId,
    range: DateRange,
) -> Result<Vec<Correction>, StoreError> {
    Ok(weather_day_corrections::table
        .filter(weather_day_corrections::station_id.eq(station.0))
        .filter(weather_day_corrections::day.between(range.first, range.last))
        .order(weather_day_corrections::id)
        .select(Correction::as_select())
        .load(conn)?)
}

/// Stores a forecast; the same one again changes nothing. Returns how many days were new.
///
/// # Errors
/// [`StoreError::ForeignKey`] for a station that is none.
pub fn put_forecast(
    conn: &mut AnyConnection,
    station: StationId,
    forecast: &Forecast,
    now: DateTime<Utc>,
) -> Result<usize, StoreError> {
    let rows: Vec<_> = forecast
        .days
        .iter()
        .map(|day| {
            (
                weather_forecast_days::station_id.eq(station.0),
                weather_forecast_days::issued_at.eq(naive(forecast.issued_at)),
                weather_forecast_days::fetched_at.eq(naive(now)),
                day,
            )
        })
        .collect();
    Ok(each!(conn, c => {
        diesel::insert_into(weather_forecast_days::table)
            .values(rows)
            .on_conflict_do_nothing()
            .execute(c)
    })?)
}

/// The forecast that was the newest at an instant.
///
/// # Errors
/// Those of the database.
pub fn latest_forecast(
    conn: &mut AnyConnection,
    station: StationId,
    at: DateTime<Utc>,
) -> Result<Option<Forecast>, StoreError> {
    let issued: Option<chrono::NaiveDateTime> = weather_forecast_days::table
        .filter(weather_forecast_days::station_id.eq(station.0))
        .filter(weather_forecast_days::issued_at.le(naive(at)))
        .select(diesel::dsl::max(weather_forecast_days::issued_at))
        .first(conn)?;
    let Some(issued) = issued else { return Ok(None) };
    let days = weather_forecast_days::table
        .filter(weather_forecast_days::station_id.eq(station.0))
        .filter(weather_forecast_days::issued_at.eq(issued))
        .order(weather_forecast_days::day)
        .select(ForecastDay::as_select())
        .load(conn)?;
    Ok(Some(Forecast { issued_at: issued.and_utc(), days }))
}

/// Keeps what was found wrong.
///
/// # Errors
/// [`StoreError::ForeignKey`] for a station that is none.
pub fn insert_findings(
    conn: &mut AnyConnection,
    station: StationId,
    findings: &[Finding],
) -> Result<(), StoreError> {
    for chunk in findings.chunks(BOUND_VALUES / 10) {
        let rows: Vec<_> = chunk
            .iter()
            .map(|finding| (weather_findings::station_id.eq(station.0), finding.clone()))
            .collect();
        each!(conn, c => diesel::insert_into(weather_findings::table).values(rows).execute(c))?;
    }
    Ok(())
}

/// The findings about a station's latest days, latest day first.
///
/// # Errors
/// Those of the database.
pub fn latest_findings(
    conn: &mut AnyConnection,
    station: StationId,
    limit: i64,
) -> Result<Vec<Finding>, StoreError> {
    Ok(weather_findings::table
        .filter(weather_findings::station_id.eq(station.0))
        .filter(weather_findings::day.is_not_null())
        .order((weather_findings::day.desc(), weather_findings::id.desc()))
        .limit(limit)
        .select(Finding::as_select())
        .load(conn)?)
}

/// The newest findings about a station.
///
/// # Errors
/// Those of the database.
pub fn findings(
    conn: &mut AnyConnection,
    station: StationId,
    limit: i64,
) -> Result<Vec<Finding>, StoreError> {
    Ok(weather_findings::table
        .filter(weather_findings::station_id.eq(station.0))
        .order(weather_findings::id.desc())
        .limit(limit)
        .select(Finding::as_select())
        .load(conn)?)
}
