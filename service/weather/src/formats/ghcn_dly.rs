//! GHCN-Daily fixed width, one station's element and month a line.
//!
//! Layout (archive readme, section III): station 1-11, year 12-15, month 16-17, element 18-21, then
//! 31 groups of value (5, tenths of °C, -9999 missing), M-flag, Q-flag, S-flag. A value with a
//! Q-flag failed the archive's quality check. Lines come in any order; days past the end of the
//! month are -9999.

use std::io::BufRead;

use chrono::{Datelike, NaiveDate};

use super::FormatError;
use super::assemble::{Assembler, Element, ElementValue};
use super::fields::{padded_integer, whole_number};
use super::lines::Lines;
use crate::series::StationSeries;

const MISSING: i32 = -9999;
const HEAD: usize = 21;
const GROUP: usize = 8;

/// Calls `each` with every station and element value of the source, in constant memory.
///
/// # Errors
/// [`FormatError`] with the line that is not of this format.
pub fn visit(
    reader: impl BufRead,
    mut each: impl FnMut(&[u8], ElementValue) -> Result<(), FormatError>,
) -> Result<(), FormatError> {
    let mut lines = Lines::new(reader);
    while let Some((number, line)) = lines.next()? {
        if line.is_empty() {
            continue;
        }
        visit_line(number, line, &mut each)?;
    }
    Ok(())
}

fn visit_line(
    number: usize,
    line: &[u8],
    each: &mut impl FnMut(&[u8], ElementValue) -> Result<(), FormatError>,
) -> Result<(), FormatError> {
    let wrong = |what: &str| {
        FormatError::line(
            number,
            format!(
                "{what}; a .dly line has station, year, month, element and 31 groups of 8 characters"
            ),
        )
    };
    let (head, groups) = line.split_at_checked(HEAD).ok_or_else(|| wrong("too short"))?;
    let Some(element) = head.get(17..21).and_then(Element::from_code) else { return Ok(()) };
    let field = |from: usize, to: usize| head.get(from..to).and_then(whole_number);
    let first = field(11, 15)
        .zip(field(15, 17))
        .and_then(|(year, month)| NaiveDate::from_ymd_opt(i32::try_from(year).ok()?, month, 1))
        .ok_or_else(|| wrong("no year and month in columns 12 to 17"))?;
    let station = head.get(..11).unwrap_or_default().trim_ascii();
    let month_days = usize::from(first.num_days_in_month());
    for (date, group) in first.iter_days().zip(groups.chunks(GROUP).take(month_days)) {
        let value = group.get(..5).and_then(padded_integer);
        let value = value.ok_or_else(|| wrong(&format!("no value for {date}")))?;
        // Trailing blanks of the last group may have been cut off.
        let flag = group.get(6).copied().filter(|flag| *flag != b' ').map(char::from);
        let celsius = (value != MISSING).then(|| f64::from(value) / 10.0);
        each(station, ElementValue { date, element, celsius, quality_flag: flag })?;
    }
    Ok(())
}

/// Reads one station; `station` chooses it where there are several.
///
/// # Errors
/// [`FormatError`] with the line that is not of this format, or if nothing is found.
pub fn read(reader: impl BufRead, station: Option<&str>) -> Result<StationSeries, FormatError> {
    let mut days = Assembler::new(station);
    visit(reader, |id, value| {
        if days.accepts(id)? {
            days.add(value);
        }
        Ok(())
    })?;
    days.finish()
}
