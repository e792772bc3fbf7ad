//! Earlier days on which parts were seen good: those that a later such day has pushed out of the part's row.

use chrono::NaiveDate;
use diesel::{ExpressionMethods, QueryDsl, RunQueryDsl};
use hotspell_domain::{BranchId, ComponentId};

use crate::connection::each;
use crate::record::BOUND_VALUES;
use crate::schema::component_sightings;
use crate::{AnyConnection, StoreError};

/// Keeps days on which parts were seen good; what is kept already stays once.
///
/// # Errors
/// `ForeignKey` for a part that is none.
pub fn keep(
    conn: &mut AnyConnection,
    branch: BranchId,
    seen: &[(ComponentId, NaiveDate)],
) -> Result<(), StoreError> {
    for chunk in seen.chunks(BOUND_VALUES / 3) {
        let rows: Vec<_> = chunk
            .iter()
            .map(|(part, day)| {
                (
                    component_sightings::branch_id.eq(branch.0),
                    component_sightings::component_id.eq(part.0),
                    component_sightings::seen_good_on.eq(*day),
                )
            })
            .collect();
        each!(conn, c => {
            diesel::insert_into(component_sightings::table)
                .values(rows)
                .on_conflict((component_sightings::component_id, component_sightings::seen_good_on))
                .do_nothing()
                .execute(c)
        })?;
    }
    Ok(())
}

/// The kept days of a part, oldest first.
///
/// # Errors
/// Those of the database.
pub fn of(
    conn: &mut AnyConnection,
    branch: BranchId,
    part: ComponentId,
) -> Result<Vec<NaiveDate>, StoreError> {
    Ok(component_sightings::table
        .filter(component_sightings::branch_id.eq(branch.0))
        .filter(component_sightings::component_id.eq(part.0))
        .order(component_sightings::seen_good_on)
        .select(component_sightings::seen_good_on)
        .load(conn)?)
}

/// Gives the days after one to the part that sat there then.
///
/// # Errors
/// Those of the database.
pub fn hand_over(
    conn: &mut AnyConnection,
    branch: BranchId,
    from: ComponentId,
    to: ComponentId,
    after: NaiveDate,
) -> Result<(), StoreError> {
    let later: Vec<NaiveDate> =
        of(conn, branch, from)?.into_iter().filter(|day| *day > after).collect();
    diesel::delete(
        component_sightings::table
            .filter(component_sightings::branch_id.eq(branch.0))
            .filter(component_sightings::component_id.eq(from.0))
            .filter(component_sightings::seen_good_on.gt(after)),
    )
    .execute(conn)?;
    let later: Vec<_> = later.into_iter().map(|day| (to, day)).collect();
    keep(conn, branch, &later)
}
