//! The user's own records as the CSV files that imports read.

use std::fs::File;
use std::io::{BufWriter, Seek as _, SeekFrom};

use hotspell_domain::BranchId;
use hotspell_imports::{ExportError, ImportKind};

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

/// Writes a kind of record to a file that has no name: the database is held no longer than the
/// writing takes, however slowly the file is fetched, and a failure shows before the first byte.
///
/// # Errors
/// Those of the store and of the disk.
pub fn export(
    state: &AppState,
    branch: BranchId,
    kind: ImportKind,
) -> Result<ExportedFile, AppError> {
    let disk = |error: std::io::Error| AppError::internal("file of an export", error);
    let mut file = tempfile::tempfile().map_err(disk)?;
    let rows = state.store.read(|conn| {
        hotspell_imports::export(conn, branch, kind, BufWriter::new(&mut file)).map_err(|error| {
            match error {
                ExportError::Store(error) => error.into(),
                ExportError::Write(error) => disk(error),
            }
        })
    })?;
    let bytes = file.stream_position().map_err(disk)?;
    file.seek(SeekFrom::Start(0)).map_err(disk)?;
    Ok(ExportedFile { file, bytes, rows })
}
