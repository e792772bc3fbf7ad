//! Files that somebody looks at before they are imported. Their bytes are kept until then, so that
//! what is confirmed is what was looked at.

use chrono::{DateTime, Utc};
use diesel::{ExpressionMethods, OptionalExtension, QueryDsl, Queryable, RunQueryDsl};
use hotspell_domain::{AccountId, BranchId};
use serde_json::Value;

use crate::columns::{RawInstant, RawNullInstant, RawText, naive};
use crate::schema::{import_preview_files, import_previews};
use crate::{AnyConnection, StoreError};

/// A file of a preview.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct PreviewFile {
    /// SHA-256 of the bytes, lower-case hexadecimal.
    pub digest: String,
    /// The bytes.
    pub content: Vec<u8>,
}

/// A preview to be kept.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct NewPreview {
    /// Who chose the files.
    pub account_id: AccountId,
    /// SHA-256 over the files, lower-case hexadecimal.
    pub digest: String,
    /// What each file would do.
    pub outcome: Value,
    /// Until when the bytes are kept.
    pub expires_at: DateTime<Utc>,
    /// In the order in which they are imported.
    pub files: Vec<PreviewFile>,
}

/// A stored preview without the bytes.
#[derive(Debug, Clone, PartialEq, Queryable)]
pub struct PreviewRecord {
    /// Its number.
    pub id: i64,
    /// SHA-256 over the files, lower-case hexadecimal.
    pub digest: String,
    /// What each file would do, or did.
    #[diesel(deserialize_as = RawText)]
    pub outcome: Value,
    /// When it was made.
    #[diesel(deserialize_as = RawInstant)]
    pub made_at: DateTime<Utc>,
    /// Until when the bytes are kept.
    #[diesel(deserialize_as = RawInstant)]
    pub expires_at: DateTime<Utc>,
    /// When the files were imported.
    #[diesel(deserialize_as = RawNullInstant)]
    pub imported_at: Option<DateTime<Utc>>,
}

const COLUMNS: (
    import_previews::id,
    import_previews::digest,
    import_previews::outcome,
    import_previews::made_at,
    import_previews::expires_at,
    import_previews::imported_at,
) = (
    import_previews::id,
    import_previews::digest,
    import_previews::outcome,
    import_previews::made_at,
    import_previews::expires_at,
    import_previews::imported_at,
);

/// Keeps a preview; an earlier one of the same files goes.
///
/// # Errors
/// `ForeignKey`, `Check`.
pub fn insert(
    conn: &mut AnyConnection,
    branch: BranchId,
    preview: &NewPreview,
    now: DateTime<Utc>,
) -> Result<(), StoreError> {
    if let Some(earlier) = find(conn, branch, &preview.digest)? {
        remove(conn, &[earlier.id])?;
    }
    let id: i64 = diesel::insert_into(import_previews::table)
        .values((
            import_previews::branch_id.eq(branch.0),
            import_previews::account_id.eq(preview.account_id.0),
            import_previews::digest.eq(&preview.digest),
            import_previews::outcome.eq(preview.outcome.to_string()),
            import_previews::made_at.eq(naive(now)),
            import_previews::expires_at.eq(naive(preview.expires_at)),
        ))
        .returning(import_previews::id)
        .get_result(conn)?;
    for (place, file) in (0_i32..).zip(&preview.files) {
        diesel::insert_into(import_preview_files::table)
            .values((
                import_preview_files::branch_id.eq(branch.0),
                import_preview_files::preview_id.eq(id),
                import_preview_files::place.eq(place),
                import_preview_files::digest.eq(&file.digest),
                import_preview_files::content.eq(&file.content),
            ))
            .execute(conn)?;
    }
    Ok(())
}

/// The preview of this name, whether it has run out or not.
///
/// # Errors
/// Those of the database.
pub fn find(
    conn: &mut AnyConnection,
    branch: BranchId,
    digest: &str,
) -> Result<Option<PreviewRecord>, StoreError> {
    Ok(import_previews::table
        .filter(import_previews::branch_id.eq(branch.0))
        .filter(import_previews::digest.eq(digest))
        .select(COLUMNS)
        .first(conn)
        .optional()?)
}

/// Every preview of the branch, newest first.
///
/// # Errors
/// Those of the database.
pub fn newest_first(
    conn: &mut AnyConnection,
    branch: BranchId,
) -> Result<Vec<PreviewRecord>, StoreError> {
    Ok(import_previews::table
        .filter(import_previews::branch_id.eq(branch.0))
        .order((import_previews::made_at.desc(), import_previews::id.desc()))
        .select(COLUMNS)
        .load(conn)?)
}

/// Forgets a preview with its files, if there is one.
///
/// # Errors
/// Those of the database.
pub fn forget(conn: &mut AnyConnection, branch: BranchId, digest: &str) -> Result<(), StoreError> {
    if let Some(found) = find(conn, branch, digest)? {
        remove(conn, &[found.id])?;
    }
    Ok(())
}

/// The files of a preview, in their order; none once they are imported.
///
/// # Errors
/// Those of the database.
pub fn files(
    conn: &mut AnyConnection,
    branch: BranchId,
    preview: i64,
) -> Result<Vec<PreviewFile>, StoreError> {
    let rows: Vec<(String, Vec<u8>)> = import_preview_files::table
        .filter(import_preview_files::branch_id.eq(branch.0))
        .filter(import_preview_files::preview_id.eq(preview))
        .order(import_preview_files::place)
        .select((import_preview_files::digest, import_preview_files::content))
        .load(conn)?;
    Ok(rows.into_iter().map(|(digest, content)| PreviewFile { digest, content }).collect())
}

/// Marks the files as imported and lets go of their bytes. Once only.
///
/// # Errors
/// [`StoreError::Conflict`] when they are imported already.
pub fn close(
    conn: &mut AnyConnection,
    branch: BranchId,
    preview: i64,
    outcome: &Value,
    now: DateTime<Utc>,
) -> Result<(), StoreError> {
    let open = import_previews::table
        .filter(import_previews::branch_id.eq(branch.0))
        .filter(import_previews::id.eq(preview))
        .filter(import_previews::imported_at.is_null());
    let closed = diesel::update(open)
        .set((
            import_previews::imported_at.eq(naive(now)),
            import_previews::outcome.eq(outcome.to_string()),
        ))
        .execute(conn)?;
    if closed == 0 {
        return Err(StoreError::Conflict { what: "files that are imported already".to_owned() });
    }
    remove_files(conn, &[preview])
}

/// Lets go of previews that ran out before an instant, of every branch; gives their number.
///
/// # Errors
/// Those of the database.
pub fn forget_before(
    conn: &mut AnyConnection,
    instant: DateTime<Utc>,
) -> Result<usize, StoreError> {
    let over: Vec<i64> = import_previews::table
        .filter(import_previews::expires_at.lt(naive(instant)))
        .select(import_previews::id)
        .load(conn)?;
    remove(conn, &over)
}

fn remove(conn: &mut AnyConnection, previews: &[i64]) -> Result<usize, StoreError> {
    remove_files(conn, previews)?;
    let own = import_previews::table.filter(import_previews::id.eq_any(previews));
    Ok(diesel::delete(own).execute(conn)?)
}

fn remove_files(conn: &mut AnyConnection, previews: &[i64]) -> Result<(), StoreError> {
    let own = import_preview_files::table.filter(import_preview_files::preview_id.eq_any(previews));
    diesel::delete(own).execute(conn)?;
    Ok(())
}
