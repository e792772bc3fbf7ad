//! Degrees Celsius inside, degrees Fahrenheit where the trade and the weather service count in them.

use std::fmt;

use serde::{Deserialize, Serialize};

/// The highest shade temperature on Earth that the World Meteorological Organization recognises:
/// Furnace Creek, 10 July 1913, 134 °F (WMO archive of weather extremes).
pub const HIGHEST_RECORDED_CELSIUS: f64 = 56.7;

/// A floor below every inhabited place's record (Oymyakon, about -68 °C); colder is a fault.
pub const LOWEST_PLAUSIBLE_CELSIUS: f64 = -70.0;

/// The unit in which a base, a file or a result is expressed.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
pub enum TemperatureUnit {
    /// Degrees Celsius.
    #[serde(rename = "C")]
    Celsius,
    /// Degrees Fahrenheit.
    #[serde(rename = "F")]
    Fahrenheit,
}

impl From<hotspell_domain::TemperatureUnit> for TemperatureUnit {
    /// The unit in which a branch's people read temperatures.
    fn from(unit: hotspell_domain::TemperatureUnit) -> Self {
        match unit {
            hotspell_domain::TemperatureUnit::DegC => Self::Celsius,
            hotspell_domain::TemperatureUnit::DegF => Self::Fahrenheit,
        }
    }
}

impl TemperatureUnit {
    /// A temperature in degrees Celsius, expressed in this unit, not rounded.
    pub fn from_celsius(self, celsius: f64) -> f64 {
        match self {
            Self::Celsius => celsius,
            Self::Fahrenheit => fahrenheit_from_celsius(celsius),
        }
    }

    /// A temperature in this unit, expressed in degrees Celsius, not rounded.
    pub fn to_celsius(self, degrees: f64) -> f64 {
        match self {
            Self::Celsius => degrees,
            Self::Fahrenheit => celsius_from_fahrenheit(degrees),
        }
    }

    /// `C` or `F`.
    pub fn symbol(self) -> &'static str {
        match self {
            Self::Celsius => "C",
            Self::Fahrenheit => "F",
        }
    }
}

impl fmt::Display for TemperatureUnit {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.symbol())
    }
}

/// Exact conversion, not rounded.
pub fn fahrenheit_from_celsius(celsius: f64) -> f64 {
    celsius * 9.0 / 5.0 + 32.0
}

/// Exact conversion, not rounded.
pub fn celsius_from_fahrenheit(fahrenheit: f64) -> f64 {
    (fahrenheit - 32.0) * 5.0 / 9.0
}

/// The whole degree Fahrenheit that a station read, given its archive value in degrees Celsius.
///
/// U.S. stations read whole °F; archives keep tenths of °C, so 90 °F returns as 89.96. Thresholds
/// in °F must be compared with the reading, not with the archive's value. Halves round up.
pub fn whole_fahrenheit(celsius: f64) -> f64 {
    (fahrenheit_from_celsius(celsius) + 0.5).floor()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn ninety_fahrenheit_survives_the_archive() {
        assert!((fahrenheit_from_celsius(32.2) - 89.96).abs() < 1e-12);
        assert_eq!(whole_fahrenheit(32.2).to_bits(), 90.0_f64.to_bits());
    }

    #[test]
    fn every_whole_fahrenheit_reading_survives_tenths_of_celsius() {
        for reading in -60..=134 {
            let archived = (celsius_from_fahrenheit(f64::from(reading)) * 10.0).round() / 10.0;
            assert!((whole_fahrenheit(archived) - f64::from(reading)).abs() < 0.5, "{reading}");
        }
    }
}
