//! Files that are looked at before they are imported: what they would do, and then exactly that.
//!
//! A preview runs the import itself and takes it back. The bytes are kept under their digest, so that
//! what is confirmed is what was looked at; if the records have changed meanwhile so that the files
//! would do something else, nothing is imported and the preview says what they would do now.

use std::collections::BTreeSet;
use std::ops::ControlFlow;
use std::sync::atomic::{AtomicBool, Ordering};

use chrono::{DateTime, TimeDelta, Utc};
use hotspell_domain::local_time::local_day;
use hotspell_domain::{AccountId, BranchId};
use hotspell_imports::{
    Context, CsvFile, Finding, ImportKind, ImportRefusal, ImportReport, MAX_FINDINGS, Mode,
    recognise,
};
use hotspell_store::import_previews::{self as rows, NewPreview, PreviewFile, PreviewRecord};
use hotspell_store::{AnyConnection, StoreError, branches};
use serde::{Deserialize, Serialize};
use serde_json::json;
use sha2::{Digest as _, Sha256};

use super::imports::{Seal, SourceFile, audited, import_files};
use super::{AppError, record};
use crate::state::AppState;

/// How long files are kept that were looked at.
pub const KEPT: TimeDelta = TimeDelta::hours(2);
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
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Preview {
    /// The files, in the order in which they are imported.
    pub files: Vec<Previewed>,
    /// When it was made.
    pub made_at: DateTime<Utc>,
    /// Where it stands.
    pub stage: Stage,
}

impl Preview {
    /// Whether every file fits.
    #[must_use]
    pub fn is_importable(&self) -> bool {
        !self.files.is_empty() && self.files.iter().all(|file| file.report().is_some())
    }
}

/// What became of a confirmation.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Confirmed {
    /// The files are in, now or since an earlier confirmation.
    Imported,
    /// The files would do something else by now: the preview was made anew.
    Changed,
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
fn name<'a>(files: &[Previewed], digests: impl Iterator<Item = &'a str>) -> String {
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
        Err(ImportRefusal::Rows { findings, total }) => {
            let why = format!("{total} bad values");
            Ok(FileOutcome::Refused { why, findings, total })
        }
        Err(refusal) => {
            let why = refusal.to_string();
            Ok(FileOutcome::Refused { why, findings: Vec::new(), total: 0 })
        }
    }
}

/// The preview of this name.
///
/// # Errors
/// [`AppError::NotFound`] when there is none, or none any more.
pub fn find(state: &AppState, branch: BranchId, digest: &str) -> Result<Preview, AppError> {
    let record = state.store.read(|conn| stored(conn, branch, digest))?;
    preview(&record, state.now())
}

fn stored(
    conn: &mut AnyConnection,
    branch: BranchId,
    digest: &str,
) -> Result<PreviewRecord, AppError> {
    rows::find(conn, branch, digest)?.ok_or_else(|| AppError::not_found("preview", digest))
}

fn preview(record: &PreviewRecord, now: DateTime<Utc>) -> Result<Preview, AppError> {
    let files = Vec::deserialize(&record.outcome)
        .map_err(|error| AppError::internal("stored preview", error))?;
    let stage = match record.imported_at {
        Some(at) => Stage::Imported(at),
        None if record.expires_at <= now => Stage::Expired(record.expires_at),
        None => Stage::Open(record.expires_at),
    };
    Ok(Preview { files, made_at: record.made_at, stage })
}

/// Imports the files of a preview, all of them or none, if they still do what it says. Again is
/// harmless.
///
/// # Errors
/// [`AppError::NotFound`], [`AppError::Conflict`] when the files are kept no longer, are not those that
/// were looked at, or have bad rows.
pub fn confirm(
    state: &AppState,
    branch: BranchId,
    account: AccountId,
    digest: &str,
) -> Result<Confirmed, AppError> {
    let now = state.now();
    let (record, files) = state.store.read(|conn| {
        let record = stored(conn, branch, digest)?;
        let files = rows::files(conn, branch, record.id)?;
        Ok::<_, AppError>((record, files))
    })?;
    let seen = preview(&record, now)?;
    match seen.stage {
        Stage::Imported(_) => return Ok(Confirmed::Imported),
        Stage::Expired(_) => {
            return Err(AppError::Conflict(
                "the files are kept no longer; choose them again".to_owned(),
            ));
        }
        Stage::Open(_) => {}
    }
    check_bytes(&seen, &files, digest)?;
    let sources = sources(&seen, &files)?;
    let differs = AtomicBool::new(false);
    let seal: Seal<'_> = Box::new(|conn, reports| {
        let mut now_seen = seen.files.clone();
        if !seen.files.iter().zip(reports).all(|(file, report)| does_the_same(file, report)) {
            differs.store(true, Ordering::Relaxed);
            return Err(AppError::Conflict("the records have changed".to_owned()));
        }
        for (file, report) in now_seen.iter_mut().zip(reports) {
            file.outcome = FileOutcome::Fits { report: report.clone() };
        }
        audited(branch, account, now)(conn, reports)?;
        Ok(rows::close(conn, branch, record.id, &json!(now_seen), now)?)
    });
    let unwatched = |_| ControlFlow::Continue(());
    let imported = import_files(state, branch, &sources, Mode::Keep, &unwatched, seal);
    match imported {
        Ok(_) => Ok(Confirmed::Imported),
        Err(AppError::Import(_)) => anew(state, branch, account, &seen, files),
        Err(_) if differs.load(Ordering::Relaxed) => anew(state, branch, account, &seen, files),
        Err(error) => Err(error),
    }
}

/// Whether an import does what the preview says.
fn does_the_same(seen: &Previewed, report: &ImportReport) -> bool {
    let figures = |report: &ImportReport| {
        (report.kind, report.rows, report.inserted, report.changed, report.unchanged)
    };
    seen.report().is_some_and(|seen| figures(seen) == figures(report))
}

/// Makes the preview anew from the same files.
fn anew(
    state: &AppState,
    branch: BranchId,
    account: AccountId,
    seen: &Preview,
    files: Vec<PreviewFile>,
) -> Result<Confirmed, AppError> {
    let previewed = rehearse(state, branch, &looks(seen, &files), MAX_FINDINGS)?;
    keep(state, branch, account, &previewed, files)?;
    Ok(Confirmed::Changed)
}

fn looks<'a>(seen: &'a Preview, files: &'a [PreviewFile]) -> Vec<Look<'a>> {
    let look = |(seen, file): (&'a Previewed, &'a PreviewFile)| Look {
        name: &seen.name,
        kind: seen.kind,
        content: &file.content,
    };
    seen.files.iter().zip(files).map(look).collect()
}

/// Whether the kept bytes are those that were looked at.
fn check_bytes(seen: &Preview, files: &[PreviewFile], digest: &str) -> Result<(), AppError> {
    let same = files.len() == seen.files.len()
        && files.iter().all(|file| record::digest(&file.content) == file.digest)
        && name(&seen.files, files.iter().map(|file| file.digest.as_str())) == digest;
    if same {
        return Ok(());
    }
    Err(AppError::Conflict(
        "the kept files are not those that were looked at; choose them again".to_owned(),
    ))
}

fn sources<'a>(
    seen: &Preview,
    files: &'a [PreviewFile],
) -> Result<Vec<SourceFile<&'a [u8]>>, AppError> {
    let source = |(seen, file): (&Previewed, &'a PreviewFile)| {
        let kind = seen.kind.filter(|_| seen.report().is_some())?;
        Some(SourceFile { kind, content: file.content.as_slice() })
    };
    seen.files.iter().zip(files).map(source).collect::<Option<Vec<_>>>().ok_or_else(|| {
        AppError::Conflict("a file cannot be imported as it is; mend it first".to_owned())
    })
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
    let previewed = rehearse(state, branch, &looks(&seen, &files), ALL_LISTED)?;
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
