//! Photos that a technician takes at a visit.
//!
//! They lie in the database and not in a folder beside it, so that both databases and their backups
//! hold them without a second thing that can be lost or go out of step. They are stored once by
//! content.

use hotspell_domain::{BranchId, TechnicianId, VisitId};
use hotspell_store::photos::{self, NewPhoto, PhotoRecord};
use hotspell_store::{AnyConnection, Page};

use super::AppError;
use super::record::digest;
use crate::state::AppState;

/// The type of a picture by its first bytes, whatever the sender calls it: JPEG (ITU-T T.81, annex
/// B), PNG (ISO/IEC 15948, section 5.2), WebP (RFC 9649, section 2.4).
#[must_use]
pub fn media_type(content: &[u8]) -> Option<&'static str> {
    if content.starts_with(&[0xFF, 0xD8, 0xFF]) {
        Some("image/jpeg")
    } else if content.starts_with(b"\x89PNG\r\n\x1A\n") {
        Some("image/png")
    } else if content.starts_with(b"RIFF") && content.get(8..12) == Some(b"WEBP") {
        Some("image/webp")
    } else {
        None
    }
}

/// Keeps a picture of a visit; the same again is the same photo.
///
/// # Errors
/// [`AppError::Conflict`] when the visit has as many as the settings allow, those of the store.
pub fn keep(
    state: &AppState,
    conn: &mut AnyConnection,
    branch: BranchId,
    (visit, technician): (VisitId, Option<TechnicianId>),
    content: &[u8],
    (media_type, note): (&str, Option<String>),
) -> Result<(PhotoRecord, bool), AppError> {
    let new = NewPhoto {
        visit_id: visit,
        technician_id: technician,
        digest: digest(content),
        media_type: media_type.to_owned(),
        content: content.to_owned(),
        note,
    };
    let stored = photos::insert_once(conn, branch, &new, state.now())?;
    let most = state.config.photos.per_visit;
    let count = photos::list(conn, branch, visit, Page::everything())?.len();
    if stored.1 && count > most {
        return Err(AppError::Conflict(format!("a visit has at most {most} photos")));
    }
    Ok(stored)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_picture_is_known_by_its_first_bytes() {
        assert_eq!(media_type(b"\xFF\xD8\xFF\xE0\x00\x10JFIF"), Some("image/jpeg"));
        assert_eq!(media_type(b"\x89PNG\r\n\x1A\n\0\0\0\rIHDR"), Some("image/png"));
        assert_eq!(media_type(b"RIFF\x24\0\0\0WEBPVP8 "), Some("image/webp"));
        let others: [&[u8]; 5] =
            [b"", b"RIFF", b"RIFF\x24\0\0\0WAVEfmt ", b"GIF89a", b"<svg onload=\"alert(1)\">"];
        for other in others {
            assert_eq!(media_type(other), None, "{other:?}");
        }
    }
}
