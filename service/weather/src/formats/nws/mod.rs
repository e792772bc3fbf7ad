//! The U.S. National Weather Service's public API: what its JSON says, as plain values.

pub mod forecast;
pub mod gridpoint;
pub mod observations;

mod interval;

use std::io::BufRead;

use serde::de::DeserializeOwned;

pub use self::interval::{Interval, parse_interval};
use super::FormatError;
use crate::temperature::TemperatureUnit;

/// An answer longer than this is not one of these documents.
const LONGEST_ANSWER_BYTES: u64 = 64 << 20;

fn document<T: DeserializeOwned>(
    reader: impl BufRead,
    expected: &'static str,
) -> Result<T, FormatError> {
    serde_json::from_reader(reader.take(LONGEST_ANSWER_BYTES))
        .map_err(|error| FormatError::Json { expected, problem: error.to_string() })
}

/// `wmoUnit:degC`, `unit:degC`, `C`, `F` and the like.
fn unit_of_code(code: &str) -> Option<TemperatureUnit> {
    match code.rsplit(':').next()? {
        "degC" | "C" => Some(TemperatureUnit::Celsius),
        "degF" | "F" => Some(TemperatureUnit::Fahrenheit),
        _ => None,
    }
}
