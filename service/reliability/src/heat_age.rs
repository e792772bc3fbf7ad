//! Heat age: how much of its life a part has used, in equivalent run hours at rated conditions.
//!
//! ```text
//! heat age = sum over days of run_hours * temperature_factor(part temperature) * ratio^exponent
//! ```
//! Linear accumulation of damage (M. Miner, J. Appl. Mech. 12 (1945) A159) with a temperature law
//! and the inverse power law of voltage (W. Nelson, Accelerated Testing, Wiley 1990, chapter 2).

use hotspell_domain::ComponentClass;
use serde::{Deserialize, Serialize};

/// Boltzmann constant in electronvolts per kelvin (CODATA 2018).
pub const BOLTZMANN_EV_PER_KELVIN: f64 = 8.617_333_262e-5;
/// 0 degrees Celsius in kelvin.
pub const ZERO_CELSIUS_KELVIN: f64 = 273.15;

/// How ageing quickens with temperature.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum TemperatureLaw {
    /// Life halves with every so many kelvin.
    Halving {
        /// Kelvin that halve life.
        kelvin: f64,
    },
    /// Arrhenius law.
    Arrhenius {
        /// Activation energy in electronvolts.
        activation_energy_ev: f64,
    },
    /// Temperature does not matter.
    None,
}

impl TemperatureLaw {
    /// Factor by which ageing at `celsius` is faster than at `reference_celsius`.
    #[must_use]
    pub fn factor(self, reference_celsius: f64, celsius: f64) -> f64 {
        match self {
            Self::Halving { kelvin } => ((celsius - reference_celsius) / kelvin).exp2(),
            Self::Arrhenius { activation_energy_ev } => {
                let reference = 1.0 / (reference_celsius + ZERO_CELSIUS_KELVIN);
                let here = 1.0 / (celsius + ZERO_CELSIUS_KELVIN);
                (activation_energy_ev / BOLTZMANN_EV_PER_KELVIN * (reference - here)).exp()
            }
            Self::None => 1.0,
        }
    }
}

/// Activation energy that quickens ageing two-fold per `kelvin` around `around_celsius`
/// (half a step below to half a step above), in electronvolts.
#[must_use]
pub fn activation_energy_of_halving_ev(kelvin: f64, around_celsius: f64) -> f64 {
    let low = around_celsius + ZERO_CELSIUS_KELVIN - kelvin / 2.0;
    BOLTZMANN_EV_PER_KELVIN * core::f64::consts::LN_2 * low * (low + kelvin) / kelvin
}

/// Conditions under which one hour counts as one hour, and what other conditions cost.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct AgingLaw {
    /// Law of temperature.
    pub temperature: TemperatureLaw,
    /// Temperature of the part at which an hour counts as one, degrees Celsius.
    pub reference_celsius: f64,
    /// Exponent of voltage over rated voltage.
    pub voltage_exponent: f64,
}

/// Input that gives no heat age.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum HeatAgeError {
    /// The two series differ in length.
    #[error("{run_hours} days of run hours but {part_celsius} part temperatures")]
    Lengths {
        /// Days with run hours.
        run_hours: usize,
        /// Days with a temperature.
        part_celsius: usize,
    },
    /// A value that cannot be.
    #[error("day {day}: {what} is {value}; expected {expected}")]
    Value {
        /// Index of the day, from 0.
        day: usize,
        /// Which value.
        what: &'static str,
        /// The value.
        value: f64,
        /// What would be accepted.
        expected: &'static str,
    },
    /// A voltage ratio that cannot be.
    #[error("voltage over rated voltage is {0}; expected a number above 0 and at most 3")]
    VoltageRatio(f64),
}

impl AgingLaw {
    /// The law used for a class of component.
    ///
    /// Run capacitors: life halves per 10 K (the ten-degree rule, common practice, about 0.70 eV
    /// at 70 degrees Celsius; 8 K is reported by M. Kong & Y. Lee, IEEE Trans. Dielectr. Electr.
    /// Insul. 11(6), 2004), voltage exponent 9 (the middle of 7 to 10, usual for metallised
    /// polypropylene, from memory; makers' life classes imply 9.3 and more), both counted from
    /// the 70 degrees Celsius of the climatic category.
    /// Motors and compressors: ten-degree rule of winding insulation (common practice, no
    /// source), counted from 90 degrees Celsius, no voltage law. Contactors: hours alone.
    #[must_use]
    pub const fn of_class(class: ComponentClass) -> Self {
        let halving = TemperatureLaw::Halving { kelvin: 10.0 };
        match class {
            ComponentClass::RunCapacitorSingle | ComponentClass::RunCapacitorDual => {
                Self { temperature: halving, reference_celsius: 70.0, voltage_exponent: 9.0 }
            }
            ComponentClass::FanMotor | ComponentClass::BlowerMotor | ComponentClass::Compressor => {
                Self { temperature: halving, reference_celsius: 90.0, voltage_exponent: 0.0 }
            }
            ComponentClass::Contactor => Self {
                temperature: TemperatureLaw::None,
                reference_celsius: 40.0,
                voltage_exponent: 0.0,
            },
        }
    }

    /// Equivalent hours at rated conditions per hour at `part_celsius` and voltage over rated
    /// voltage `voltage_ratio`.
    #[must_use]
    pub fn factor(&self, part_celsius: f64, voltage_ratio: f64) -> f64 {
        self.temperature.factor(self.reference_celsius, part_celsius)
            * self.voltage_factor(voltage_ratio)
    }

    /// The part of [`Self::factor`] that comes from voltage: a constant of the component, by
    /// which a series reckoned at rated voltage may be multiplied afterwards.
    #[must_use]
    pub fn voltage_factor(&self, voltage_ratio: f64) -> f64 {
        voltage_ratio.powf(self.voltage_exponent)
    }

    /// Equivalent hours at rated conditions of every day.
    ///
    /// `run_hours`: hours the machine ran, 0 to 24. `part_celsius`: temperature of the part while
    /// it ran. `voltage_ratio`: volts across the part over its rated volts.
    ///
    /// # Errors
    /// [`HeatAgeError`] names the day and the value that cannot be.
    pub fn daily_equivalent_hours(
        &self,
        run_hours: &[f64],
        part_celsius: &[f64],
        voltage_ratio: f64,
    ) -> Result<Vec<f64>, HeatAgeError> {
        if run_hours.len() != part_celsius.len() {
            return Err(HeatAgeError::Lengths {
                run_hours: run_hours.len(),
                part_celsius: part_celsius.len(),
            });
        }
        if !(voltage_ratio > 0.0 && voltage_ratio <= 3.0) {
            return Err(HeatAgeError::VoltageRatio(voltage_ratio));
        }
        let voltage = self.voltage_factor(voltage_ratio);
        run_hours
            .iter()
            .zip(part_celsius)
            .enumerate()
            .map(|(day, (&hours, &celsius))| {
                let refuse =
                    |what, value, expected| HeatAgeError::Value { day, what, value, expected };
                if !(0.0..=24.0).contains(&hours) {
                    return Err(refuse("run hours", hours, "0 to 24 hours"));
                }
                if !(-60.0..=200.0).contains(&celsius) {
                    return Err(refuse("part temperature", celsius, "-60 to 200 degrees Celsius"));
                }
                Ok(hours * self.temperature.factor(self.reference_celsius, celsius) * voltage)
            })
            .collect()
    }
}

/// Running total: element `i` is the heat gathered up to and including day `i`.
#[must_use]
pub fn cumulative(daily: &[f64]) -> Vec<f64> {
    daily
        .iter()
        .scan(0.0, |total, day| {
            *total += day;
            Some(*total)
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn ten_kelvin_more_count_double() {
        let law = AgingLaw::of_class(ComponentClass::RunCapacitorDual);
        assert!((law.factor(80.0, 1.0) / law.factor(70.0, 1.0) - 2.0).abs() < 1e-12);
    }

    #[test]
    fn an_hour_at_rated_conditions_is_one_hour_of_heat_age() {
        for class in ComponentClass::ALL {
            let law = AgingLaw::of_class(*class);
            assert!((law.factor(law.reference_celsius, 1.0) - 1.0).abs() < 1e-12);
        }
    }

    #[test]
    fn a_day_of_25_hours_is_refused_with_its_number() {
        let law = AgingLaw::of_class(ComponentClass::Contactor);
        let refusal = law.daily_equivalent_hours(&[3.0, 25.0], &[40.0, 40.0], 1.0).unwrap_err();
        assert_eq!(refusal.to_string(), "day 1: run hours is 25; expected 0 to 24 hours");
    }

    #[test]
    fn the_running_total_ends_at_the_sum() {
        assert_eq!(cumulative(&[1.0, 2.0, 4.0]), vec![1.0, 3.0, 7.0]);
    }
}
