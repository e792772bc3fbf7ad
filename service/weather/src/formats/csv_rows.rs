//! Rows of a CSV source below its header, each with the line on which it begins.

use std::io::BufRead;

use csv::{ReaderBuilder, StringRecord};
use hotspell_domain::record_lines::RecordLines;

use super::FormatError;
use super::fields::column_name;

/// A source with its header read.
pub(super) struct CsvRows<R> {
    reader: csv::Reader<RecordLines<R>>,
    /// Column names, lower case, without quotes and blanks.
    pub(super) columns: Vec<String>,
}

impl<R: BufRead> CsvRows<R> {
    pub(super) fn new(builder: &ReaderBuilder, source: R) -> Result<Self, FormatError> {
        let mut reader = builder.from_reader(RecordLines::new(source));
        let header = reader.headers().map(|header| header.iter().map(column_name).collect());
        let columns = header.map_err(|error| FormatError::csv(error, 1))?;
        Ok(Self { reader, columns })
    }

    /// Reads the next row into `record`; its line, or nothing at the end.
    pub(super) fn next(&mut self, record: &mut StringRecord) -> Result<Option<usize>, FormatError> {
        let begins = self.reader.position().byte();
        let read = self.reader.read_record(record);
        let line = usize::try_from(self.reader.get_mut().line_at(begins)).unwrap_or(usize::MAX);
        match read {
            Ok(true) => Ok(Some(line)),
            Ok(false) => Ok(None),
            Err(error) => Err(FormatError::csv(error, line)),
        }
    }
}
