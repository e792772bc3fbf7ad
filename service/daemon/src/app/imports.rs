//! The user's own files into the branch: while somebody waits, or beside the requests; several
//! files together or not at all.

use chrono::{DateTime, Utc};
use hotspell_domain::local_time::local_day;
use hotspell_domain::{AccountId, BranchId, RunId};
use hotspell_imports::{
    Context, CsvFile, Finding, ImportKind, ImportReport, MAX_FINDINGS, Mode, Observer,
};
use hotspell_store::audit::{self, NewAudit};
use hotspell_store::runs::{self, RunRecord};
use hotspell_store::words::{Resource, RunKind, RunOutcome};
use hotspell_store::{AnyConnection, Store, StoreError, branches};
use serde::{Deserialize, Serialize};
use serde_json::{Value, json};

use super::background::{self, Watch};
use super::{AppError, record};
use crate::state::AppState;

/// A file of the user's own records.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct SourceFile<B> {
    /// Which records it holds.
    pub kind: ImportKind,
    /// All of it.
    pub content: B,
}

/// What is written in the transaction that keeps the files, such as the audit's row.
pub type Seal<'a> =
    Box<dyn FnOnce(&mut AnyConnection, &[ImportReport]) -> Result<(), AppError> + Send + 'a>;

/// Leaves a row in the audit for each file, in the account's name; without one it is somebody on the
/// command line.
#[must_use]
pub fn audited(branch: BranchId, account: Option<AccountId>, now: DateTime<Utc>) -> Seal<'static> {
    let action = if account.is_some() { "import" } else { "import on the command line" };
    Box::new(move |conn, reports| {
        for report in reports {
            let row = NewAudit {
                at: now,
                account_id: account,
                action: action.to_owned(),
                subject_kind: Resource::Branch.as_str().to_owned(),
                subject_id: Some(branch.0),
                before_json: None,
                after_json: Some(json!(report)),
            };
            audit::insert(conn, branch, row)?;
        }
        Ok(())
    })
}

/// Ends the transaction of a refused file or a dry run.
enum End {
    Refused(AppError),
    DryRun(Vec<ImportReport>),
}

impl From<StoreError> for End {
    fn from(error: StoreError) -> Self {
        Self::Refused(error.into())
    }
}

/// Imports files in their order, all of them or none, and seals what is kept. A dry run seals
/// nothing.
///
/// # Errors
/// [`AppError::Import`] of the first file that is refused, [`AppError::Stopped`] when the observer
/// wanted it; nothing was changed.
pub fn import_files<B: AsRef<[u8]>>(
    (store, now): (&Store, DateTime<Utc>),
    branch: BranchId,
    files: &[SourceFile<B>],
    mode: Mode,
    observer: Observer<'_>,
    seal: Seal<'_>,
) -> Result<Vec<ImportReport>, AppError> {
    let record = store.read(|conn| branches::find(conn, branch))?;
    let today = local_day(now, record.time_zone);
    let all: usize = files.iter().map(|file| file.content.as_ref().len()).sum();
    let read = files
        .iter()
        .map(|file| CsvFile::read(file.kind, file.content.as_ref(), MAX_FINDINGS))
        .collect::<Result<Vec<_>, _>>()?;
    let ended = store.write(|conn| {
        let mut reports = Vec::with_capacity(read.len());
        let mut before = 0;
        for (file, source) in read.into_iter().zip(files) {
            let bytes = source.content.as_ref().len();
            let told = |share| observer(share_of_all(before, bytes, all, share));
            let context = Context { branch, now, today, observer: &told };
            let report = file.import(conn, &context).map_err(|error| End::Refused(error.into()))?;
            reports.push(ImportReport { dry_run: mode == Mode::DryRun, ..report });
            before += bytes;
        }
        if mode == Mode::DryRun {
            return Err(End::DryRun(reports));
        }
        seal(conn, &reports).map_err(End::Refused)?;
        Ok(reports)
    });
    match ended {
        Ok(reports) | Err(End::DryRun(reports)) => Ok(reports),
        Err(End::Refused(error)) => Err(error),
    }
}

/// How far all files are, from 0 to 1, when one of them is so far: their bytes are the measure.
fn share_of_all(before: usize, bytes: usize, all: usize, share: f64) -> f64 {
    #[expect(clippy::cast_precision_loss, reason = "bytes of requests are below 2^53")]
    let [before, bytes, all] = [before, bytes, all.max(1)].map(|it| it as f64);
    (before + bytes * share) / all
}

/// Imports files beside the requests, all of them or none; answers with their run at once.
///
/// The run's end is written with the records: a crash leaves both or neither.
///
/// # Errors
/// [`AppError::Conflict`] while another import of the branch runs.
pub fn start<B: AsRef<[u8]> + Send + 'static>(
    state: &AppState,
    branch: BranchId,
    files: Vec<SourceFile<B>>,
    mode: Mode,
    seal: Seal<'static>,
) -> Result<RunId, AppError> {
    let inputs = json!(asked(&files, mode, None));
    background::start(state, branch, RunKind::Import, &inputs, move |state, run, watch| {
        import_in_run(state, branch, (run, watch), &files, mode, seal)
    })
}

/// Imports files as the work of a run: its end is written with the records. Gives its detail.
///
/// # Errors
/// Those of [`import_files`].
pub fn import_in_run<B: AsRef<[u8]>>(
    state: &AppState,
    branch: BranchId,
    (run, watch): (RunId, &Watch),
    files: &[SourceFile<B>],
    mode: Mode,
    seal: Seal<'_>,
) -> Result<Value, AppError> {
    let close: Seal<'_> = Box::new(|conn, reports| {
        seal(conn, reports)?;
        let (detail, now) = (detail(reports), state.now());
        runs::report(conn, branch, run, 1.0, now)?;
        Ok(runs::finish(conn, branch, run, RunOutcome::Succeeded, Some(&detail), now)?)
    });
    let observer = |share| watch.goes_on(share);
    let reports = import_files((&state.store, state.now()), branch, files, mode, &observer, close)?;
    watch.tell(1.0);
    Ok(detail(&reports))
}

/// What the run of an import is asked, as its row keeps it.
#[must_use]
pub fn asked<B: AsRef<[u8]>>(
    files: &[SourceFile<B>],
    mode: Mode,
    preview: Option<String>,
) -> Asked {
    let contents = || files.iter().map(|file| file.content.as_ref());
    Asked {
        kinds: files.iter().map(|file| file.kind).collect(),
        dry_run: mode == Mode::DryRun,
        bytes: contents().map(<[u8]>::len).sum(),
        digests: contents().map(record::digest).collect(),
        preview,
    }
}

/// What the run of an import says of it.
fn detail(reports: &[ImportReport]) -> Value {
    json!({ "reports": reports })
}

/// What the run of an import was asked, and what came of it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Imported {
    /// Its files.
    pub asked: Asked,
    /// What was done, by file; nothing unless it has succeeded.
    pub reports: Vec<ImportReport>,
    /// The bad rows that are listed.
    pub findings: Vec<Finding>,
    /// Number of bad values.
    pub total: usize,
}

/// The files of an import.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Asked {
    /// Which records each of them holds, in the order in which they go in.
    pub kinds: Vec<ImportKind>,
    /// Whether nothing is to be kept.
    pub dry_run: bool,
    /// Length of all of them.
    pub bytes: usize,
    /// SHA-256 of each, lower-case hexadecimal.
    pub digests: Vec<String>,
    /// Name of the preview that is confirmed, if they were looked at on the office's page.
    pub preview: Option<String>,
}

#[derive(Default, Deserialize)]
struct Detail {
    #[serde(default)]
    reports: Vec<ImportReport>,
    #[serde(default)]
    findings: Vec<Finding>,
    #[serde(default)]
    total: usize,
}

/// What a run of an import says.
///
/// # Errors
/// [`AppError::NotFound`] for a run of another kind, [`AppError::Internal`] when the stored text is
/// no import.
pub fn found(run: &RunRecord) -> Result<Imported, AppError> {
    if run.kind != RunKind::Import {
        return Err(AppError::not_found("import", run.id));
    }
    let stored = |error| AppError::internal("stored import", error);
    let asked = Asked::deserialize(&run.inputs).map_err(stored)?;
    let detail = run.detail.as_ref().map(Detail::deserialize).transpose().map_err(stored)?;
    let Detail { reports, findings, total } = detail.unwrap_or_default();
    Ok(Imported { asked, reports, findings, total })
}
