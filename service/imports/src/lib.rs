//! CSV files of the user's own records into the store, and out of it again.
//!
//! The files, their headers and values are described in `docs/import.md`. A file is taken as a
//! whole or not at all; every bad row is reported with its row, column, value and what was
//! expected; the same file again changes nothing.

mod agreements;
mod components;
mod context;
mod export;
mod findings;
mod formula;
mod readings;
mod recognise;
mod replacements;
mod report;
mod sites;
mod sync;
mod table;
mod technicians;
mod units;
mod values;

use std::io::Read;

use chrono::{DateTime, NaiveDate, Utc};
use hotspell_domain::BranchId;
use hotspell_store::{AnyConnection, Store, StoreError};

pub use context::{Context, Observer};
pub use export::{ExportError, export, export_audit};
pub use findings::write_findings;
pub use recognise::recognise;
pub use report::{
    Assumption, Finding, ImportKind, ImportRefusal, ImportReport, MAX_BYTES, MAX_FINDINGS,
    MAX_LISTED, MAX_ROWS,
};

use context::KEEPING;
use report::Outcome;
use table::Table;

/// Keeps what a file says, or only checks it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Mode {
    /// Keep it.
    Keep,
    /// Do everything but keep it.
    DryRun,
}

/// A file that was taken apart, before its values are looked at.
pub struct CsvFile {
    kind: ImportKind,
    table: Table<'static>,
}

impl core::fmt::Debug for CsvFile {
    fn fmt(&self, f: &mut core::fmt::Formatter<'_>) -> core::fmt::Result {
        f.debug_struct("CsvFile")
            .field("kind", &self.kind)
            .field("rows", &self.table.len())
            .finish_non_exhaustive()
    }
}

impl CsvFile {
    /// Takes a file apart. If it is refused, `listed` findings are named and the rest is counted.
    ///
    /// # Errors
    /// [`ImportRefusal`]: it is no such file.
    pub fn read(kind: ImportKind, reader: impl Read, listed: usize) -> Result<Self, ImportRefusal> {
        let text = table::read_text(reader)?;
        Ok(Self { kind, table: Table::parse(&text, columns(kind), listed)? })
    }

    /// Brings the records to what the file says, within the caller's write transaction, which must
    /// be rolled back when this refuses.
    ///
    /// # Errors
    /// [`ImportRefusal`]: part of the file may be written.
    pub fn import(
        mut self,
        conn: &mut AnyConnection,
        context: &Context<'_>,
    ) -> Result<ImportReport, ImportRefusal> {
        let outcome = run(conn, context, self.kind, &mut self.table)?;
        // The last look before the caller keeps it.
        context.step(KEEPING, 1, 1)?;
        Ok(outcome.into_report(self.kind, self.table.len()))
    }
}

/// Ends the transaction of a dry run or a refused file.
enum Stop {
    Refused(ImportRefusal),
    DryRun(ImportReport),
}

impl From<StoreError> for Stop {
    fn from(error: StoreError) -> Self {
        Self::Refused(error.into())
    }
}

/// Imports one file into a branch, in a transaction of its own. `today` is the branch's calendar
/// day: days after it are refused where they cannot be.
///
/// # Errors
/// [`ImportRefusal`]: nothing was changed.
pub fn import(
    store: &Store,
    branch: BranchId,
    kind: ImportKind,
    reader: impl Read,
    mode: Mode,
    now: DateTime<Utc>,
    today: NaiveDate,
) -> Result<ImportReport, ImportRefusal> {
    let file = CsvFile::read(kind, reader, MAX_FINDINGS)?;
    let context = Context::unwatched(branch, now, today);
    let outcome = store.write(|conn| {
        let report = file.import(conn, &context).map_err(Stop::Refused)?;
        match mode {
            Mode::Keep => Ok(report),
            Mode::DryRun => Err(Stop::DryRun(ImportReport { dry_run: true, ..report })),
        }
    });
    match outcome {
        Ok(report) | Err(Stop::DryRun(report)) => Ok(report),
        Err(Stop::Refused(refusal)) => Err(refusal),
    }
}

fn run(
    conn: &mut AnyConnection,
    context: &Context<'_>,
    kind: ImportKind,
    table: &mut Table<'_>,
) -> Result<Outcome, ImportRefusal> {
    match kind {
        ImportKind::Technicians => technicians::run(conn, context, table),
        ImportKind::Sites => sites::run(conn, context, table),
        ImportKind::Agreements => agreements::run(conn, context, table),
        ImportKind::Units => units::run(conn, context, table),
        ImportKind::Components => components::run(conn, context, table),
        ImportKind::Replacements => replacements::run(conn, context, table),
        ImportKind::Readings => readings::run(conn, context, table),
    }
}

const fn columns(kind: ImportKind) -> &'static [table::Column] {
    match kind {
        ImportKind::Technicians => technicians::COLUMNS,
        ImportKind::Sites => sites::COLUMNS,
        ImportKind::Agreements => agreements::COLUMNS,
        ImportKind::Units => units::COLUMNS,
        ImportKind::Components => components::COLUMNS,
        ImportKind::Replacements => replacements::COLUMNS,
        ImportKind::Readings => readings::COLUMNS,
    }
}

/// The headers of a kind of file, required ones first, for help texts and templates.
#[must_use]
pub fn headers(kind: ImportKind) -> Vec<&'static str> {
    [required_headers(kind), optional_headers(kind)].concat()
}

/// The headers that a kind of file must have.
#[must_use]
pub fn required_headers(kind: ImportKind) -> Vec<&'static str> {
    columns(kind).iter().filter(|column| column.required).map(|column| column.name).collect()
}

/// The headers that a kind of file may have beside them.
#[must_use]
pub fn optional_headers(kind: ImportKind) -> Vec<&'static str> {
    columns(kind).iter().filter(|column| !column.required).map(|column| column.name).collect()
}
