//! Driving times that a routing engine gave, kept so that it is asked once for each trip.

use chrono::{DateTime, Utc};
use diesel::{ExpressionMethods, QueryDsl, RunQueryDsl};
use hotspell_domain::BranchId;

use crate::columns::{RawInstant, naive};
use crate::listing::listing;
use crate::record::appended;
use crate::schema::travel_times;
use crate::{AnyConnection, StoreError};

appended! {
    /// The trips from one origin that one answer gave.
    travel_times, TravelTimesRecord, NewTravelTimes, insert, insert_many {
        /// Where the trips begin, as a number made from the rounded position.
        origin: i64,
        /// Where they end: a JSON list of such numbers.
        destinations: String,
        /// Seconds of driving: a JSON list in the order of the destinations; null where there is no road.
        seconds: String,
        /// When the engine was asked.
        fetched_at: DateTime<Utc> as RawInstant,
    }
}

listing! {
    travel_times, TravelTimesRecord, list,
    /// Which trips.
    TravelTimesFilter {
        /// Asked for at or after this instant.
        fetched_from: DateTime<Utc> => |at| travel_times::fetched_at.ge(naive(*at)),
    }
}

/// Forgets what was asked for before an instant; says how many rows that were.
///
/// # Errors
/// Those of the database.
pub fn forget_before(
    conn: &mut AnyConnection,
    branch: BranchId,
    at: DateTime<Utc>,
) -> Result<usize, StoreError> {
    let old = travel_times::table
        .filter(travel_times::branch_id.eq(branch.0))
        .filter(travel_times::fetched_at.lt(naive(at)));
    Ok(diesel::delete(old).execute(conn)?)
}
