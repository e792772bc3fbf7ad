//! CSV files of the user's own records into the store, and out of it again.
//!
//! The files, their headers and values are described in `docs/import.md`. A file is taken as a
//! whole or not at all; every bad row is reported with its row, column, value and what was
//! expected; the same file again changes nothing.

mod agreements;
mod components;
mod export;
mod formula;
mod readings;
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

pub use export::{ExportError, export};
pub use report::{
    Assumption, Finding, ImportKind, ImportRefusal, ImportReport, MAX_BYTES, MAX_FINDINGS,
    MAX_LISTED, MAX_ROWS,
};

use report::Outcome;
use table::Table;

/// What every kind of import needs to know.
pub(crate) struct Context {
    pub(crate) branch: BranchId,
    pub(crate) now: DateTime<Utc>,
    /// The branch's calendar day.
    pub(crate) today: NaiveDate,
}

/// Keeps what a file says, or only checks it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Mode {
    /// Keep it.
    Keep,
    /// Do everything but keep it.
    DryRun,
}

/// Ends the transaction of a dry run or a refused file.
enum Stop {
    Refused(ImportRefusal),
    DryRun(Outcome),
}

impl From<StoreError> for Stop {
    fn from(error: StoreError) -> Self {
        Self::Refused(error.into())
    }
}

/// Imports one file into a branch. `today` is the branch's calendar day: days after it are refused
/// where they cannot be.
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
    let text = table::read_text(reader)?;
    let mut table = Table::parse(&text, columns(kind))?;
    let context = Context { branch, now, today };
    let outcome = store.write(|c| {
        let outcome = run(c, &context, kind, &mut table).map_err(Stop::Refused)?;
        match mode {
            Mode::Keep => Ok(outcome),
            Mode::DryRun => Err(Stop::DryRun(outcome)),
        }
    });
    match outcome {
        Ok(outcome) | Err(Stop::DryRun(outcome)) => {
            Ok(outcome.into_report(kind, mode == Mode::DryRun, table.len()))
        }
        Err(Stop::Refused(refusal)) => Err(refusal),
    }
}

fn run(
    conn: &mut AnyConnection,
    context: &Context,
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
    let columns = columns(kind).iter();
    let required = columns.clone().filter(|column| column.required);
    let optional = columns.filter(|column| !column.required);
    required.chain(optional).map(|column| column.name).collect()
}
