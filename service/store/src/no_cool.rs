//! What a household said when it called because nothing cools.

use chrono::{DateTime, Utc};
use diesel::{ExpressionMethods, OptionalExtension, QueryDsl, RunQueryDsl, SelectableHelper};
use hotspell_domain::{BranchId, VisitId};
use serde_json::Value;

use crate::columns::{RawId, RawInstant, RawText};
use crate::record::appended;
use crate::schema::no_cool_calls;
use crate::{AnyConnection, StoreError};

appended! {
    /// One call; what becomes of it is the state of its visit.
    no_cool_calls, NoCoolRecord, NewNoCool, insert, insert_many {
        /// The visit that it asks for.
        visit_id: VisitId as RawId,
        /// Who at home bears heat badly: a list of words, as the household said.
        vulnerabilities: Value as RawText,
        /// What the household said besides.
        words: Option<String>,
        /// When it called.
        called_at: DateTime<Utc> as RawInstant,
        /// What its priority was made from.
        grounds: Value as RawText,
    }
}

/// The call with this number.
///
/// # Errors
/// [`StoreError::NotFound`].
pub fn find(
    conn: &mut AnyConnection,
    branch: BranchId,
    id: i64,
) -> Result<NoCoolRecord, StoreError> {
    no_cool_calls::table
        .filter(no_cool_calls::id.eq(id))
        .filter(no_cool_calls::branch_id.eq(branch.0))
        .select(NoCoolRecord::as_select())
        .first(conn)
        .optional()?
        .ok_or(StoreError::NotFound("no-cool call"))
}
