//! U.S. Climate Normals 1991-2020, daily (`DLY-…`, 366 rows) and monthly (`MLY-…`, 12 rows).
//!
//! Every cell is quoted and padded; temperatures in °F, degree days in °F-days. Each quantity has
//! columns `meas_flag_…`, `comp_flag_…`, `years_…`. Special values: -9999 missing; -7777 (the
//! 1981-2010 product) a positive value that rounds to zero, in the 1991-2020 product 0.0 with flag
//! X (documentation of the product; -9999 and -7777 from memory).

use std::collections::BTreeMap;
use std::io::BufRead;

use csv::StringRecord;
use serde::{Deserialize, Serialize};

use super::FormatError;
use super::csv_rows::CsvRows;

/// Days or months.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum NormalsPeriod {
    /// One row a calendar day, 29 February included.
    Daily,
    /// One row a month.
    Monthly,
}

/// One cell.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub enum Normal {
    /// A value in the product's unit.
    Value(f64),
    /// Positive, but rounds to zero; counts as zero.
    PositiveRoundsToZero,
    /// No value.
    Missing,
}

impl Normal {
    /// The number to reckon with; none where there is none.
    pub fn value(self) -> Option<f64> {
        match self {
            Self::Value(value) => Some(value),
            Self::PositiveRoundsToZero => Some(0.0),
            Self::Missing => None,
        }
    }
}

/// One day's or month's normals.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct NormalsRow {
    /// Month, 1 to 12.
    pub month: u32,
    /// Day of the month; none in a monthly table.
    pub day: Option<u32>,
    /// By the product's column name, such as `DLY-CLDD-NORMAL`.
    pub values: BTreeMap<String, Normal>,
}

/// A station's normals.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct NormalsTable {
    /// Station identifier.
    pub station: String,
    /// Days or months.
    pub period: NormalsPeriod,
    /// In the order of the file.
    pub rows: Vec<NormalsRow>,
}

impl NormalsTable {
    /// Values of one column in the order of the rows, with month and day.
    pub fn column(&self, name: &str) -> impl Iterator<Item = (u32, Option<u32>, Normal)> {
        self.rows
            .iter()
            .filter_map(move |row| row.values.get(name).map(|normal| (row.month, row.day, *normal)))
    }
}

struct Column {
    name: String,
    value: usize,
    flag: Option<usize>,
}

/// Reads a daily or a monthly file.
///
/// # Errors
/// [`FormatError`] with the line that is not of this format.
pub fn read(reader: impl BufRead) -> Result<NormalsTable, FormatError> {
    let mut lines = CsvRows::new(&csv::ReaderBuilder::new(), reader)?;
    let names = lines.columns.clone();
    let needed = |wanted: &'static str| {
        let place = names.iter().position(|name| name.eq_ignore_ascii_case(wanted));
        place.ok_or_else(|| FormatError::MissingColumn { wanted, found: names.join(", ") })
    };
    let (station_at, date_at) = (needed("STATION")?, needed("DATE")?);
    let columns = value_columns(&names);
    let period = match columns.first() {
        Some(column) if column.name.starts_with("DLY-") => NormalsPeriod::Daily,
        Some(_) => NormalsPeriod::Monthly,
        None => {
            return Err(FormatError::MissingColumn {
                wanted: "DLY-… or MLY-…",
                found: names.join(", "),
            });
        }
    };
    let mut table = NormalsTable { station: String::new(), period, rows: Vec::new() };
    let mut record = StringRecord::new();
    while let Some(line) = lines.next(&mut record)? {
        let field = |at: usize| record.get(at).unwrap_or_default().trim();
        if table.station.is_empty() {
            field(station_at).clone_into(&mut table.station);
        }
        let (month, day) = month_and_day(field(date_at), period)
            .ok_or_else(|| FormatError::line(line, "DATE is not MM-DD (daily) or MM (monthly)"))?;
        let mut values = BTreeMap::new();
        for column in &columns {
            let flag = column.flag.map(field).unwrap_or_default();
            let normal = normal(field(column.value), flag).ok_or_else(|| {
                FormatError::line(line, format!("{} is not a number", column.name))
            })?;
            values.insert(column.name.clone(), normal);
        }
        table.rows.push(NormalsRow { month, day, values });
    }
    if table.rows.is_empty() {
        return Err(FormatError::Empty);
    }
    Ok(table)
}

fn value_columns(names: &[String]) -> Vec<Column> {
    let own = |name: &&String| name.starts_with("dly-") || name.starts_with("mly-");
    names
        .iter()
        .enumerate()
        .filter(|(_, name)| own(name))
        .map(|(value, name)| {
            let flagged = format!("meas_flag_{name}");
            let flag = names.iter().position(|other| *other == flagged);
            Column { name: name.to_ascii_uppercase(), value, flag }
        })
        .collect()
}

fn month_and_day(text: &str, period: NormalsPeriod) -> Option<(u32, Option<u32>)> {
    let month_of = |text: &str| text.parse().ok().filter(|month| (1..=12).contains(month));
    match period {
        NormalsPeriod::Monthly => Some((month_of(text)?, None)),
        NormalsPeriod::Daily => {
            let (month, day) = text.split_once('-')?;
            let day = day.parse().ok().filter(|day| (1..=31).contains(day))?;
            Some((month_of(month)?, Some(day)))
        }
    }
}

fn normal(text: &str, flag: &str) -> Option<Normal> {
    if text.is_empty() {
        return Some(Normal::Missing);
    }
    let number: f64 = text.parse().ok()?;
    let is_special = |mark: f64| (number - mark).abs() < 0.5;
    Some(if is_special(-9999.0) || is_special(-8888.0) || is_special(-6666.0) {
        Normal::Missing
    } else if is_special(-7777.0) || (flag == "X" && number.abs() < 0.05) {
        Normal::PositiveRoundsToZero
    } else {
        Normal::Value(number)
    })
}
