//! Files that somebody looked at and nobody finished: they had errors, or were never confirmed.

use std::collections::BTreeSet;

use chrono::NaiveDate;
use chrono_tz::Tz;
use hotspell_domain::BranchId;
use hotspell_domain::local_time::local_day;
use hotspell_imports::ImportKind;
use hotspell_store::branches;
use hotspell_store::import_previews::{self as rows, PreviewRecord};

use super::AppError;
use super::import_preview::{self, FileOutcome, Preview, Previewed, Stage};
use crate::state::AppState;

/// Files that were looked at together and wait for somebody.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct UnfinishedImport {
    /// Name of the preview, under which its page is found.
    pub preview: String,
    /// The day on which they were looked at, by the branch's calendar.
    pub day: NaiveDate,
    /// Those of the files that cannot be imported as they are; all of them when every one fits and
    /// only the confirmation is missing.
    pub files: Vec<UnfinishedFile>,
    /// Rows with bad values, of all files together. None also when a file as a whole is refused.
    pub rows_in_error: usize,
    /// Whether a file must be mended; otherwise only the confirmation is missing.
    pub is_refused: bool,
}

/// One of them.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct UnfinishedFile {
    /// Its name on the sender's machine.
    pub name: String,
    /// Which records it holds, if that is known.
    pub kind: Option<ImportKind>,
}

/// What was looked at and neither imported nor left, newest first, as long as it is kept
/// ([`import_preview::KEPT`]). Not listed is what would change nothing, and what was looked at again:
/// a later preview of the same tables takes the place of an earlier one.
///
/// # Errors
/// Those of the store; [`AppError::Internal`] when a stored preview is none.
pub fn unfinished_imports(
    state: &AppState,
    branch: BranchId,
) -> Result<Vec<UnfinishedImport>, AppError> {
    let (zone, records) = state.store.read(|conn| {
        let zone = branches::find(conn, branch)?.time_zone;
        Ok::<_, AppError>((zone, rows::newest_first(conn, branch)?))
    })?;
    let mut later: Vec<BTreeSet<Option<ImportKind>>> = Vec::new();
    let mut waiting = Vec::new();
    for record in &records {
        let preview = import_preview::preview(record, state.now())?;
        let kinds: BTreeSet<_> = preview.files.iter().map(|file| file.kind).collect();
        let is_superseded = later.iter().any(|later| kinds.is_subset(later));
        later.push(kinds);
        if !is_superseded && waits(&preview) {
            waiting.push(unfinished(record, &preview, zone));
        }
    }
    Ok(waiting)
}

/// Whether somebody has something to do.
fn waits(preview: &Preview) -> bool {
    matches!(preview.stage, Stage::Open(_)) && (!preview.fits() || preview.is_importable())
}

fn unfinished(record: &PreviewRecord, preview: &Preview, zone: Tz) -> UnfinishedImport {
    let is_refused = !preview.fits();
    let file = |file: &Previewed| UnfinishedFile { name: file.name.clone(), kind: file.kind };
    let shown = preview.files.iter().filter(|file| !is_refused || file.report().is_none());
    UnfinishedImport {
        preview: record.digest.clone(),
        day: local_day(record.made_at, zone),
        files: shown.map(file).collect(),
        rows_in_error: preview.files.iter().map(rows_in_error).sum(),
        is_refused,
    }
}

const fn rows_in_error(file: &Previewed) -> usize {
    match &file.outcome {
        FileOutcome::Refused { rows, .. } => *rows,
        FileOutcome::Fits { .. } | FileOutcome::Waits { .. } | FileOutcome::Unknown => 0,
    }
}
