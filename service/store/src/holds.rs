//! Slots that are kept for a household while it chooses.

use chrono::{DateTime, NaiveDate, Utc};
use diesel::{ExpressionMethods, OptionalExtension, QueryDsl, RunQueryDsl, SelectableHelper};
use hotspell_domain::{BranchId, TechnicianId, VisitId};

use crate::columns::{RawId, RawInstant, naive};
use crate::connection::each;
use crate::listing::listing;
use crate::record::appended;
use crate::schema::slot_holds;
use crate::{AnyConnection, StoreError};

appended! {
    /// A half of a technician's day that is kept for one visit. The database keeps each half once.
    slot_holds, HoldRecord, NewHold, insert, insert_many {
        /// For which visit.
        visit_id: VisitId as RawId,
        /// The day.
        day: NaiveDate,
        /// Who would come.
        technician_id: TechnicianId as RawId,
        /// Whether the work starts at noon or later.
        afternoon: bool,
        /// Earliest start of the work, in seconds after midnight of the branch's clock.
        start_seconds: i32,
        /// Latest start of the work that moves nobody else.
        latest_seconds: i32,
        /// Until when it is kept.
        held_until: DateTime<Utc> as RawInstant,
    }
}

listing! {
    slot_holds, HoldRecord, list,
    /// Which holds.
    HoldFilter {
        /// For this visit.
        visit: VisitId => |visit| slot_holds::visit_id.eq(visit.0),
        /// Kept beyond this instant.
        held_after: DateTime<Utc> => |at| slot_holds::held_until.gt(naive(*at)),
    }
}

/// Keeps a slot if nobody else has it; nothing otherwise. Call [`forget`] first, so that what has run out
/// stands in nobody's way.
///
/// # Errors
/// `ForeignKey`.
pub fn keep(
    conn: &mut AnyConnection,
    branch: BranchId,
    hold: NewHold,
) -> Result<Option<HoldRecord>, StoreError> {
    Ok(each!(conn, c => {
        diesel::insert_into(slot_holds::table)
            .values((slot_holds::branch_id.eq(branch.0), hold))
            .on_conflict_do_nothing()
            .returning(HoldRecord::as_returning())
            .get_result(c)
            .optional()
    })?)
}

/// Lets go of every slot that was kept for a visit.
///
/// # Errors
/// Those of the database.
pub fn release(
    conn: &mut AnyConnection,
    branch: BranchId,
    visit: VisitId,
) -> Result<usize, StoreError> {
    let own = slot_holds::table
        .filter(slot_holds::branch_id.eq(branch.0))
        .filter(slot_holds::visit_id.eq(visit.0));
    Ok(diesel::delete(own).execute(conn)?)
}

/// Lets go of what has run out.
///
/// # Errors
/// Those of the database.
pub fn forget(
    conn: &mut AnyConnection,
    branch: BranchId,
    now: DateTime<Utc>,
) -> Result<usize, StoreError> {
    let over = slot_holds::table
        .filter(slot_holds::branch_id.eq(branch.0))
        .filter(slot_holds::held_until.le(naive(now)));
    Ok(diesel::delete(over).execute(conn)?)
}
