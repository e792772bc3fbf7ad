//! Which generation of a person's links counts. Raising it takes back every link sent before.

use chrono::{DateTime, Utc};
use diesel::{ExpressionMethods, OptionalExtension, QueryDsl, RunQueryDsl};
use hotspell_domain::{BranchId, ContactId};

use crate::columns::naive;
use crate::connection::each;
use crate::schema::link_generations;
use crate::{AnyConnection, StoreError};

/// The generation that counts; 0 for a person whose links were never taken back.
///
/// # Errors
/// Those of the database.
pub fn current(
    conn: &mut AnyConnection,
    branch: BranchId,
    contact: ContactId,
) -> Result<u32, StoreError> {
    let stored: Option<i32> = link_generations::table
        .filter(link_generations::branch_id.eq(branch.0))
        .filter(link_generations::contact_id.eq(contact.0))
        .select(link_generations::generation)
        .first(conn)
        .optional()?;
    Ok(stored.and_then(|number| u32::try_from(number).ok()).unwrap_or(0))
}

/// Takes back every link that the person was sent; gives the generation that counts from now on.
///
/// # Errors
/// `ForeignKey` for a contact that is none.
pub fn raise(
    conn: &mut AnyConnection,
    branch: BranchId,
    contact: ContactId,
    now: DateTime<Utc>,
) -> Result<u32, StoreError> {
    let at = naive(now);
    each!(conn, c => {
        diesel::insert_into(link_generations::table)
            .values((
                link_generations::branch_id.eq(branch.0),
                link_generations::contact_id.eq(contact.0),
                link_generations::generation.eq(1),
                link_generations::raised_at.eq(at),
            ))
            .on_conflict(link_generations::contact_id)
            .do_update()
            .set((
                link_generations::generation.eq(link_generations::generation + 1),
                link_generations::raised_at.eq(at),
            ))
            .execute(c)
    })?;
    current(conn, branch, contact)
}
