//! Telling a format from the first bytes of a file.

use std::fmt;
use std::str::FromStr;

use serde::{Deserialize, Serialize};

use super::FormatError;
use super::fields::{column_names, without_bom};
use super::plain_csv;

/// The formats that can be read.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Format {
    /// GHCN-Daily fixed width.
    GhcnDly,
    /// GHCN-Daily, one element a line (by-year, by-station).
    GhcnCsv,
    /// GHCN-Daily, one day a line, with header.
    GhcnAccess,
    /// U.S. Climate Normals, daily.
    NormalsDaily,
    /// U.S. Climate Normals, monthly.
    NormalsMonthly,
    /// api.weather.gov gridpoint layers.
    NwsGridpoint,
    /// api.weather.gov forecast periods.
    NwsForecast,
    /// api.weather.gov observations of a station.
    NwsObservations,
    /// EnergyPlus weather.
    Epw,
    /// Plain CSV.
    Plain,
}

impl Format {
    /// Every format.
    pub const ALL: [Self; 10] = [
        Self::GhcnDly,
        Self::GhcnCsv,
        Self::GhcnAccess,
        Self::NormalsDaily,
        Self::NormalsMonthly,
        Self::NwsGridpoint,
        Self::NwsForecast,
        Self::NwsObservations,
        Self::Epw,
        Self::Plain,
    ];

    /// The name used on the command line.
    pub fn name(self) -> &'static str {
        match self {
            Self::GhcnDly => "ghcn-dly",
            Self::GhcnCsv => "ghcn-csv",
            Self::GhcnAccess => "ghcn-access",
            Self::NormalsDaily => "normals-daily",
            Self::NormalsMonthly => "normals-monthly",
            Self::NwsGridpoint => "nws-gridpoint",
            Self::NwsForecast => "nws-forecast",
            Self::NwsObservations => "nws-observations",
            Self::Epw => "epw",
            Self::Plain => "csv",
        }
    }

    /// All names, for a message.
    pub fn names() -> String {
        Self::ALL.map(Self::name).join(", ")
    }
}

impl fmt::Display for Format {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.name())
    }
}

impl FromStr for Format {
    type Err = FormatError;

    fn from_str(text: &str) -> Result<Self, Self::Err> {
        let found = Self::ALL.into_iter().find(|format| format.name() == text);
        found.ok_or_else(|| FormatError::Unrecognised { seen: format!("\"{text}\" was given") })
    }
}

/// Tells the format from the beginning of a file (a few hundred bytes are enough).
///
/// # Errors
/// [`FormatError::Unrecognised`] when nothing fits; never a guess.
pub fn detect(head: &[u8]) -> Result<Format, FormatError> {
    let head = without_bom(head);
    let text = String::from_utf8_lossy(head);
    let text = text.trim_start();
    if text.starts_with('{') {
        return detect_json(text);
    }
    let first = text.lines().next().unwrap_or_default();
    let seen = || {
        let shown: String = first.chars().take(60).collect();
        FormatError::Unrecognised { seen: format!("it begins with \"{shown}\"") }
    };
    if first.starts_with("LOCATION,") {
        return Ok(Format::Epw);
    }
    if is_dly_line(first) {
        return Ok(Format::GhcnDly);
    }
    if is_element_line(first) {
        return Ok(Format::GhcnCsv);
    }
    detect_header(&column_names(first)).ok_or_else(seen)
}

fn detect_json(text: &str) -> Result<Format, FormatError> {
    // Longest first: an observations document also carries geometry and properties.
    let marks = [
        ("wx:ObservationStation", Format::NwsObservations),
        ("/observations", Format::NwsObservations),
        ("\"FeatureCollection\"", Format::NwsObservations),
        ("\"forecastGenerator\"", Format::NwsForecast),
        ("\"periods\"", Format::NwsForecast),
        ("wx:Gridpoint", Format::NwsGridpoint),
        ("\"forecastOffice\"", Format::NwsGridpoint),
        ("/gridpoints/", Format::NwsGridpoint),
    ];
    let found = marks.iter().find(|(mark, _)| text.contains(mark));
    found.map(|(_, format)| *format).ok_or_else(|| FormatError::Unrecognised {
        seen: "JSON without the marks of a gridpoint, a forecast or observations".to_owned(),
    })
}

fn detect_header(columns: &[String]) -> Option<Format> {
    let has = |name: &str| columns.iter().any(|column| column == name);
    let any = |start: &str| columns.iter().any(|column| column.starts_with(start));
    if has("station") && has("date") {
        if any("dly-") {
            return Some(Format::NormalsDaily);
        }
        if any("mly-") {
            return Some(Format::NormalsMonthly);
        }
        if has("tmax") && has("tmin") {
            return Some(Format::GhcnAccess);
        }
    }
    if has("date") && (has("element") || has("attr") || has("datatype")) && any("value")
        || has("date") && has("element") && any("data")
    {
        return Some(Format::GhcnCsv);
    }
    plain_csv::fits(columns).then_some(Format::Plain)
}

/// `USW00023183196101TMAX` and groups of eight characters.
fn is_dly_line(line: &str) -> bool {
    let bytes = line.as_bytes();
    bytes.len() >= 29
        && bytes.get(11..17).is_some_and(|part| part.iter().all(u8::is_ascii_digit))
        && bytes.get(17..21).is_some_and(|part| part.iter().all(u8::is_ascii_alphanumeric))
        && !bytes.contains(&b',')
}

/// `USW00023183,20230701,TMAX,433,,,W,2400`.
fn is_element_line(line: &str) -> bool {
    let mut fields = line.split(',');
    let (Some(station), Some(date), Some(element), Some(value)) =
        (fields.next(), fields.next(), fields.next(), fields.next())
    else {
        return false;
    };
    station.len() == 11
        && date.len() == 8
        && date.bytes().all(|byte| byte.is_ascii_digit())
        && element.len() == 4
        && value.trim().parse::<i32>().is_ok()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_line_without_marks_is_refused_and_shown() {
        let error = detect(b"a,b,c\n1,2,3\n").unwrap_err().to_string();
        assert!(error.contains("a,b,c") && error.contains("ghcn-dly"), "{error}");
    }

    #[test]
    fn each_name_leads_back_to_its_format() {
        for format in Format::ALL {
            assert_eq!(format.name().parse::<Format>().unwrap(), format);
        }
    }

    #[test]
    fn the_marks_of_each_format_are_known() {
        let cases: [(&[u8], Format); 7] = [
            (b"USW00023183196101TMAX  178  0  172  0  200  0", Format::GhcnDly),
            (b"USW00023183,20230701,TMAX,433,,,W,2400", Format::GhcnCsv),
            (b"date,attr,value,a,b,c,d\n", Format::GhcnCsv),
            (b"\"STATION\",\"DATE\",\"TMAX\",\"TMAX_ATTRIBUTES\",\"TMIN\"", Format::GhcnAccess),
            (b"LOCATION,Long.Beach.AP,CA", Format::Epw),
            (b"\xef\xbb\xbfdate,tmin_c,tmax_c\n", Format::Plain),
            (b"timestamp,temp_f\n", Format::Plain),
        ];
        for (head, format) in cases {
            assert_eq!(detect(head).unwrap(), format);
        }
    }
}
