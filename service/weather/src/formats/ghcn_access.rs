//! GHCN-Daily with one day a line and a header: the archive's "access" CSV, and what its data
//! service answers.
//!
//! `STATION`, `DATE` (YYYY-MM-DD), `TMAX`, `TMIN` in whole tenths of °C padded with blanks,
//! `TMAX_ATTRIBUTES` = "M,Q,S" whose second part is the quality flag.

use std::io::BufRead;

use csv::StringRecord;

use super::FormatError;
use super::assemble::{Assembler, Element, ElementValue};
use super::csv_rows::CsvRows;
use super::fields::{day, padded_integer};
use crate::series::StationSeries;

const MISSING: i32 = -9999;

struct ElementColumns {
    element: Element,
    value: usize,
    attributes: Option<usize>,
}

/// Reads one station; `station` chooses it where there are several.
///
/// # Errors
/// [`FormatError`] with the line that is not of this format, or if nothing is found.
pub fn read(reader: impl BufRead, station: Option<&str>) -> Result<StationSeries, FormatError> {
    let mut lines = CsvRows::new(csv::ReaderBuilder::new().flexible(true), reader)?;
    let names = lines.columns.clone();
    let place = |wanted: &str| names.iter().position(|name| name == wanted);
    let needed = |wanted: &'static str| {
        place(&wanted.to_ascii_lowercase())
            .ok_or_else(|| FormatError::MissingColumn { wanted, found: names.join(", ") })
    };
    let (id, date) = (needed("STATION")?, needed("DATE")?);
    let elements = [
        ElementColumns {
            element: Element::Tmax,
            value: needed("TMAX")?,
            attributes: place("tmax_attributes"),
        },
        ElementColumns {
            element: Element::Tmin,
            value: needed("TMIN")?,
            attributes: place("tmin_attributes"),
        },
    ];
    let mut days = Assembler::new(station);
    let mut record = StringRecord::new();
    while let Some(line) = lines.next(&mut record)? {
        let field = |at: usize| record.get(at).unwrap_or_default().trim();
        if !days.accepts(field(id).as_bytes())? {
            continue;
        }
        let date = day(field(date))
            .ok_or_else(|| FormatError::line(line, "DATE is not written YYYY-MM-DD"))?;
        for columns in &elements {
            let celsius = tenths(field(columns.value)).map_err(|()| {
                FormatError::line(line, "TMAX and TMIN are whole tenths of a degree Celsius")
            })?;
            let flag = columns.attributes.and_then(|at| quality_flag(field(at)));
            days.add(ElementValue { date, element: columns.element, celsius, quality_flag: flag });
        }
    }
    days.finish()
}

fn tenths(text: &str) -> Result<Option<f64>, ()> {
    if text.is_empty() {
        return Ok(None);
    }
    let value = padded_integer(text.as_bytes()).ok_or(())?;
    Ok((value != MISSING).then(|| f64::from(value) / 10.0))
}

fn quality_flag(attributes: &str) -> Option<char> {
    attributes.split(',').nth(1)?.trim().chars().next()
}
