//! A file as rows with named columns, and the findings about them.

use std::collections::{HashMap, HashSet};
use std::io::Read;

use csv::StringRecord;
use hotspell_domain::record_lines::RecordLines;

use crate::context::{Context, READING};
use crate::formula;
use crate::report::{Finding, ImportRefusal, MAX_BYTES, MAX_ROWS};

/// A column that a kind of file may have.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Column {
    pub(crate) name: &'static str,
    pub(crate) required: bool,
}

pub(crate) const fn required(name: &'static str) -> Column {
    Column { name, required: true }
}

pub(crate) const fn optional(name: &'static str) -> Column {
    Column { name, required: false }
}

/// Reads the whole file as text, without byte order mark.
pub(crate) fn read_text(reader: impl Read) -> Result<String, ImportRefusal> {
    let mut bytes = Vec::new();
    reader.take(MAX_BYTES + 1).read_to_end(&mut bytes)?;
    if bytes.len() as u64 > MAX_BYTES {
        return Err(ImportRefusal::TooLarge);
    }
    let mut text = String::from_utf8(bytes).map_err(|error| ImportRefusal::NotUtf8 {
        byte_offset: error.utf8_error().valid_up_to(),
    })?;
    if let Some(byte_offset) = text.find('\0') {
        return Err(ImportRefusal::NotUtf8 { byte_offset });
    }
    if text.starts_with('\u{feff}') {
        text.drain(..'\u{feff}'.len_utf8());
    }
    Ok(text)
}

struct Row {
    number: usize,
    line: u64,
    record: StringRecord,
}

/// The rows of a file and what was found wrong with them.
pub(crate) struct Table<'a> {
    columns: &'a [Column],
    /// Where each column stands in a row.
    places: HashMap<&'static str, usize>,
    rows: Vec<Row>,
    findings: Vec<Finding>,
    total_findings: usize,
    /// Numbers of the rows with findings.
    bad_rows: HashSet<usize>,
    /// Findings that are listed; the rest is counted.
    listed: usize,
}

impl<'a> Table<'a> {
    /// Takes the text apart; so many findings are listed, the rest is counted.
    pub(crate) fn parse(
        text: &str,
        columns: &'a [Column],
        listed: usize,
    ) -> Result<Self, ImportRefusal> {
        let mut reader = csv::ReaderBuilder::new()
            .has_headers(false)
            .flexible(true)
            .trim(csv::Trim::All)
            .from_reader(RecordLines::new(text.as_bytes()));
        let mut records = reader.records();
        let Some(header) = records.next() else {
            return Err(ImportRefusal::Empty);
        };
        let header = header.map_err(unreadable)?;
        let places = places(&header, columns)?;
        let mut table = Self {
            columns,
            places,
            rows: Vec::new(),
            findings: Vec::new(),
            total_findings: 0,
            bad_rows: HashSet::new(),
            listed,
        };
        let mut line = 1;
        for number in 2.. {
            let begins = records.reader().position().byte();
            let Some(record) = records.next() else { break };
            let record = record.map_err(unreadable)?;
            line = records.reader_mut().get_mut().line_at(begins);
            if table.rows.len() == MAX_ROWS {
                return Err(ImportRefusal::TooManyRows);
            }
            table.add(Row { number, line, record }, header.len());
        }
        // RFC 4180: every quote is closed, and one inside a field is written twice.
        if text.bytes().filter(|byte| *byte == b'"').count() % 2 == 1 {
            return Err(ImportRefusal::OpenQuote { line });
        }
        Ok(table)
    }

    fn add(&mut self, row: Row, width: usize) {
        if row.record.len() == width {
            self.rows.push(row);
            return;
        }
        let fields = row.record.len();
        let shown = row.record.iter().collect::<Vec<_>>().join(",");
        let finding = Finding {
            row: row.number,
            line: row.line,
            column: None,
            value: cut(&shown),
            expected: format!("{width} fields as in the header, not {fields}"),
        };
        self.report(finding);
    }

    /// Rows that can be read.
    pub(crate) fn len(&self) -> usize {
        self.rows.len()
    }

    fn report(&mut self, finding: Finding) {
        self.total_findings += 1;
        self.bad_rows.insert(finding.row);
        if self.findings.len() < self.listed {
            self.findings.push(finding);
        }
    }

    /// Reads every row by `read`, which reports what is wrong and gives nothing then. The first
    /// column is the record's key; the same key again is reported. Stops when the context says so.
    pub(crate) fn read<T>(
        &mut self,
        context: &Context<'_>,
        mut read: impl FnMut(&mut Cells<'_>) -> Option<T>,
    ) -> Result<Vec<(RowRef, T)>, ImportRefusal> {
        let mut drafts = Vec::with_capacity(self.rows.len());
        let mut seen: HashMap<String, usize> = HashMap::with_capacity(self.rows.len());
        let key_column = self.columns[0].name;
        let mut reported = Vec::new();
        for (done, row) in self.rows.iter().enumerate() {
            context.step(READING, done, self.rows.len())?;
            let mut cells = Cells { row, places: &self.places, findings: Vec::new() };
            let key = cells.raw(key_column);
            if let Some(first) = seen.get(key) {
                cells.refuse(key_column, format!("a key that is not in row {first} already"));
            } else if !key.is_empty() {
                seen.insert(key.to_owned(), row.number);
            }
            let draft = read(&mut cells);
            let clean = cells.findings.is_empty();
            reported.append(&mut cells.findings);
            if let (true, Some(draft)) = (clean, draft) {
                let reference = RowRef { number: row.number, line: row.line };
                drafts.push((reference, draft));
            }
        }
        reported.into_iter().for_each(|finding| self.report(finding));
        Ok(drafts)
    }

    /// Reports something about a row that only shows when rows are seen together.
    pub(crate) fn refuse(&mut self, row: RowRef, column: &str, value: &str, expected: String) {
        self.report(Finding {
            row: row.number,
            line: row.line,
            column: Some(column.to_owned()),
            value: cut(value),
            expected,
        });
    }

    /// Ends the import if anything was found.
    pub(crate) fn check(&mut self) -> Result<(), ImportRefusal> {
        if self.total_findings == 0 {
            return Ok(());
        }
        let mut findings = core::mem::take(&mut self.findings);
        findings.sort_by_key(|finding| finding.row);
        let rows = self.bad_rows.len();
        Err(ImportRefusal::Rows { findings, total: self.total_findings, rows })
    }
}

/// Which row a draft came from.
#[derive(Debug, Clone, Copy)]
pub(crate) struct RowRef {
    number: usize,
    line: u64,
}

impl RowRef {
    /// As a spreadsheet counts.
    pub(crate) const fn number(self) -> usize {
        self.number
    }
}

fn unreadable(error: csv::Error) -> ImportRefusal {
    // The text is UTF-8 and in memory, so this is no error of reading.
    ImportRefusal::Read(error.into())
}

fn places(
    header: &StringRecord,
    columns: &[Column],
) -> Result<HashMap<&'static str, usize>, ImportRefusal> {
    let mut places = HashMap::new();
    let (mut unknown, mut twice) = (Vec::new(), Vec::new());
    for (place, name) in header.iter().enumerate() {
        match columns.iter().find(|column| column.name == name) {
            None => unknown.push(if name.is_empty() {
                format!("(column {} has no name)", place + 1)
            } else {
                cut(name)
            }),
            Some(column) => {
                if places.insert(column.name, place).is_some() {
                    twice.push(cut(name));
                }
            }
        }
    }
    let missing: Vec<String> = columns
        .iter()
        .filter(|column| column.required && !places.contains_key(column.name))
        .map(|column| column.name.to_owned())
        .collect();
    if missing.is_empty() && unknown.is_empty() && twice.is_empty() {
        return Ok(places);
    }
    let names: HashSet<String> = twice.into_iter().collect();
    let mut twice: Vec<String> = names.into_iter().collect();
    twice.sort();
    Err(ImportRefusal::Headers { missing, unknown, twice })
}

fn cut(value: &str) -> String {
    const LONGEST: usize = 80;
    if value.chars().count() <= LONGEST {
        value.to_owned()
    } else {
        value.chars().take(LONGEST).chain(core::iter::once('…')).collect()
    }
}

/// The cells of one row. Reading a bad one reports it.
pub(crate) struct Cells<'a> {
    row: &'a Row,
    places: &'a HashMap<&'static str, usize>,
    findings: Vec<Finding>,
}

impl Cells<'_> {
    /// The text of a cell without the apostrophe of an export; empty when the column is not there.
    pub(crate) fn raw(&self, column: &str) -> &str {
        let place = self.places.get(column);
        formula::bare(place.and_then(|place| self.row.record.get(*place)).unwrap_or_default())
    }

    /// Whether nothing was found wrong with the row so far.
    pub(crate) fn is_clean(&self) -> bool {
        self.findings.is_empty()
    }

    /// Reports a cell.
    pub(crate) fn refuse(&mut self, column: &str, expected: String) {
        let value = cut(self.raw(column));
        self.findings.push(Finding {
            row: self.row.number,
            line: self.row.line,
            column: Some(column.to_owned()),
            value,
            expected,
        });
    }

    /// A cell that must hold a value. Nothing means that it was reported.
    pub(crate) fn required<T>(
        &mut self,
        column: &str,
        read: impl FnOnce(&str) -> Result<T, String>,
    ) -> Option<T> {
        if self.raw(column).is_empty() {
            self.refuse(column, "a value".to_owned());
            return None;
        }
        self.optional(column, read)
    }

    /// A cell that may be empty. Nothing means that it is, or that it was reported.
    pub(crate) fn optional<T>(
        &mut self,
        column: &str,
        read: impl FnOnce(&str) -> Result<T, String>,
    ) -> Option<T> {
        let text = self.raw(column);
        if text.is_empty() {
            return None;
        }
        match read(text) {
            Ok(value) => Some(value),
            Err(expected) => {
                self.refuse(column, expected);
                None
            }
        }
    }

    /// A cell that names a record of an earlier file by its key.
    pub(crate) fn reference<T: Copy>(
        &mut self,
        column: &str,
        known: &HashMap<String, T>,
        what: &str,
    ) -> Option<T> {
        let found = known.get(self.raw(column)).copied();
        if found.is_none() && !self.raw(column).is_empty() {
            self.refuse(column, format!("the key of a stored {what}"));
        }
        found
    }
}
