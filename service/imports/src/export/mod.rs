//! Records out of the store as the files that the importers read, column for column.
//!
//! What went in by files and comes out is the same again, byte for byte, once it has been through an
//! empty branch; `docs/import.md` says what these files do not hold. Rows are read some hundreds at a
//! time, so that only the keys of a branch are in memory.

mod audit;
mod cells;
mod homes;
mod machines;

use std::io::Write;

use csv::{Terminator, Writer, WriterBuilder};
use hotspell_domain::BranchId;
use hotspell_store::{AnyConnection, Page, StoreError};

use crate::report::ImportKind;

pub use audit::export_audit;

/// Rows that are in memory at once.
const ROWS: i64 = 500;

/// Why an export stopped.
#[derive(Debug, thiserror::Error)]
pub enum ExportError {
    /// The database refused or failed.
    #[error(transparent)]
    Store(#[from] StoreError),
    /// The file could not be written.
    #[error("the file cannot be written: {0}")]
    Write(#[from] std::io::Error),
}

impl From<csv::Error> for ExportError {
    fn from(error: csv::Error) -> Self {
        Self::Write(error.into())
    }
}

/// Writes every record of a kind as a CSV file (RFC 4180, UTF-8, lines ended by CRLF) and says how
/// many there were. Call it inside `Store::read`, so that all files of one call show one state.
///
/// # Errors
/// [`ExportError`]: what was written until then is no whole file.
pub fn export(
    conn: &mut AnyConnection,
    branch: BranchId,
    kind: ImportKind,
    writer: impl Write,
) -> Result<usize, ExportError> {
    let columns = crate::columns(kind).iter().map(|column| column.name);
    let mut sheet = Sheet::new(writer, columns.collect())?;
    match kind {
        ImportKind::Technicians => homes::technicians(conn, branch, &mut sheet)?,
        ImportKind::Sites => homes::sites(conn, branch, &mut sheet)?,
        ImportKind::Agreements => homes::agreements(conn, branch, &mut sheet)?,
        ImportKind::Units => machines::units(conn, branch, &mut sheet)?,
        ImportKind::Components => machines::components(conn, branch, &mut sheet)?,
        ImportKind::Replacements => machines::replacements(conn, branch, &mut sheet)?,
        ImportKind::Readings => machines::readings(conn, branch, &mut sheet)?,
    }
    sheet.finish()
}

/// A file that is being written.
struct Sheet<W: Write> {
    writer: Writer<W>,
    columns: Vec<&'static str>,
    rows: usize,
}

impl<W: Write> Sheet<W> {
    fn new(writer: W, columns: Vec<&'static str>) -> Result<Self, ExportError> {
        let mut writer = WriterBuilder::new().terminator(Terminator::CRLF).from_writer(writer);
        writer.write_record(&columns)?;
        Ok(Self { writer, columns, rows: 0 })
    }

    /// Writes a row of named cells; a column without a cell is empty.
    fn row(&mut self, cells: &[(&str, String)]) -> Result<(), ExportError> {
        debug_assert!(
            cells.iter().all(|(name, _)| self.columns.contains(name)),
            "a cell without a column: {cells:?}"
        );
        let value = |column: &&str| {
            cells.iter().find(|(name, _)| name == column).map_or("", |(_, value)| value)
        };
        self.writer.write_record(self.columns.iter().map(value))?;
        self.rows += 1;
        Ok(())
    }

    /// How many rows were written, once they all are.
    fn finish(mut self) -> Result<usize, ExportError> {
        self.writer.flush()?;
        Ok(self.rows)
    }
}

/// Hands every record of a list to `each`, page after page in the order of numbers.
fn paged<T>(
    conn: &mut AnyConnection,
    mut list: impl FnMut(&mut AnyConnection, Page) -> Result<Vec<T>, StoreError>,
    number: impl Fn(&T) -> i64,
    mut each: impl FnMut(&mut AnyConnection, Vec<T>) -> Result<(), ExportError>,
) -> Result<(), ExportError> {
    let mut after = 0;
    loop {
        let page = list(conn, Page::after(after, ROWS))?;
        let Some(last) = page.last() else { return Ok(()) };
        after = number(last);
        each(conn, page)?;
    }
}
