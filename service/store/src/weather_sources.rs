//! What sources of weather said of the files that were stored last, so that an unchanged file is
//! not sent again, and until when they asked to be left alone.

use chrono::{DateTime, Utc};
use diesel::{
    ExpressionMethods, OptionalExtension, QueryDsl, Queryable, RunQueryDsl, Selectable,
    SelectableHelper,
};

use crate::columns::{RawNullInstant, naive};
use crate::connection::each;
use crate::schema::weather_sources;
use crate::words::StationId;
use crate::{AnyConnection, StoreError};

/// What is known of an address that a station's weather comes from.
#[derive(Debug, Clone, Default, PartialEq, Eq, Queryable, Selectable)]
#[diesel(table_name = weather_sources)]
pub struct WeatherSource {
    /// Entity tag of the file that was stored last (RFC 9110 section 8.8.3).
    pub etag: Option<String>,
    /// Its `Last-Modified`, as the source wrote it.
    pub last_modified: Option<String>,
    /// When that file was stored.
    #[diesel(deserialize_as = RawNullInstant)]
    pub stored_at: Option<DateTime<Utc>>,
    /// Not before this instant does the source want to be asked again.
    #[diesel(deserialize_as = RawNullInstant)]
    pub retry_at: Option<DateTime<Utc>>,
}

/// What is known of an address; nothing known is the default.
///
/// # Errors
/// Those of the database.
pub fn find(
    conn: &mut AnyConnection,
    station: StationId,
    url: &str,
) -> Result<WeatherSource, StoreError> {
    Ok(weather_sources::table
        .filter(weather_sources::station_id.eq(station.0))
        .filter(weather_sources::url.eq(url))
        .select(WeatherSource::as_select())
        .first(conn)
        .optional()?
        .unwrap_or_default())
}

/// Keeps what is known of an address.
///
/// # Errors
/// [`StoreError::ForeignKey`] for a station that is none.
pub fn put(
    conn: &mut AnyConnection,
    station: StationId,
    url: &str,
    source: &WeatherSource,
) -> Result<(), StoreError> {
    let known = (
        weather_sources::etag.eq(&source.etag),
        weather_sources::last_modified.eq(&source.last_modified),
        weather_sources::stored_at.eq(source.stored_at.map(naive)),
        weather_sources::retry_at.eq(source.retry_at.map(naive)),
    );
    each!(conn, c => {
        diesel::insert_into(weather_sources::table)
            .values((
                weather_sources::station_id.eq(station.0),
                weather_sources::url.eq(url),
                known,
            ))
            .on_conflict((weather_sources::station_id, weather_sources::url))
            .do_update()
            .set(known)
            .execute(c)
    })?;
    Ok(())
}
