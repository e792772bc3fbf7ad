//! GHCN-Daily with one element a line: by-year files (all stations, one year), by-station files,
//! with or without a header.
//!
//! Columns without a header (archive readme of the by-year and by-station files): station,
//! YYYYMMDD, element, value in tenths of °C, M-flag, Q-flag, S-flag, time of observation. With a
//! header the columns are found by name, and the station may be absent.

use std::io::BufRead;

use csv::ByteRecord;
use hotspell_domain::record_lines::RecordLines;

use super::FormatError;
use super::assemble::{Assembler, Element, ElementValue};
use super::fields::{column_name, day, padded_integer};
use crate::series::StationSeries;

const MISSING: i32 = -9999;

/// Where the columns stand.
#[derive(Debug, Clone, Copy)]
struct Columns {
    station: Option<usize>,
    date: usize,
    element: usize,
    value: usize,
    quality_flag: Option<usize>,
}

impl Columns {
    const WITHOUT_HEADER: Self =
        Self { station: Some(0), date: 1, element: 2, value: 3, quality_flag: Some(5) };

    /// From a first line; none when that line is data already.
    fn of_first_line(line: &ByteRecord) -> Result<Option<Self>, FormatError> {
        let names: Vec<String> =
            line.iter().map(|name| column_name(&String::from_utf8_lossy(name))).collect();
        let place = |wanted: &[&str]| names.iter().position(|name| wanted.contains(&name.as_str()));
        let Some(date) = place(&["date"]) else { return Ok(None) };
        let missing =
            |wanted: &'static str| FormatError::MissingColumn { wanted, found: names.join(", ") };
        let element = place(&["element", "attr", "datatype"]).ok_or_else(|| missing("element"))?;
        let value =
            place(&["value", "data_value", "data value"]).ok_or_else(|| missing("value"))?;
        // Some exports name the flags a, b, c in the order M, Q, S.
        let quality_flag = place(&["q_flag", "q-flag", "qflag", "qc_flag", "b"]);
        let station = place(&["id", "station", "station_id"]);
        Ok(Some(Self { station, date, element, value, quality_flag }))
    }
}

/// Calls `each` with every station and element value of the source, in constant memory.
///
/// # Errors
/// [`FormatError`] with the line that is not of this format.
pub fn visit(
    reader: impl BufRead,
    mut each: impl FnMut(&[u8], ElementValue) -> Result<(), FormatError>,
) -> Result<(), FormatError> {
    let mut lines = csv::ReaderBuilder::new()
        .has_headers(false)
        .flexible(true)
        .buffer_capacity(1 << 16)
        .from_reader(RecordLines::new(reader));
    let mut record = ByteRecord::new();
    let mut columns = None;
    loop {
        let begins = lines.position().byte();
        let read = lines.read_byte_record(&mut record);
        let number = usize::try_from(lines.get_mut().line_at(begins)).unwrap_or(usize::MAX);
        if !read.map_err(|error| FormatError::csv(error, number))? {
            return Ok(());
        }
        let columns = match columns {
            Some(columns) => columns,
            None => match Columns::of_first_line(&record)? {
                Some(found) => {
                    columns = Some(found);
                    continue;
                }
                None => *columns.insert(Columns::WITHOUT_HEADER),
            },
        };
        if let Some((station, value)) = element_value(number, &record, columns)? {
            each(station, value)?;
        }
    }
}

fn element_value(
    number: usize,
    record: &ByteRecord,
    columns: Columns,
) -> Result<Option<(&[u8], ElementValue)>, FormatError> {
    let field = |at: usize| record.get(at).unwrap_or_default().trim_ascii();
    let Some(element) = Element::from_code(field(columns.element)) else { return Ok(None) };
    let date = std::str::from_utf8(field(columns.date)).ok().and_then(day);
    let date = date.ok_or_else(|| {
        FormatError::line(number, "the date is not written YYYYMMDD or YYYY-MM-DD")
    })?;
    let value = padded_integer(field(columns.value)).ok_or_else(|| {
        FormatError::line(number, "the value is not a whole number of tenths of a degree Celsius")
    })?;
    let flag = columns.quality_flag.and_then(|at| field(at).first().copied()).map(char::from);
    let celsius = (value != MISSING).then(|| f64::from(value) / 10.0);
    let station = columns.station.map_or(&b""[..], field);
    Ok(Some((station, ElementValue { date, element, celsius, quality_flag: flag })))
}

/// Reads one station; `station` chooses it where there are several.
///
/// # Errors
/// [`FormatError`] with the line that is not of this format, or if nothing is found.
pub fn read(reader: impl BufRead, station: Option<&str>) -> Result<StationSeries, FormatError> {
    let mut days = Assembler::new(station);
    visit(reader, |id, value| {
        if id.is_empty() || days.accepts(id)? {
            days.add(value);
        }
        Ok(())
    })?;
    days.finish()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_error_names_the_line_of_the_file_past_empty_lines_and_windows_line_ends() {
        let good = "USW00000002,20240101,TMAX,211,,,S,";
        for end in ["\n", "\r\n"] {
            let text =
                format!("{good}{end}{end}{end}{good}{end}USW00000002,2024-13-01,TMAX,211{end}");
            let error = read(text.as_bytes(), None).unwrap_err().to_string();
            assert!(error.contains("line 5"), "{end:?}: {error}");
        }
    }
}
