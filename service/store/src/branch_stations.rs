//! The stations beside an office's own whose weather counts at the homes near them.

use diesel::{ExpressionMethods, QueryDsl, RunQueryDsl};
use hotspell_domain::BranchId;

use crate::schema::branch_stations;
use crate::words::StationId;
use crate::{AnyConnection, StoreError};

/// The further stations of an office, by number.
///
/// # Errors
/// Those of the database.
pub fn list(conn: &mut AnyConnection, branch: BranchId) -> Result<Vec<StationId>, StoreError> {
    let ids: Vec<i64> = branch_stations::table
        .filter(branch_stations::branch_id.eq(branch.0))
        .order(branch_stations::station_id)
        .select(branch_stations::station_id)
        .load(conn)?;
    Ok(ids.into_iter().map(StationId).collect())
}

/// Makes these the office's further stations; says whether they differed.
///
/// # Errors
/// [`StoreError::Conflict`] when one is there twice, `ForeignKey` for a station that is none.
pub fn set(
    conn: &mut AnyConnection,
    branch: BranchId,
    stations: &[StationId],
) -> Result<bool, StoreError> {
    let mut wanted = stations.to_vec();
    wanted.sort_unstable();
    if list(conn, branch)? == wanted {
        return Ok(false);
    }
    diesel::delete(branch_stations::table.filter(branch_stations::branch_id.eq(branch.0)))
        .execute(conn)?;
    for station in wanted {
        diesel::insert_into(branch_stations::table)
            .values((
                branch_stations::branch_id.eq(branch.0),
                branch_stations::station_id.eq(station.0),
            ))
            .execute(conn)?;
    }
    Ok(true)
}
