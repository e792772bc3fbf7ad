//! Photos on the wire.

use chrono::{DateTime, Utc};
use hotspell_domain::{TechnicianId, VisitId};
use hotspell_store::photos::PhotoRecord;
use hotspell_store::words::PhotoId;
use serde::Serialize;
use utoipa::ToSchema;

/// A photo without its bytes.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct PhotoView {
    /// Its number.
    #[schema(value_type = i64, example = 1)]
    pub id: PhotoId,
    /// The visit.
    #[schema(value_type = i64)]
    pub visit_id: VisitId,
    /// By whom; absent for the office.
    #[schema(value_type = Option<i64>)]
    pub technician_id: Option<TechnicianId>,
    /// Free text.
    pub note: Option<String>,
    /// When it came in.
    pub received_at: DateTime<Utc>,
    /// SHA-256 of the file, lower-case hexadecimal: the same picture has the same.
    pub digest: String,
    /// `image/jpeg`, `image/png` or `image/webp`, by the file's first bytes.
    #[schema(example = "image/jpeg")]
    pub media_type: String,
    /// Length of the file, number of bytes.
    pub size_bytes: i64,
}

impl From<PhotoRecord> for PhotoView {
    fn from(record: PhotoRecord) -> Self {
        Self {
            id: record.id,
            visit_id: record.visit_id,
            technician_id: record.technician_id,
            note: record.note,
            received_at: record.received_at,
            digest: record.digest,
            media_type: record.media_type,
            size_bytes: record.size_bytes,
        }
    }
}
