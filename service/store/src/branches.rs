//! Offices. Every other row belongs to one; an office belongs to none.

use chrono::{DateTime, NaiveDate, NaiveTime, Utc};
use chrono_tz::Tz;
use diesel::{
    AsChangeset, ExpressionMethods, Insertable, OptionalExtension, QueryDsl, Queryable,
    RunQueryDsl, Selectable, SelectableHelper,
};
use hotspell_domain::{BranchId, Position, TemperatureUnit};

use crate::columns::{RawId, RawInstant, RawInteger, RawNullId, RawText, naive};
use crate::connection::each;
use crate::record::Upserted;
use crate::schema::{branch_holidays, branches};
use crate::sorting::{SortedPage, in_order, sort_keys};
use crate::weekdays::WeekdaySet;
use crate::words::{Resource, StationId};
use crate::{AnyConnection, StoreError, changes};

/// What can be edited of an office.
#[derive(Debug, Clone, PartialEq, Queryable, Selectable, Insertable, AsChangeset)]
#[diesel(table_name = branches)]
#[diesel(treat_none_as_null = true, treat_none_as_default_value = false)]
pub struct BranchFields {
    /// The user's own name of it.
    pub key: String,
    /// As households know it.
    pub name: String,
    /// Its days and clock times are of this zone.
    #[diesel(deserialize_as = RawText, serialize_as = RawText)]
    pub time_zone: Tz,
    /// Where its weather is measured.
    #[diesel(deserialize_as = RawNullId, serialize_as = RawNullId)]
    pub station_id: Option<StationId>,
    /// In which its people read temperatures.
    #[diesel(deserialize_as = RawText, serialize_as = RawText)]
    pub temperature_unit: TemperatureUnit,
    /// Base of cooling degree days, in the temperature unit.
    pub degree_day_base: f64,
    /// Where trucks start, if not at home.
    pub depot_latitude_degrees: Option<f64>,
    /// Where trucks start, if not at home.
    pub depot_longitude_degrees: Option<f64>,
    /// In the footer of every mail.
    pub postal_address: String,
    /// Where households call.
    pub phone: Option<String>,
    /// Where answers to mails go.
    pub reply_to: Option<String>,
    /// No mail from this clock time on.
    pub quiet_from: Option<NaiveTime>,
    /// Mail again from this clock time on.
    pub quiet_until: Option<NaiveTime>,
    /// The days on which the office works.
    #[diesel(deserialize_as = RawInteger, serialize_as = RawInteger)]
    pub working_weekdays: WeekdaySet,
    /// Frequency of the mains in hertz.
    pub mains_hertz: f64,
}

/// A stored office.
#[derive(Debug, Clone, PartialEq, Queryable, Selectable)]
#[diesel(table_name = branches)]
pub struct BranchRecord {
    /// Its number.
    #[diesel(deserialize_as = RawId)]
    pub id: BranchId,
    /// Raised by one with each change.
    pub version: i64,
    /// When it came in.
    #[diesel(deserialize_as = RawInstant)]
    pub created_at: DateTime<Utc>,
    /// When it was last changed.
    #[diesel(deserialize_as = RawInstant)]
    pub updated_at: DateTime<Utc>,
    /// What can be edited.
    #[diesel(embed)]
    pub fields: BranchFields,
}

impl core::ops::Deref for BranchRecord {
    type Target = BranchFields;
    fn deref(&self) -> &BranchFields {
        &self.fields
    }
}

impl BranchFields {
    /// The depot, if it is stated.
    #[must_use]
    pub fn depot(&self) -> Option<Position> {
        Position::new(self.depot_latitude_degrees?, self.depot_longitude_degrees?).ok()
    }

    /// Whether the depot says that the hot season lies around January. Without one the branch is
    /// taken as north of the equator.
    #[must_use]
    pub fn is_southern(&self) -> bool {
        self.depot().is_some_and(|depot| depot.latitude_degrees < 0.0)
    }
}

/// A day on which the office does not work.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Queryable, Selectable)]
#[diesel(table_name = branch_holidays)]
pub struct Holiday {
    /// The day.
    pub day: NaiveDate,
    /// Its name.
    pub name: String,
}

/// Stores a new office.
///
/// # Errors
/// [`StoreError::Conflict`] when the key is taken, `ForeignKey` and `Check`.
pub fn insert(
    conn: &mut AnyConnection,
    fields: &BranchFields,
    now: DateTime<Utc>,
) -> Result<BranchRecord, StoreError> {
    let at = naive(now);
    let record: BranchRecord = each!(conn, c => {
        diesel::insert_into(branches::table)
            .values((
                branches::version.eq(1_i64),
                branches::created_at.eq(at),
                branches::updated_at.eq(at),
                fields.clone(),
            ))
            .returning(BranchRecord::as_returning())
            .get_result(c)
    })?;
    changes::record(conn, record.id, Resource::Branch, &[(record.id.0, 1)], now)?;
    Ok(record)
}

/// The office with this number.
///
/// # Errors
/// [`StoreError::NotFound`].
pub fn find(conn: &mut AnyConnection, id: BranchId) -> Result<BranchRecord, StoreError> {
    branches::table
        .filter(branches::id.eq(id.0))
        .select(BranchRecord::as_select())
        .first(conn)
        .optional()?
        .ok_or(StoreError::NotFound("branch"))
}

/// The office with this key.
///
/// # Errors
/// Those of the database.
pub fn find_by_key(
    conn: &mut AnyConnection,
    key: &str,
) -> Result<Option<BranchRecord>, StoreError> {
    Ok(branches::table
        .filter(branches::key.eq(key))
        .select(BranchRecord::as_select())
        .first(conn)
        .optional()?)
}

sort_keys! {
    /// What [`list`] can be sorted by.
    BranchSort of BranchRecord, numbered by "id" id {
        Key "key": Text key,
        Name "name": Text name,
        UpdatedAt "updated_at": Instant updated_at,
    }
}

/// The office that is named, or every office, in the order of the page.
///
/// # Errors
/// Those of the database.
pub fn list(
    conn: &mut AnyConnection,
    only: Option<BranchId>,
    page: impl Into<SortedPage<BranchSort>>,
) -> Result<Vec<BranchRecord>, StoreError> {
    let mut all = branches::table.select(BranchRecord::as_select()).into_boxed();
    if let Some(branch) = only {
        all = all.filter(branches::id.eq(branch.0));
    }
    let query = in_order!(all, page.into(), branches::id, BranchSort {
        Key: Text branches::key,
        Name: Text branches::name,
        UpdatedAt: Instant branches::updated_at,
    });
    Ok(query.load(conn)?)
}

/// Replaces every field, if nobody changed the office since the expected version.
///
/// # Errors
/// [`StoreError::StaleVersion`] when somebody did, `NotFound`, `Conflict`, `ForeignKey`, `Check`.
pub fn update(
    conn: &mut AnyConnection,
    id: BranchId,
    expected_version: i64,
    fields: &BranchFields,
    now: DateTime<Utc>,
) -> Result<BranchRecord, StoreError> {
    let changed: Option<BranchRecord> = each!(conn, c => {
        diesel::update(
            branches::table
                .filter(branches::id.eq(id.0))
                .filter(branches::version.eq(expected_version)),
        )
        .set((
            fields.clone(),
            branches::version.eq(branches::version + 1),
            branches::updated_at.eq(naive(now)),
        ))
        .returning(BranchRecord::as_returning())
        .get_result(c)
        .optional()
    })?;
    let Some(record) = changed else {
        let found = find(conn, id)?.version;
        return Err(StoreError::StaleVersion { what: "branch", expected: expected_version, found });
    };
    changes::record(conn, id, Resource::Branch, &[(id.0, record.version)], now)?;
    Ok(record)
}

/// Stores the office under its key: new, changed, or left alone when nothing differs.
///
/// # Errors
/// As [`insert`] and [`update`].
pub fn upsert_by_key(
    conn: &mut AnyConnection,
    fields: &BranchFields,
    now: DateTime<Utc>,
) -> Result<Upserted<BranchRecord>, StoreError> {
    match find_by_key(conn, &fields.key)? {
        None => insert(conn, fields, now).map(Upserted::Inserted),
        Some(record) if record.fields == *fields => Ok(Upserted::Unchanged(record)),
        Some(record) => update(conn, record.id, record.version, fields, now).map(Upserted::Changed),
    }
}

/// The days on which the office does not work, in order.
///
/// # Errors
/// Those of the database.
pub fn holidays(conn: &mut AnyConnection, branch: BranchId) -> Result<Vec<Holiday>, StoreError> {
    Ok(branch_holidays::table
        .filter(branch_holidays::branch_id.eq(branch.0))
        .order(branch_holidays::day)
        .select(Holiday::as_select())
        .load(conn)?)
}

/// Makes these the office's holidays and raises its version if they differ.
///
/// # Errors
/// [`StoreError::Conflict`] when a day is there twice.
pub fn set_holidays(
    conn: &mut AnyConnection,
    branch: BranchId,
    days: &[Holiday],
    now: DateTime<Utc>,
) -> Result<bool, StoreError> {
    let mut wanted = days.to_vec();
    wanted.sort();
    if holidays(conn, branch)? == wanted {
        return Ok(false);
    }
    diesel::delete(branch_holidays::table.filter(branch_holidays::branch_id.eq(branch.0)))
        .execute(conn)?;
    for holiday in wanted {
        diesel::insert_into(branch_holidays::table)
            .values((
                branch_holidays::branch_id.eq(branch.0),
                branch_holidays::day.eq(holiday.day),
                branch_holidays::name.eq(holiday.name),
            ))
            .execute(conn)?;
    }
    let record = find(conn, branch)?;
    update(conn, branch, record.version, &record.fields, now)?;
    Ok(true)
}
