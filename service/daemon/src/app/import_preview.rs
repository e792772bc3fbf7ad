//! Files that are looked at before they are imported: what they would do, and then exactly that.
//!
//! A preview runs the import itself and takes it back. The bytes are kept under their digest, so that
//! what is confirmed (`import_confirm`) is what was looked at.

use std::collections::BTreeSet;

use chrono::{DateTime, TimeDelta, Utc};
use hotspell_domain::local_time::local_day;
use hotspell_domain::{AccountId, BranchId, RunId};
use hotspell_imports::{
    Context, CsvFile, Finding, ImportKind, ImportRefusal, ImportReport, MAX_FINDINGS, recognise,
};
use hotspell_store::import_previews::{self as rows, NewPreview, PreviewFile, PreviewRecord};
use hotspell_store::runs::{self, RunRecord};
use hotspell_store::words::RunKind;
use hotspell_store::{AnyConnection, StoreError, branches};
use serde::{Deserialize, Serialize};
use serde_json::json;
use sha2::{Digest as _, Sha256};

use super::background::{self, Standing};
use super::{AppError, imports, record};
use crate::state::AppState;

/// How long files are kept that were looked at: over a weekend.
pub const KEPT: TimeDelta = TimeDelta::days(3);
/// Bad values that are listed of one file when all of them are asked for.
const ALL_LISTED: usize = 100_000;

/// A file as somebody chose it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Chosen {
    /// Its name on the sender's machine.
    pub name: String,
    /// All of it.
    pub content: Vec<u8>,
}

/// What a file would do, or did.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(tag = "state", rename_all = "kebab-case")]
pub enum FileOutcome {
    /// It fits.
    Fits {
        /// What it would do.
        report: ImportReport,
    },
    /// It cannot be imported.
    Refused {
        /// Why, in a sentence.
        why: String,
        /// The bad rows that are listed.
        findings: Vec<Finding>,
        /// Number of bad values.
        total: usize,
        /// Number of rows that hold some.
        rows: usize,
    },
    /// Files that it builds on must be right first.
    Waits {
        /// Which.
        kinds: Vec<ImportKind>,
    },
    /// Nothing says which records it holds.
    Unknown,
}

/// A file that was looked at.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Previewed {
    /// Its name on the sender's machine.
    pub name: String,
    /// Its length.
    pub bytes: usize,
    /// Which records it holds.
    pub kind: Option<ImportKind>,
    /// What it would do, or did.
    pub outcome: FileOutcome,
}

impl Previewed {
    /// What it would do, if it can be imported.
    #[must_use]
    pub const fn report(&self) -> Option<&ImportReport> {
        match &self.outcome {
            FileOutcome::Fits { report } => Some(report),
            FileOutcome::Refused { .. } | FileOutcome::Waits { .. } | FileOutcome::Unknown => None,
        }
    }

    /// Whether it would change anything.
    #[must_use]
    pub fn differs(&self) -> bool {
        self.report().is_some_and(|report| report.inserted + report.changed > 0)
    }
}

/// Where a preview stands.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Stage {
    /// The files are kept until then.
    Open(DateTime<Utc>),
    /// They were imported then.
    Imported(DateTime<Utc>),
    /// They were kept until then.
    Expired(DateTime<Utc>),
}

/// A stored preview.
#[derive(Debug, Clone, PartialEq)]
pub struct Preview {
    /// The files, in the order in which they are imported.
    pub files: Vec<Previewed>,
    /// When it was made.
    pub made_at: DateTime<Utc>,
    /// Where it stands.
    pub stage: Stage,
    /// The last attempt to import it since it was made.
    pub attempt: Option<Attempt>,
}

/// A run that imports, or was to import, the files of a preview.
#[derive(Debug, Clone, PartialEq)]
pub struct Attempt {
    /// Its number.
    pub run: RunId,
    /// Where it stands.
    pub standing: Standing,
    /// Share done, from 0 to 1.
    pub progress: f64,
    /// Why it kept nothing.
    pub reason: Option<String>,
}

impl Attempt {
    /// Whether it has not ended.
    #[must_use]
    pub const fn goes_on(&self) -> bool {
        matches!(self.standing, Standing::Running | Standing::Stopping)
    }
}

impl Preview {
    /// Whether every file fits.
    #[must_use]
    pub fn fits(&self) -> bool {
        !self.files.is_empty() && self.files.iter().all(|file| file.report().is_some())
    }

    /// Whether every file fits and one of them would change something.
    #[must_use]
    pub fn is_importable(&self) -> bool {
        self.fits() && self.files.iter().any(Previewed::differs)
    }
}

/// A file with what it holds, before it is looked at.
struct Look<'a> {
    name: &'a str,
    kind: Option<ImportKind>,
    content: &'a [u8],
}

/// Looks at files and keeps them; gives the preview's name.
///
/// # Errors
/// Those of the store.
pub fn look(
    state: &AppState,
    branch: BranchId,
    account: AccountId,
    chosen: Vec<Chosen>,
) -> Result<String, AppError> {
    let mut files: Vec<(Option<ImportKind>, Chosen)> =
        chosen.into_iter().map(|file| (recognise(&file.name, &file.content), file)).collect();
    // As they build on each other; what is not known comes last.
    files.sort_by_key(|(kind, _)| (kind.is_none(), *kind));
    let looks: Vec<Look<'_>> = files
        .iter()
        .map(|(kind, file)| Look { name: &file.name, kind: *kind, content: &file.content })
        .collect();
    let previewed = rehearse(state, branch, &looks, MAX_FINDINGS)?;
    let kept = files
        .into_iter()
        .map(|(_, file)| PreviewFile {
            digest: record::digest(&file.content),
            content: file.content,
        })
        .collect();
    keep(state, branch, account, &previewed, kept)
}

/// Stores a preview under the digest of its files.
fn keep(
    state: &AppState,
    branch: BranchId,
    account: AccountId,
    previewed: &[Previewed],
    files: Vec<PreviewFile>,
) -> Result<String, AppError> {
    let now = state.now();
    let digest = name(previewed, files.iter().map(|file| file.digest.as_str()));
    let new = NewPreview {
        account_id: account,
        digest: digest.clone(),
        outcome: json!(previewed),
        expires_at: now + KEPT,
        files,
    };
    state.store.write(|conn| rows::insert(conn, branch, &new, now))?;
    Ok(digest)
}

/// The name of a preview: a digest of what every file is called, holds and is.
pub(super) fn name<'a>(files: &[Previewed], digests: impl Iterator<Item = &'a str>) -> String {
    let mut hash = Sha256::new();
    for (file, digest) in files.iter().zip(digests) {
        let kind = file.kind.map_or("", ImportKind::as_str);
        for part in [file.name.as_str(), kind, digest] {
            hash.update(part.as_bytes());
            hash.update([0]);
        }
    }
    record::hex(&hash.finalize())
}

/// Ends the transaction of a preview.
enum End {
    Failed(AppError),
    Seen(Vec<Previewed>),
}

impl From<StoreError> for End {
    fn from(error: StoreError) -> Self {
        Self::Failed(error.into())
    }
}

/// Imports the files and takes all of it back.
fn rehearse(
    state: &AppState,
    branch: BranchId,
    files: &[Look<'_>],
    listed: usize,
) -> Result<Vec<Previewed>, AppError> {
    let now = state.now();
    let zone = state.store.read(|conn| branches::find(conn, branch))?.time_zone;
    let context = Context::unwatched(branch, now, local_day(now, zone));
    let ended = state.store.write(|conn| {
        let mut wrong = BTreeSet::new();
        let mut seen = Vec::with_capacity(files.len());
        for file in files {
            let outcome = outcome(conn, &context, file, listed, &wrong).map_err(End::Failed)?;
            if !matches!(outcome, FileOutcome::Fits { .. }) {
                wrong.extend(file.kind);
            }
            seen.push(Previewed {
                name: file.name.to_owned(),
                bytes: file.content.len(),
                kind: file.kind,
                outcome,
            });
        }
        Err::<(), _>(End::Seen(seen))
    });
    match ended {
        Err(End::Seen(seen)) => Ok(seen),
        Err(End::Failed(error)) => Err(error),
        Ok(()) => Ok(Vec::new()),
    }
}

fn outcome(
    conn: &mut AnyConnection,
    context: &Context<'_>,
    file: &Look<'_>,
    listed: usize,
    wrong: &BTreeSet<ImportKind>,
) -> Result<FileOutcome, AppError> {
    let Some(kind) = file.kind else { return Ok(FileOutcome::Unknown) };
    // A file that names keys of a file that is refused would have errors that are none.
    let kinds: Vec<ImportKind> =
        kind.builds_on().iter().copied().filter(|kind| wrong.contains(kind)).collect();
    if !kinds.is_empty() {
        return Ok(FileOutcome::Waits { kinds });
    }
    let imported =
        CsvFile::read(kind, file.content, listed).and_then(|it| it.import(conn, context));
    match imported {
        Ok(report) => Ok(FileOutcome::Fits { report }),
        Err(ImportRefusal::Store(error)) => Err(error.into()),
        Err(ImportRefusal::Rows { findings, total, rows }) => {
            let why = format!("{total} bad values");
            Ok(FileOutcome::Refused { why, findings, total, rows })
        }
        Err(refusal) => {
            let why = refusal.to_string();
            Ok(FileOutcome::Refused { why, findings: Vec::new(), total: 0, rows: 0 })
        }
    }
}

/// The preview of this name.
///
/// # Errors
/// [`AppError::NotFound`] when there is none, or none any more.
pub fn find(state: &AppState, branch: BranchId, digest: &str) -> Result<Preview, AppError> {
    let (record, newest) = state.store.read(|conn| {
        let record = stored(conn, branch, digest)?;
        Ok::<_, AppError>((record, runs::newest(conn, branch, RunKind::Import)?))
    })?;
    let attempt = newest.map(|run| attempt(state, &record, &run)).transpose()?.flatten();
    Ok(Preview { attempt, ..preview(&record, state.now())? })
}

/// The run as an attempt to import the preview, if it is one since the preview was made.
fn attempt(
    state: &AppState,
    record: &PreviewRecord,
    run: &RunRecord,
) -> Result<Option<Attempt>, AppError> {
    let is_since = run.finished_at.is_none_or(|at| record.made_at <= at);
    if !is_since || imports::found(run)?.asked.preview.as_ref() != Some(&record.digest) {
        return Ok(None);
    }
    Ok(Some(Attempt {
        run: run.id,
        standing: background::standing(state, run),
        progress: background::progress(state, run).unwrap_or(0.0),
        reason: background::reason(run),
    }))
}

pub(super) fn stored(
    conn: &mut AnyConnection,
    branch: BranchId,
    digest: &str,
) -> Result<PreviewRecord, AppError> {
    rows::find(conn, branch, digest)?.ok_or_else(|| AppError::not_found("preview", digest))
}

/// A preview as it is stored.
pub(super) fn preview(record: &PreviewRecord, now: DateTime<Utc>) -> Result<Preview, AppError> {
    let files = Vec::deserialize(&record.outcome)
        .map_err(|error| AppError::internal("stored preview", error))?;
    let stage = match record.imported_at {
        Some(at) => Stage::Imported(at),
        None if record.expires_at <= now => Stage::Expired(record.expires_at),
        None => Stage::Open(record.expires_at),
    };
    Ok(Preview { files, made_at: record.made_at, stage, attempt: None })
}

/// Makes the preview anew from the same files.
pub(super) fn anew(
    state: &AppState,
    branch: BranchId,
    account: AccountId,
    seen: &[Previewed],
    files: Vec<PreviewFile>,
) -> Result<(), AppError> {
    let previewed = rehearse(state, branch, &looks(seen, &files), MAX_FINDINGS)?;
    keep(state, branch, account, &previewed, files)?;
    Ok(())
}

fn looks<'a>(seen: &'a [Previewed], files: &'a [PreviewFile]) -> Vec<Look<'a>> {
    let look = |(seen, file): (&'a Previewed, &'a PreviewFile)| Look {
        name: &seen.name,
        kind: seen.kind,
        content: &file.content,
    };
    seen.iter().zip(files).map(look).collect()
}

/// Forgets a preview with its files; none is forgotten too.
///
/// # Errors
/// [`AppError::Conflict`] while they are imported; those of the store.
pub fn leave(state: &AppState, branch: BranchId, digest: &str) -> Result<(), AppError> {
    match find(state, branch, digest) {
        Err(AppError::NotFound { .. }) => return Ok(()),
        Err(error) => return Err(error),
        Ok(preview) if preview.attempt.as_ref().is_some_and(Attempt::goes_on) => {
            return Err(AppError::Conflict(
                "the files are being imported; stop it first".to_owned(),
            ));
        }
        Ok(_) => {}
    }
    Ok(state.store.write(|conn| rows::forget(conn, branch, digest))?)
}

/// Every bad value of a preview's files, as a CSV file.
///
/// # Errors
/// [`AppError::NotFound`], also when the files are kept no longer.
pub fn all_findings(state: &AppState, branch: BranchId, digest: &str) -> Result<Vec<u8>, AppError> {
    let (record, files) = state.store.read(|conn| {
        let record = stored(conn, branch, digest)?;
        let files = rows::files(conn, branch, record.id)?;
        Ok::<_, AppError>((record, files))
    })?;
    let seen = preview(&record, state.now())?;
    let previewed = rehearse(state, branch, &looks(&seen.files, &files), ALL_LISTED)?;
    let listed = previewed.iter().filter_map(|file| match (&file.outcome, file.kind) {
        (FileOutcome::Refused { findings, .. }, Some(kind)) => Some((file, kind, findings)),
        _ => None,
    });
    let rows = listed.flat_map(|(file, kind, findings)| {
        findings.iter().map(move |finding| (file.name.as_str(), kind, finding))
    });
    let mut csv = Vec::new();
    hotspell_imports::write_findings(rows, &mut csv)
        .map_err(|error| AppError::internal("list of bad rows", error))?;
    Ok(csv)
}
