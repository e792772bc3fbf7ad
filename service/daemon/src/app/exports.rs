//! The user's own records as CSV files: those that imports read, and the audit.

use std::fs::File;
use std::io::{BufWriter, Seek as _, SeekFrom};

use chrono::{DateTime, Utc};
use hotspell_domain::BranchId;
use hotspell_imports::{ExportError, ImportKind};
use hotspell_store::AnyConnection;
use hotspell_store::audit::AuditFilter;

use super::AppError;
use crate::state::AppState;

/// A file without a name, gone when it is closed.
#[derive(Debug)]
pub struct ExportedFile {
    /// At its beginning.
    pub file: File,
    /// Its length.
    pub bytes: u64,
    /// Rows below the header.
    pub rows: usize,
}

/// Writes a kind of record.
///
/// # Errors
/// Those of the store and of the disk.
pub fn export(
    state: &AppState,
    branch: BranchId,
    kind: ImportKind,
) -> Result<ExportedFile, AppError> {
    written(state, |conn, file| hotspell_imports::export(conn, branch, kind, file))
}

/// Writes the audit from an instant on, up to another: all of it without them.
///
/// # Errors
/// [`AppError::Invalid`] if it ends before it begins; those of the store and of the disk.
pub fn export_audit(
    state: &AppState,
    branch: BranchId,
    from: Option<DateTime<Utc>>,
    until: Option<DateTime<Utc>>,
) -> Result<ExportedFile, AppError> {
    if let (Some(from), Some(until)) = (from, until)
        && until < from
    {
        return Err(AppError::field("until", format!("{until} is before {from}, where it begins")));
    }
    let filter = AuditFilter { from, until, ..AuditFilter::default() };
    written(state, |conn, file| hotspell_imports::export_audit(conn, branch, &filter, file))
}

/// Writes to a file that has no name: the database is held no longer than the writing takes, however
/// slowly the file is fetched, and a failure shows before the first byte.
fn written(
    state: &AppState,
    write: impl FnOnce(&mut AnyConnection, BufWriter<&mut File>) -> Result<usize, ExportError>,
) -> Result<ExportedFile, AppError> {
    let disk = |error: std::io::Error| AppError::internal("file of an export", error);
    let mut file = tempfile::tempfile().map_err(disk)?;
    let rows = state.store.read(|conn| {
        write(conn, BufWriter::new(&mut file)).map_err(|error| match error {
            ExportError::Store(error) => error.into(),
            ExportError::Write(error) => disk(error),
        })
    })?;
    let bytes = file.stream_position().map_err(disk)?;
    file.seek(SeekFrom::Start(0)).map_err(disk)?;
    Ok(ExportedFile { file, bytes, rows })
}
