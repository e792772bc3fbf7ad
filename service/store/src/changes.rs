//! The change feed: one number for every change of a record, in the order of commits.

use chrono::{DateTime, Utc};
use diesel::{ExpressionMethods, QueryDsl, Queryable, RunQueryDsl, Selectable, SelectableHelper};
use hotspell_domain::BranchId;

use crate::columns::{RawId, RawInstant, RawText, naive};
use crate::connection::each;
use crate::page::Page;
use crate::record::BOUND_VALUES;
use crate::schema::changes;
use crate::words::Resource;
use crate::{AnyConnection, StoreError};

/// One change.
#[derive(Debug, Clone, PartialEq, Eq, Queryable, Selectable)]
#[diesel(table_name = changes)]
pub struct Change {
    /// Greater than that of every change committed before.
    pub id: i64,
    /// The office.
    #[diesel(deserialize_as = RawId)]
    pub branch_id: BranchId,
    /// What kind of record.
    #[diesel(deserialize_as = RawText)]
    pub resource: Resource,
    /// Its number.
    pub resource_id: i64,
    /// The version that the change made.
    pub version: i64,
    /// When.
    #[diesel(deserialize_as = RawInstant)]
    pub at: DateTime<Utc>,
}

/// Numbers changes of records; every function that changes a record calls it.
pub(crate) fn record(
    conn: &mut AnyConnection,
    branch: BranchId,
    resource: Resource,
    ids_and_versions: &[(i64, i64)],
    now: DateTime<Utc>,
) -> Result<(), StoreError> {
    let at = naive(now);
    for chunk in ids_and_versions.chunks(BOUND_VALUES / 5) {
        let rows: Vec<_> = chunk
            .iter()
            .map(|(id, version)| {
                (
                    changes::branch_id.eq(branch.0),
                    changes::resource.eq(resource.as_str()),
                    changes::resource_id.eq(*id),
                    changes::version.eq(*version),
                    changes::at.eq(at),
                )
            })
            .collect();
        each!(conn, c => diesel::insert_into(changes::table).values(rows).execute(c))?;
    }
    Ok(())
}

/// The changes after a number. Call it in [`Store::read_settled`](crate::Store::read_settled):
/// in another transaction a change with a smaller number may still come into sight.
///
/// # Errors
/// Those of the database.
pub fn list(
    conn: &mut AnyConnection,
    branch: BranchId,
    page: Page,
) -> Result<Vec<Change>, StoreError> {
    Ok(changes::table
        .filter(changes::branch_id.eq(branch.0))
        .filter(changes::id.gt(page.after_id))
        .order(changes::id)
        .limit(page.limit)
        .select(Change::as_select())
        .load(conn)?)
}

/// The number of the branch's last change; 0 when there is none. Call it in
/// [`Store::read_settled`](crate::Store::read_settled), as [`list`].
///
/// # Errors
/// Those of the database.
pub fn last_number(conn: &mut AnyConnection, branch: BranchId) -> Result<i64, StoreError> {
    let last: Option<i64> = changes::table
        .filter(changes::branch_id.eq(branch.0))
        .select(diesel::dsl::max(changes::id))
        .first(conn)?;
    Ok(last.unwrap_or(0))
}
