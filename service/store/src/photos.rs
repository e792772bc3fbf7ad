//! Photos of visits. What a picture shows is stored once for each branch, under its digest.

use chrono::{DateTime, Utc};
use diesel::{ExpressionMethods, JoinOnDsl, OptionalExtension, QueryDsl, Queryable, RunQueryDsl};
use hotspell_domain::{BranchId, TechnicianId, VisitId};

use crate::columns::{RawId, RawInstant, RawNullId, naive};
use crate::schema::{photo_contents, photos};
use crate::sorting::{in_order, sort_keys};
use crate::words::PhotoId;
use crate::{AnyConnection, SortedPage, StoreError};

/// A photo to be kept.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct NewPhoto {
    /// The visit.
    pub visit_id: VisitId,
    /// By whom; nothing for the office.
    pub technician_id: Option<TechnicianId>,
    /// SHA-256 of the bytes, lower-case hexadecimal.
    pub digest: String,
    /// Such as `image/jpeg`.
    pub media_type: String,
    /// The file.
    pub content: Vec<u8>,
    /// Free text.
    pub note: Option<String>,
}

/// A stored photo without its bytes.
#[derive(Debug, Clone, PartialEq, Eq, Queryable)]
pub struct PhotoRecord {
    /// Its number.
    #[diesel(deserialize_as = RawId)]
    pub id: PhotoId,
    /// The visit.
    #[diesel(deserialize_as = RawId)]
    pub visit_id: VisitId,
    /// By whom.
    #[diesel(deserialize_as = RawNullId)]
    pub technician_id: Option<TechnicianId>,
    /// Free text.
    pub note: Option<String>,
    /// When it came in.
    #[diesel(deserialize_as = RawInstant)]
    pub received_at: DateTime<Utc>,
    /// SHA-256 of the bytes, lower-case hexadecimal.
    pub digest: String,
    /// Such as `image/jpeg`.
    pub media_type: String,
    /// Length of the file in bytes.
    pub size_bytes: i64,
}

const COLUMNS: (
    photos::id,
    photos::visit_id,
    photos::technician_id,
    photos::note,
    photos::received_at,
    photo_contents::digest,
    photo_contents::media_type,
    photo_contents::size_bytes,
) = (
    photos::id,
    photos::visit_id,
    photos::technician_id,
    photos::note,
    photos::received_at,
    photo_contents::digest,
    photo_contents::media_type,
    photo_contents::size_bytes,
);

/// Keeps a photo. The same picture of the same visit again is the same photo, and `false` comes
/// with it.
///
/// # Errors
/// `ForeignKey`, `Check`.
pub fn insert_once(
    conn: &mut AnyConnection,
    branch: BranchId,
    photo: &NewPhoto,
    now: DateTime<Utc>,
) -> Result<(PhotoRecord, bool), StoreError> {
    let content = content_id(conn, branch, photo)?;
    let stored: Option<i64> = photos::table
        .filter(photos::branch_id.eq(branch.0))
        .filter(photos::visit_id.eq(photo.visit_id.0))
        .filter(photos::content_id.eq(content))
        .select(photos::id)
        .first(conn)
        .optional()?;
    if let Some(id) = stored {
        return Ok((find(conn, branch, PhotoId(id))?, false));
    }
    let id: i64 = diesel::insert_into(photos::table)
        .values((
            photos::branch_id.eq(branch.0),
            photos::visit_id.eq(photo.visit_id.0),
            photos::content_id.eq(content),
            photos::technician_id.eq(photo.technician_id.map(|id| id.0)),
            photos::note.eq(photo.note.as_deref()),
            photos::received_at.eq(naive(now)),
        ))
        .returning(photos::id)
        .get_result(conn)?;
    Ok((find(conn, branch, PhotoId(id))?, true))
}

/// The number of the stored bytes, which are stored if they are new.
fn content_id(
    conn: &mut AnyConnection,
    branch: BranchId,
    photo: &NewPhoto,
) -> Result<i64, StoreError> {
    let stored: Option<i64> = photo_contents::table
        .filter(photo_contents::branch_id.eq(branch.0))
        .filter(photo_contents::digest.eq(&photo.digest))
        .select(photo_contents::id)
        .first(conn)
        .optional()?;
    if let Some(id) = stored {
        return Ok(id);
    }
    let size = i64::try_from(photo.content.len()).unwrap_or(i64::MAX);
    Ok(diesel::insert_into(photo_contents::table)
        .values((
            photo_contents::branch_id.eq(branch.0),
            photo_contents::digest.eq(&photo.digest),
            photo_contents::media_type.eq(&photo.media_type),
            photo_contents::size_bytes.eq(size),
            photo_contents::content.eq(&photo.content),
        ))
        .returning(photo_contents::id)
        .get_result(conn)?)
}

/// The photo with this number.
///
/// # Errors
/// [`StoreError::NotFound`] when the branch has none.
pub fn find(
    conn: &mut AnyConnection,
    branch: BranchId,
    id: PhotoId,
) -> Result<PhotoRecord, StoreError> {
    photos::table
        .inner_join(photo_contents::table.on(photo_contents::id.eq(photos::content_id)))
        .filter(photos::branch_id.eq(branch.0))
        .filter(photos::id.eq(id.0))
        .select(COLUMNS)
        .first(conn)
        .optional()?
        .ok_or(StoreError::NotFound("photo"))
}

sort_keys! {
    /// What [`list`] can be sorted by.
    PhotoSort of PhotoRecord, numbered by "id" id {
        ReceivedAt "received_at": Instant received_at,
        SizeBytes "size_bytes": Whole size_bytes,
    }
}

/// The photos of a visit, in the order of the page: that in which they came in unless it names
/// another.
///
/// # Errors
/// Those of the database.
pub fn list(
    conn: &mut AnyConnection,
    branch: BranchId,
    visit: VisitId,
    page: impl Into<SortedPage<PhotoSort>>,
) -> Result<Vec<PhotoRecord>, StoreError> {
    let all = photos::table
        .inner_join(photo_contents::table.on(photo_contents::id.eq(photos::content_id)))
        .filter(photos::branch_id.eq(branch.0))
        .filter(photos::visit_id.eq(visit.0))
        .select(COLUMNS)
        .into_boxed();
    let query = in_order!(all, page.into(), photos::id, PhotoSort {
        ReceivedAt: Instant photos::received_at,
        SizeBytes: Whole photo_contents::size_bytes,
    });
    Ok(query.load(conn)?)
}

/// The bytes of a photo.
///
/// # Errors
/// [`StoreError::NotFound`] when the branch has none.
pub fn content(
    conn: &mut AnyConnection,
    branch: BranchId,
    id: PhotoId,
) -> Result<Vec<u8>, StoreError> {
    photos::table
        .inner_join(photo_contents::table.on(photo_contents::id.eq(photos::content_id)))
        .filter(photos::branch_id.eq(branch.0))
        .filter(photos::id.eq(id.0))
        .select(photo_contents::content)
        .first(conn)
        .optional()?
        .ok_or(StoreError::NotFound("photo"))
}
