//! Numbers that carry their unit, with the range in which they make sense.

use serde::{Deserialize, Serialize};

/// A number outside the range of its quantity.
#[derive(Debug, Clone, Copy, PartialEq, thiserror::Error)]
#[error("{value} is outside {low} to {high} {unit} for {what}")]
pub struct OutOfRange {
    /// The quantity's name.
    pub what: &'static str,
    /// What was given.
    pub value: f64,
    /// Smallest accepted value.
    pub low: f64,
    /// Largest accepted value.
    pub high: f64,
    /// The unit of all three numbers.
    pub unit: &'static str,
}

macro_rules! quantity {
    ($($(#[$doc:meta])* $name:ident, $what:literal, $unit:literal, $low:expr, $high:expr;)+) => {$(
        $(#[$doc])*
        #[derive(Debug, Clone, Copy, PartialEq, PartialOrd, Serialize, Deserialize)]
        #[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
        #[serde(try_from = "f64", into = "f64")]
        pub struct $name(f64);

        impl $name {
            /// Smallest accepted value.
            pub const MIN: f64 = $low;
            /// Largest accepted value.
            pub const MAX: f64 = $high;

            /// Checks the range; refuses what is not a finite number too.
            ///
            /// # Errors
            /// [`OutOfRange`] outside `MIN..=MAX`.
            pub fn new(value: f64) -> Result<Self, OutOfRange> {
                if (Self::MIN..=Self::MAX).contains(&value) {
                    Ok(Self(value))
                } else {
                    Err(OutOfRange { what: $what, value, low: Self::MIN, high: Self::MAX, unit: $unit })
                }
            }

            /// The bare number.
            #[must_use]
            pub const fn get(self) -> f64 {
                self.0
            }
        }

        impl TryFrom<f64> for $name {
            type Error = OutOfRange;
            fn try_from(value: f64) -> Result<Self, OutOfRange> {
                Self::new(value)
            }
        }

        impl From<$name> for f64 {
            fn from(value: $name) -> Self {
                value.0
            }
        }

        impl core::fmt::Display for $name {
            fn fmt(&self, f: &mut core::fmt::Formatter<'_>) -> core::fmt::Result {
                write!(f, "{} {}", self.0, $unit)
            }
        }
    )+};
}

quantity! {
    /// Air or part temperature. The range spans the records of weather and the inside of cabinets.
    Celsius, "temperature", "degC", -90.0, 200.0;
    /// Capacitance. Run capacitors reach about 100 uF; a reading may be zero (open).
    Microfarads, "capacitance", "uF", 0.0, 500.0;
    /// Voltage rating or measured voltage.
    Volts, "voltage", "V", 0.0, 1000.0;
    /// Current.
    Amperes, "current", "A", 0.0, 400.0;
    /// A probability.
    Probability, "probability", "(no unit)", 0.0, 1.0;
}

/// Degrees Celsius from degrees Fahrenheit.
#[must_use]
pub fn celsius_from_fahrenheit(fahrenheit: f64) -> f64 {
    (fahrenheit - 32.0) / 1.8
}

/// Degrees Fahrenheit from degrees Celsius.
#[must_use]
pub fn fahrenheit_from_celsius(celsius: f64) -> f64 {
    celsius.mul_add(1.8, 32.0)
}

/// What turns amperes over volts into microfarads at a mains frequency: `1e6 / (2 pi f)`.
#[must_use]
pub fn microfarads_per_ampere_per_volt(mains_hertz: f64) -> f64 {
    1e6 / (2.0 * core::f64::consts::PI * mains_hertz)
}

/// Capacitance of a run capacitor from volts across it and amperes through it while it runs.
///
/// ```text
/// C = I / (2 pi f V)
/// ```
/// In microfarads; at 60 Hz this is the technicians' 2652 x amperes / volts (common practice,
/// no source; the formula is the definition of capacitive reactance).
///
/// # Errors
/// [`OutOfRange`] if the voltage or frequency is not positive or the result is no plausible
/// capacitance.
pub fn microfarads_under_load(
    volts: Volts,
    amperes: Amperes,
    mains_hertz: f64,
) -> Result<Microfarads, OutOfRange> {
    if volts.get() <= 0.0 {
        return Err(OutOfRange {
            what: "voltage under load",
            value: volts.get(),
            low: f64::MIN_POSITIVE,
            high: Volts::MAX,
            unit: "V",
        });
    }
    Microfarads::new(microfarads_per_ampere_per_volt(mains_hertz) * amperes.get() / volts.get())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn volts_and_amperes_under_load_give_the_capacitance() {
        // Closed form C = I/(2 pi f V): 6 A at 353.7 V and 60 Hz is 45.0 uF.
        let c = microfarads_under_load(
            Volts::new(353.677_65).unwrap(),
            Amperes::new(6.0).unwrap(),
            60.0,
        )
        .unwrap();
        assert!((c.get() - 45.0).abs() < 1e-4);
    }

    #[test]
    fn nothing_measured_at_zero_volts_is_refused() {
        assert!(
            microfarads_under_load(Volts::new(0.0).unwrap(), Amperes::new(6.0).unwrap(), 60.0)
                .is_err()
        );
    }

    #[test]
    fn a_number_that_is_none_is_refused() {
        assert!(Microfarads::new(f64::NAN).is_err());
        assert!(Probability::new(1.01).is_err());
    }
}
