//! How much faster or slower than the reference part a component gathers heat.
//!
//! The heat of a station is reckoned once per class for a reference part: in the shade, at the
//! reference voltage. A component's own heat is that times its rate, a constant of the component,
//! so that one series of days serves all of them.

use hotspell_domain::{ComponentClass, Exposure, VoltageRating};

use crate::heat_age::AgingLaw;

/// Rise of the air in a shaded outdoor cabinet over outdoors while the unit runs, kelvin
/// (condenser air leaves 8 to 14 K warmer than it came: common practice, no source).
pub const CABINET_RISE_KELVIN: f64 = 12.0;

/// Further rise in full sun, kelvin (5 to 10: common practice, no source); half of it in part sun.
pub const SUN_RISE_KELVIN: f64 = 6.0;

/// Supply of the reference part, volts.
pub const REFERENCE_SUPPLY_VOLTS: f64 = 240.0;

/// Rating of the reference capacitor, volts: the usual 440 or 370/440 V can.
pub const REFERENCE_RATED_VOLTS: f64 = 440.0;

/// Rise over the reference part's surroundings, kelvin.
#[must_use]
pub const fn sun_rise_kelvin(exposure: Exposure) -> f64 {
    match exposure {
        Exposure::Sun => SUN_RISE_KELVIN,
        Exposure::PartSun => SUN_RISE_KELVIN / 2.0,
        Exposure::Shade => 0.0,
    }
}

/// Voltage stress relative to the reference capacitor. The voltage across a run capacitor is
/// proportional to the supply, so its factor cancels.
#[must_use]
pub fn voltage_ratio(supply_volts: f64, rated: VoltageRating) -> f64 {
    (supply_volts / REFERENCE_SUPPLY_VOLTS) / (rated.volts() / REFERENCE_RATED_VOLTS)
}

/// Equivalent hours that a component gathers per equivalent hour of the reference part.
///
/// `capacitor`: supply volts and voltage rating, for run capacitors whose rating is known. A
/// blower motor and its capacitor sit indoors: the sun does not reach them, which the caller says
/// with [`Exposure::Shade`]. Exact for the halving rule; for Arrhenius taken at the reference
/// temperature.
#[must_use]
pub fn heat_rate(
    class: ComponentClass,
    exposure: Exposure,
    capacitor: Option<(f64, VoltageRating)>,
) -> f64 {
    let law = AgingLaw::of_class(class);
    let warm = law.reference_celsius + sun_rise_kelvin(exposure);
    let sun = law.temperature.factor(law.reference_celsius, warm);
    let voltage =
        capacitor.map_or(1.0, |(supply, rated)| law.voltage_factor(voltage_ratio(supply, rated)));
    sun * voltage
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_reference_part_gathers_one_hour_per_hour() {
        let rate = heat_rate(
            ComponentClass::RunCapacitorDual,
            Exposure::Shade,
            Some((240.0, VoltageRating::V370Or440)),
        );
        assert!((rate - 1.0).abs() < 1e-12);
    }

    #[test]
    fn sun_and_a_lower_rating_age_a_capacitor_faster_but_not_a_contactor() {
        let rate = |class, rated| heat_rate(class, Exposure::Sun, Some((240.0, rated)));
        let dual = ComponentClass::RunCapacitorDual;
        // Halving per 10 K: 6 K more are 2^0.6.
        assert!((rate(dual, VoltageRating::V440) - 0.6_f64.exp2()).abs() < 1e-12);
        assert!(rate(dual, VoltageRating::V370) > rate(dual, VoltageRating::V440));
        assert!((heat_rate(ComponentClass::Contactor, Exposure::Sun, None) - 1.0).abs() < 1e-12);
    }
}
