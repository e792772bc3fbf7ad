//! Lifetimes from a table with a header: `entry,lower,upper[,weight][,...]`.
//!
//! Equal `lower` and `upper` are an exact failure age, an empty `upper` a right-censored and an
//! empty `lower` a left-censored one; an empty `entry` (or no such column) is 0.

use std::collections::BTreeMap;

use hotspell_domain::record_lines::RecordLines;

use crate::lifetime::{Lifetime, LifetimeError};

/// A table of lifetimes with the further columns that were asked for.
#[derive(Debug, Clone)]
pub struct LifetimeTable {
    /// Lifetimes in the order of the rows.
    pub lifetimes: Vec<Lifetime>,
    /// Numeric columns by name, one value per lifetime.
    pub numbers: BTreeMap<String, Vec<f64>>,
    /// Text columns by name.
    pub texts: BTreeMap<String, Vec<String>>,
    /// Line of the file on which each lifetime stands, the header being line 1.
    pub lines: Vec<u64>,
}

/// Why a table cannot be read.
#[derive(Debug, thiserror::Error)]
pub enum TableError {
    /// Not a table of comma-separated values.
    #[error("the file is no table of comma-separated values: {0}")]
    Csv(#[from] csv::Error),
    /// A column is missing.
    #[error("line 1: there is no column «{column}»; the columns are: {found}")]
    Column {
        /// The name that was looked for.
        column: String,
        /// The names that are there.
        found: String,
    },
    /// A row with more or fewer cells than the header.
    #[error("line {line}: {found} cells, the header has {expected}")]
    Cells {
        /// Line, the header being 1.
        line: u64,
        /// Cells of the row.
        found: usize,
        /// Cells of the header.
        expected: usize,
    },
    /// A cell is no number.
    #[error("line {line}, column «{column}»: «{value}» is no number")]
    Number {
        /// Line, the header being 1.
        line: u64,
        /// Column.
        column: String,
        /// The cell.
        value: String,
    },
    /// A cell that must not be empty is.
    #[error("line {line}, column «{column}»: the cell is empty")]
    Empty {
        /// Line, the header being 1.
        line: u64,
        /// Column.
        column: String,
    },
    /// The numbers of a row contradict each other.
    #[error("line {line}, columns entry, lower, upper, weight: {source}")]
    Lifetime {
        /// Line, the header being 1.
        line: u64,
        /// What is wrong.
        #[source]
        source: LifetimeError,
    },
    /// A header and nothing else.
    #[error("the table has no rows below its header")]
    NoRows,
}

impl LifetimeTable {
    /// Reads a table, with `numeric` and `text` columns besides the four that make a lifetime.
    ///
    /// # Errors
    /// [`TableError`] names line and column.
    pub fn parse(content: &str, numeric: &[String], text: &[String]) -> Result<Self, TableError> {
        let mut reader = csv::ReaderBuilder::new()
            .trim(csv::Trim::All)
            .flexible(true)
            .from_reader(RecordLines::new(content.as_bytes()));
        let header: Vec<String> = reader.headers()?.iter().map(str::to_owned).collect();
        let place = |name: &str| header.iter().position(|column| column == name);
        let need = |name: &str| {
            place(name).ok_or_else(|| TableError::Column {
                column: name.to_owned(),
                found: header.join(", "),
            })
        };
        let (lower, upper) = (need("lower")?, need("upper")?);
        let (entry, weight) = (place("entry"), place("weight"));
        let numeric: Vec<(&String, usize)> =
            numeric.iter().map(|n| Ok((n, need(n)?))).collect::<Result<_, TableError>>()?;
        let text: Vec<(&String, usize)> =
            text.iter().map(|n| Ok((n, need(n)?))).collect::<Result<_, TableError>>()?;
        let mut table = Self {
            lifetimes: Vec::new(),
            numbers: numeric.iter().map(|(n, _)| ((*n).clone(), Vec::new())).collect(),
            texts: text.iter().map(|(n, _)| ((*n).clone(), Vec::new())).collect(),
            lines: Vec::new(),
        };
        let mut record = csv::StringRecord::new();
        while let Some(line) = next_row(&mut reader, &mut record)? {
            if record.len() != header.len() {
                return Err(TableError::Cells {
                    line,
                    found: record.len(),
                    expected: header.len(),
                });
            }
            let row = Row { header: &header, record: &record, line };
            let lifetime = Lifetime::from_bounds(
                entry.map_or(Ok(None), |i| row.optional(i))?.unwrap_or(0.0),
                row.optional(lower)?,
                row.optional(upper)?,
                weight.map_or(Ok(None), |i| row.optional(i))?.unwrap_or(1.0),
            )
            .map_err(|source| TableError::Lifetime { line, source })?;
            table.lifetimes.push(lifetime);
            table.lines.push(line);
            for (name, i) in &numeric {
                let value = row.optional(*i)?.ok_or_else(|| row.empty(*i))?;
                table.numbers.entry((*name).clone()).or_default().push(value);
            }
            for (name, i) in &text {
                let cell = record.get(*i).unwrap_or_default();
                if cell.is_empty() {
                    return Err(row.empty(*i));
                }
                table.texts.entry((*name).clone()).or_default().push(cell.to_owned());
            }
        }
        if table.lifetimes.is_empty() { Err(TableError::NoRows) } else { Ok(table) }
    }

    /// The covariates of every lifetime, in the order of `names`.
    #[must_use]
    pub fn covariate_rows(&self, names: &[String]) -> Vec<Vec<f64>> {
        (0..self.lifetimes.len())
            .map(|i| names.iter().filter_map(|n| self.numbers.get(n)).map(|c| c[i]).collect())
            .collect()
    }
}

/// Reads a row into `record`; the line on which it begins, or nothing at the end.
fn next_row(
    reader: &mut csv::Reader<RecordLines<&[u8]>>,
    record: &mut csv::StringRecord,
) -> Result<Option<u64>, csv::Error> {
    let begins = reader.position().byte();
    let is_row = reader.read_record(record)?;
    Ok(is_row.then(|| reader.get_mut().line_at(begins)))
}

struct Row<'a> {
    header: &'a [String],
    record: &'a csv::StringRecord,
    line: u64,
}

impl Row<'_> {
    fn optional(&self, column: usize) -> Result<Option<f64>, TableError> {
        let cell = self.record.get(column).unwrap_or_default();
        if cell.is_empty() {
            return Ok(None);
        }
        cell.parse().map(Some).map_err(|_| TableError::Number {
            line: self.line,
            column: self.header[column].clone(),
            value: cell.to_owned(),
        })
    }

    fn empty(&self, column: usize) -> TableError {
        TableError::Empty { line: self.line, column: self.header[column].clone() }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::lifetime::Observation;

    fn refusal(content: &str) -> String {
        LifetimeTable::parse(content, &["x".to_owned()], &[]).unwrap_err().to_string()
    }

    #[test]
    fn every_kind_of_end_is_read() {
        let content = "entry,lower,upper,x\n,3,3,1\n1,4,,2\n,,5,3\n0.5,2,6,4\n";
        let table = LifetimeTable::parse(content, &["x".to_owned()], &[]).unwrap();
        let ends: Vec<Observation> = table.lifetimes.iter().map(|l| l.observation).collect();
        assert_eq!(ends[0], Observation::Exact { age: 3.0 });
        assert_eq!(ends[1], Observation::RightCensored { age: 4.0 });
        assert_eq!(ends[2], Observation::Interval { after: 0.0, by: 5.0 });
        assert_eq!(ends[3], Observation::Interval { after: 2.0, by: 6.0 });
        assert_eq!(table.numbers["x"], vec![1.0, 2.0, 3.0, 4.0]);
    }

    #[test]
    fn refusals_name_line_and_column() {
        assert_eq!(
            refusal("lower,upper,x\n3,3,1\n3,three,1\n"),
            "line 3, column «upper»: «three» is no number"
        );
        assert_eq!(refusal("lower,upper,x\n3,3,\n"), "line 2, column «x»: the cell is empty");
        assert_eq!(
            refusal("lower,upper\n3,3\n"),
            "line 1: there is no column «x»; the columns are: lower, upper"
        );
        assert!(refusal("entry,lower,upper,x\n5,3,3,1\n").starts_with("line 2, columns entry"));
        assert_eq!(refusal("lower,upper,x\n"), "the table has no rows below its header");
    }

    #[test]
    fn a_row_of_another_length_is_refused_with_its_line() {
        assert_eq!(refusal("lower,upper,x\n3,3\n"), "line 2: 2 cells, the header has 3");
    }

    #[test]
    fn windows_line_ends_and_empty_lines_do_not_move_the_line() {
        assert!(refusal("lower,upper,x\r\n3,three,1\r\n").starts_with("line 2,"));
        assert!(refusal("lower,upper,x\r\n3,3,1\r\n\r\n3,three,1\r\n").starts_with("line 4,"));
        assert!(refusal("lower,upper,x\n3,3,1\n\n\n3,three,1\n").starts_with("line 5,"));
        let quoted = "lower,upper,x,note\n3,3,1,\"two\nlines\"\n3,three,1,\n";
        assert!(refusal(quoted).starts_with("line 4,"));
        assert!(refusal(&quoted.replace('\n', "\r\n")).starts_with("line 4,"));
    }
}
