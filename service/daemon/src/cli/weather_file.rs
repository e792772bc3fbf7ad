//! Reading weather files and printing answers, for the commands that work on plain files.

use std::fs::File;
use std::io::{self, BufRead, BufReader, Write};
use std::path::Path;

use hotspell_weather::formats::{Format, ReadOptions, WeatherRecord, read_record};
use hotspell_weather::temperature::TemperatureUnit;
use serde::Serialize;

use super::CommandError;

/// Large enough that a file is read at the speed of the disk.
const BUFFER_BYTES: usize = 1 << 18;

/// A temperature unit on the command line.
#[derive(Debug, Clone, Copy, clap::ValueEnum)]
pub(super) enum UnitName {
    /// Degrees Celsius
    #[value(name = "C", alias = "c")]
    C,
    /// Degrees Fahrenheit
    #[value(name = "F", alias = "f")]
    F,
}

impl From<UnitName> for TemperatureUnit {
    fn from(name: UnitName) -> Self {
        match name {
            UnitName::C => Self::Celsius,
            UnitName::F => Self::Fahrenheit,
        }
    }
}

/// Reads a file, or standard input for `-`.
pub(super) fn read_file(
    path: &Path,
    format: Option<Format>,
    station: Option<String>,
    unit: Option<UnitName>,
) -> Result<WeatherRecord, CommandError> {
    let wrong = |error: &dyn std::error::Error| {
        let mut text = format!("{}: {error}", path.display());
        let mut source = error.source();
        while let Some(cause) = source {
            text.push_str(&format!(": {cause}"));
            source = cause.source();
        }
        CommandError::Input(text)
    };
    let reader: Box<dyn BufRead> = if path == Path::new("-") {
        Box::new(BufReader::with_capacity(BUFFER_BYTES, io::stdin()))
    } else {
        let file = File::open(path).map_err(|error| wrong(&error))?;
        Box::new(BufReader::with_capacity(BUFFER_BYTES, file))
    };
    let options = ReadOptions { format, station, unit: unit.map(TemperatureUnit::from) };
    read_record(reader, &options).map_err(|error| wrong(&error))
}

/// Writes an answer to standard output. A reader that has seen enough (`| head`) is no failure.
pub(super) fn print_json(answer: &impl Serialize) -> Result<(), CommandError> {
    let mut text = serde_json::to_vec_pretty(answer).map_err(CommandError::failure)?;
    text.push(b'\n');
    match io::stdout().lock().write_all(&text) {
        Err(error) if error.kind() != io::ErrorKind::BrokenPipe => {
            Err(CommandError::failure(error))
        }
        _ => Ok(()),
    }
}
