//! Bad rows as a CSV file, to be worked through in a spreadsheet.

use std::io::Write;

use crate::export::ExportError;
use crate::formula::guarded;
use crate::report::{Finding, ImportKind};

/// Writes a row for each finding: `file`, `kind`, `row`, `line`, `column`, `value`, `expected`.
/// Text that a spreadsheet would run as a formula is guarded as in an export.
///
/// # Errors
/// [`ExportError::Write`].
pub fn write_findings<'a>(
    findings: impl IntoIterator<Item = (&'a str, ImportKind, &'a Finding)>,
    out: impl Write,
) -> Result<(), ExportError> {
    let failed = |error: csv::Error| ExportError::Write(error.into());
    let mut writer = csv::WriterBuilder::new().terminator(csv::Terminator::CRLF).from_writer(out);
    writer
        .write_record(["file", "kind", "row", "line", "column", "value", "expected"])
        .map_err(failed)?;
    for (file, kind, finding) in findings {
        let (row, line) = (finding.row.to_string(), finding.line.to_string());
        let column = finding.column.as_deref().unwrap_or_default();
        let (file, value) = (guarded(file), guarded(&finding.value));
        writer
            .write_record([&file, kind.as_str(), &row, &line, column, &value, &finding.expected])
            .map_err(failed)?;
    }
    writer.flush().map_err(ExportError::Write)
}
