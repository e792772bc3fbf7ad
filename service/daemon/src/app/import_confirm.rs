//! Files that were looked at are imported: exactly them, and only if they still do what was shown.
//!
//! It goes on beside the requests as every import that nobody waits for, with a run that says how far
//! it is. If the records have changed since, so that the files would do something else, nothing is
//! imported and the preview says what they would do now.

use std::sync::atomic::{AtomicBool, Ordering};
use std::time::Duration;

use hotspell_domain::{AccountId, BranchId, RunId};
use hotspell_imports::{ImportReport, Mode};
use hotspell_store::import_previews::{self as rows, PreviewFile};
use hotspell_store::words::RunKind;
use serde_json::{Value, json};

use super::background::{self, Watch};
use super::import_preview::{self, FileOutcome, Preview, Previewed, Stage};
use super::imports::{self, Seal, SourceFile};
use super::{AppError, record};
use crate::state::AppState;

/// How long a confirmation waits for the end of the import: small files are in by then, and of large
/// ones the page says how far they are.
const PATIENCE: Duration = Duration::from_secs(2);

/// The files of a preview that somebody confirmed.
struct Confirmed {
    branch: BranchId,
    account: AccountId,
    /// Number of the preview's row.
    preview: i64,
    seen: Vec<Previewed>,
    files: Vec<PreviewFile>,
}

/// Starts the import of a preview's files and waits a moment for its end, which the preview then
/// says. Again is harmless.
///
/// # Errors
/// [`AppError::NotFound`], [`AppError::Conflict`] when the files are kept no longer, are not those that
/// were looked at, have bad rows, or another import has not ended.
pub fn confirm(
    state: &AppState,
    branch: BranchId,
    account: AccountId,
    digest: &str,
) -> Result<(), AppError> {
    let preview = import_preview::find(state, branch, digest)?;
    if preview.attempt.as_ref().is_some_and(import_preview::Attempt::goes_on) {
        return Ok(());
    }
    match preview.stage {
        Stage::Imported(_) => return Ok(()),
        Stage::Expired(_) => {
            return Err(conflict("the files are kept no longer; choose them again"));
        }
        Stage::Open(_) => {}
    }
    let confirmed = Confirmed::load(state, branch, account, digest, preview)?;
    let asked = imports::asked(&confirmed.sources()?, Mode::Keep, Some(digest.to_owned()));
    let run = background::start(
        state,
        branch,
        RunKind::Import,
        &json!(asked),
        move |state, run, watch| confirmed.import(state, run, watch),
    )?;
    state.at_work.wait(run, PATIENCE);
    Ok(())
}

/// Stops the import of a preview's files; nothing to do when it has ended.
///
/// # Errors
/// [`AppError::NotFound`]; those of the store.
pub fn stop(state: &AppState, branch: BranchId, digest: &str) -> Result<(), AppError> {
    let attempt = import_preview::find(state, branch, digest)?.attempt;
    let Some(attempt) = attempt.filter(import_preview::Attempt::goes_on) else { return Ok(()) };
    match background::stop(state, branch, RunKind::Import, attempt.run) {
        // It has ended meanwhile.
        Ok(_) | Err(AppError::Conflict(_)) => {}
        Err(error) => return Err(error),
    }
    state.at_work.wait(attempt.run, PATIENCE);
    Ok(())
}

fn conflict(why: &str) -> AppError {
    AppError::Conflict(why.to_owned())
}

impl Confirmed {
    /// The kept files, if they are those that were looked at.
    fn load(
        state: &AppState,
        branch: BranchId,
        account: AccountId,
        digest: &str,
        preview: Preview,
    ) -> Result<Self, AppError> {
        let (record, files) = state.store.read(|conn| {
            let record = import_preview::stored(conn, branch, digest)?;
            let files = rows::files(conn, branch, record.id)?;
            Ok::<_, AppError>((record, files))
        })?;
        let seen = preview.files;
        let same = files.len() == seen.len()
            && files.iter().all(|file| record::digest(&file.content) == file.digest)
            && import_preview::name(&seen, files.iter().map(|file| file.digest.as_str())) == digest;
        if !same {
            let why = "the kept files are not those that were looked at; choose them again";
            return Err(conflict(why));
        }
        Ok(Self { branch, account, preview: record.id, seen, files })
    }

    fn sources(&self) -> Result<Vec<SourceFile<&[u8]>>, AppError> {
        let mut sources = Vec::with_capacity(self.files.len());
        for (seen, file) in self.seen.iter().zip(&self.files) {
            let Some(kind) = seen.kind.filter(|_| seen.report().is_some()) else {
                return Err(conflict("a file cannot be imported as it is; mend it first"));
            };
            sources.push(SourceFile { kind, content: file.content.as_slice() });
        }
        Ok(sources)
    }

    /// Imports them as the work of a run.
    fn import(self, state: &AppState, run: RunId, watch: &Watch) -> Result<Value, AppError> {
        let (branch, now) = (self.branch, state.now());
        let differs = AtomicBool::new(false);
        let seal: Seal<'_> = Box::new(|conn, reports| {
            if !self.seen.iter().zip(reports).all(|(file, report)| does_the_same(file, report)) {
                differs.store(true, Ordering::Relaxed);
                return Err(changed());
            }
            let mut done = self.seen.clone();
            for (file, report) in done.iter_mut().zip(reports) {
                file.outcome = FileOutcome::Fits { report: report.clone() };
            }
            imports::audited(branch, Some(self.account), now)(conn, reports)?;
            Ok(rows::close(conn, branch, self.preview, &json!(done), now)?)
        });
        let imported =
            imports::import_in_run(state, branch, (run, watch), &self.sources()?, Mode::Keep, seal);
        let is_outdated =
            matches!(imported, Err(AppError::Import(_))) || differs.load(Ordering::Relaxed);
        if !is_outdated {
            return imported;
        }
        import_preview::anew(state, branch, self.account, &self.seen, self.files)?;
        Err(changed())
    }
}

/// The files would do something else by now.
fn changed() -> AppError {
    let why = "the records have changed since the files were looked at; what they would do now has \
         been looked at again";
    conflict(why)
}

/// Whether an import does what the preview says.
fn does_the_same(seen: &Previewed, report: &ImportReport) -> bool {
    let figures = |report: &ImportReport| {
        (report.kind, report.rows, report.inserted, report.changed, report.unchanged)
    };
    seen.report().is_some_and(|seen| figures(seen) == figures(report))
}
