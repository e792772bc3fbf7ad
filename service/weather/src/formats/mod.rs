//! Readers of the files and answers that temperatures come in. Each reads from any `BufRead`, in
//! one pass; nothing is held but what is returned.
//!
//! | module | source |
//! | --- | --- |
//! | [`ghcn_dly`] | GHCN-Daily fixed width `.dly` (readme of the archive, section III) |
//! | [`ghcn_csv`] | GHCN-Daily one element a line: by-year and by-station CSV |
//! | [`ghcn_access`] | GHCN-Daily one day a line, with header: "access" CSV and data service |
//! | [`climate_normals`] | U.S. Climate Normals 1991-2020, daily and monthly CSV |
//! | [`nws`] | api.weather.gov gridpoint, forecast and observations JSON |
//! | [`epw`] | EnergyPlus weather file, hourly |
//! | [`plain_csv`] | `date,tmin_c,tmax_c` or `timestamp,temp_c` (or `_f`) |

pub mod climate_normals;
pub mod detect;
pub mod epw;
pub mod ghcn_access;
pub mod ghcn_csv;
pub mod ghcn_dly;
pub mod nws;
pub mod plain_csv;

mod assemble;
mod csv_rows;
mod fields;
mod lines;

use std::io::BufRead;

use thiserror::Error;

pub use self::assemble::{Element, ElementValue};
pub use self::detect::{Format, detect};
use crate::hourly::HourlySeries;
use crate::series::StationSeries;
use crate::temperature::TemperatureUnit;

/// Why a file or an answer cannot be read.
#[derive(Debug, Error)]
pub enum FormatError {
    /// The source ended or failed while reading.
    #[error("line {line}: the source could not be read on")]
    Io {
        /// Line reached.
        line: usize,
        /// The cause.
        #[source]
        source: std::io::Error,
    },
    /// A line is not as the format says.
    #[error("line {line}: {problem}")]
    Line {
        /// Line, counted from 1.
        line: usize,
        /// What is wrong and how to mend it.
        problem: String,
    },
    /// The file is not recognised.
    #[error("the format cannot be told from the beginning of the file ({seen}); name it with one of: {known}", known = Format::names())]
    Unrecognised {
        /// What was seen.
        seen: String,
    },
    /// A needed column is absent.
    #[error("the header has no column {wanted}; found: {found}")]
    MissingColumn {
        /// What is needed.
        wanted: &'static str,
        /// The columns there are.
        found: String,
    },
    /// Nothing says whether °C or °F.
    #[error(
        "nothing says whether the temperatures are degC or degF; name the columns like tmin_c or tmin_f, or declare the unit"
    )]
    UnitNotDeclared,
    /// The column names say one unit and the caller another.
    #[error(
        "the columns are named in {named} and the unit was declared as {declared}; correct one of them"
    )]
    UnitConflict {
        /// By the header.
        named: TemperatureUnit,
        /// By the caller.
        declared: TemperatureUnit,
    },
    /// More than one station and none chosen.
    #[error("the file holds several stations ({first}, {second}, ...); choose one")]
    SeveralStations {
        /// The first seen.
        first: String,
        /// Another.
        second: String,
    },
    /// The chosen station is not in the file.
    #[error("station {station} is not in the file")]
    StationAbsent {
        /// The station asked for.
        station: String,
    },
    /// JSON that is not the document it should be.
    #[error("the answer is not a {expected}: {problem}")]
    Json {
        /// The document expected.
        expected: &'static str,
        /// What is wrong, with the place.
        problem: String,
    },
    /// The file was read and holds nothing that could be used.
    #[error("the file holds no temperature")]
    Empty,
    /// A sound file of a kind that holds no days or hours.
    #[error("{format} holds {holds}, not the temperatures of days or hours")]
    NotARecord {
        /// The format.
        format: Format,
        /// What it holds.
        holds: &'static str,
    },
}

impl FormatError {
    pub(crate) fn line(line: usize, problem: impl Into<String>) -> Self {
        Self::Line { line, problem: problem.into() }
    }

    pub(crate) fn csv(error: csv::Error, line: usize) -> Self {
        match error.into_kind() {
            csv::ErrorKind::Io(source) => Self::Io { line, source },
            csv::ErrorKind::UnequalLengths { expected_len, len, .. } => {
                Self::line(line, format!("{len} fields where the header has {expected_len}"))
            }
            other => Self::line(line, format!("not CSV: {other:?}")),
        }
    }
}

/// What the caller knows about a file.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct ReadOptions {
    /// The format, if known; else it is detected.
    pub format: Option<Format>,
    /// The station wanted out of a file with several.
    pub station: Option<String>,
    /// The unit of a plain CSV whose header does not say.
    pub unit: Option<TemperatureUnit>,
}

/// A record as read.
#[derive(Debug, Clone, PartialEq)]
pub enum WeatherRecord {
    /// Daily extremes.
    Daily(StationSeries),
    /// Hourly temperatures.
    Hourly(HourlySeries),
}

/// Reads a station's record in any of the formats that hold one.
///
/// # Errors
/// [`FormatError`], with the line and how to mend it.
pub fn read_record(
    mut reader: impl BufRead,
    options: &ReadOptions,
) -> Result<WeatherRecord, FormatError> {
    let format = match options.format {
        Some(format) => format,
        None => {
            let head = reader.fill_buf().map_err(|source| FormatError::Io { line: 1, source })?;
            detect(head)?
        }
    };
    let station = options.station.as_deref();
    match format {
        Format::GhcnDly => ghcn_dly::read(reader, station).map(WeatherRecord::Daily),
        Format::GhcnCsv => ghcn_csv::read(reader, station).map(WeatherRecord::Daily),
        Format::GhcnAccess => ghcn_access::read(reader, station).map(WeatherRecord::Daily),
        Format::Plain => plain_csv::read(reader, options.unit),
        Format::Epw => Ok(WeatherRecord::Hourly(epw::read(reader)?.hourly_series())),
        Format::NwsGridpoint => {
            Ok(WeatherRecord::Hourly(nws::gridpoint::read(reader)?.hourly_series()))
        }
        Format::NwsForecast => nws::forecast::read(reader)?.into_record(),
        Format::NwsObservations => {
            Ok(WeatherRecord::Hourly(nws::observations::read(reader)?.hourly_series()))
        }
        Format::NormalsDaily | Format::NormalsMonthly => {
            Err(FormatError::NotARecord { format, holds: "normals, the means of many years" })
        }
    }
}
