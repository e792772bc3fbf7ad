//! From temperature to the run hours of a unit and the temperature of its parts while it runs.
//!
//! Model: the share of time that the unit runs grows in a straight line from the house's balance
//! point to the design temperature, and a unit larger than the design load runs less:
//!
//! ```text
//! f(T) = clamp((T - balance) / ((design - balance) * oversize), 0, 1)
//! ```
//!
//! Sources: the straight line is the degree-day assumption of the ASHRAE Handbook, Fundamentals,
//! chapter "Energy Estimating and Modeling Methods" (from memory); sizing by design temperature and
//! oversize as in ACCA Manual J and Manual S (from memory). Load follows the dry bulb, not the heat
//! index. Clock hours of a cycling unit exceed these full-load hours; starts rise, hours do not.

use serde::{Deserialize, Serialize};
use std::f64::consts::{FRAC_PI_2, PI};

use crate::degree_days::formula::sine_excess;
use crate::series::DailyTemperature;

/// How a house loads its unit.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct HouseLoad {
    /// Outdoor temperature above which the house needs cooling, °C.
    pub balance_celsius: f64,
    /// Outdoor temperature for which the load was reckoned, °C; above the balance point.
    pub design_celsius: f64,
    /// Capacity over design load; 1 is exact, 1.15 usual practice (Manual S limit, from memory).
    pub oversize: f64,
}

/// Where a part sits.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct PartEnvironment {
    /// Rise of the air around the part over outdoors while the unit runs, K. The condenser's air
    /// leaves 8 to 14 K warmer than it came (common practice, no source).
    pub cabinet_rise_kelvin: f64,
    /// Further rise in full sun, K: 5 to 10 (common practice, no source).
    pub sun_rise_kelvin: f64,
    /// Share of the running time in which the cabinet stands in the sun, 0..=1.
    pub sunlit_share: f64,
}

impl PartEnvironment {
    /// Mean rise of the part's surroundings over outdoors while running, K.
    pub fn rise_kelvin(&self) -> f64 {
        self.cabinet_rise_kelvin + self.sun_rise_kelvin * self.sunlit_share.clamp(0.0, 1.0)
    }
}

/// What one day asked of a part.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct DayExposure {
    /// Full-load hours run, 0..=24.
    pub run_hours: f64,
    /// Mean temperature around the part while running, °C; the outdoor maximum plus the rise on a
    /// day without running, where nothing is weighted by it.
    pub part_celsius: f64,
}

/// Narrowest span from balance to saturation that is reckoned with, K; keeps a nonsensical house
/// (design at or below the balance point) a unit that is either off or on.
const NARROWEST_SPAN_KELVIN: f64 = 1e-6;

impl HouseLoad {
    fn span_kelvin(&self) -> f64 {
        ((self.design_celsius - self.balance_celsius) * self.oversize).max(NARROWEST_SPAN_KELVIN)
    }

    /// Share of the time that the unit runs at a steady outdoor temperature.
    pub fn run_share(&self, celsius: f64) -> f64 {
        ((celsius - self.balance_celsius) / self.span_kelvin()).clamp(0.0, 1.0)
    }

    /// Run hours of a day whose temperature is a sine between its extremes.
    pub fn run_hours(&self, tmin_celsius: f64, tmax_celsius: f64) -> f64 {
        let span = self.span_kelvin();
        let base = self.balance_celsius;
        let running = sine_excess(tmin_celsius, tmax_celsius, base)
            - sine_excess(tmin_celsius, tmax_celsius, base + span);
        24.0 * running / span
    }

    /// Run hours of a day from its hours; each stands for an equal part of the day.
    pub fn run_hours_of_hours(&self, hourly_celsius: &[f64]) -> f64 {
        if hourly_celsius.is_empty() {
            return 0.0;
        }
        let sum: f64 = hourly_celsius.iter().map(|celsius| self.run_share(*celsius)).sum();
        24.0 * sum / hourly_celsius.len() as f64
    }

    /// Run hours, and the outdoor temperature that prevails while running, °C, of a sine day.
    ///
    /// Both in closed form: with T = M + W sin x, x from -pi/2 to pi/2, the unit runs partly between
    /// the crossings of balance and saturation and fully beyond.
    pub fn run_hours_and_outdoor_celsius(
        &self,
        tmin_celsius: f64,
        tmax_celsius: f64,
    ) -> (f64, f64) {
        let span = self.span_kelvin();
        let base = self.balance_celsius;
        if tmax_celsius <= base {
            return (0.0, tmax_celsius);
        }
        let mean = f64::midpoint(tmin_celsius, tmax_celsius);
        let half = (tmax_celsius - tmin_celsius) / 2.0;
        if half <= 0.0 {
            return (24.0 * self.run_share(mean), mean);
        }
        let crossing = |level: f64| ((level - mean) / half).clamp(-1.0, 1.0).asin();
        let (starts, saturates) = (crossing(base), crossing(base + span));
        // Antiderivatives of f(T) and T f(T) between the crossings.
        let (sin_a, cos_a) = starts.sin_cos();
        let (sin_b, cos_b) = saturates.sin_cos();
        let width = saturates - starts;
        let sines = cos_a - cos_b;
        let squares = (width - (sin_b * cos_b - sin_a * cos_a)) / 2.0;
        let partly = ((mean - base) * width + half * sines) / span;
        let partly_warm = (mean * (mean - base) * width
            + half * (2.0 * mean - base) * sines
            + half * half * squares)
            / span;
        let full = FRAC_PI_2 - saturates;
        let full_warm = mean * full + half * cos_b;
        let running = partly + full;
        if running <= 1e-12 {
            return (0.0, tmax_celsius);
        }
        (24.0 * running / PI, (partly_warm + full_warm) / running)
    }

    /// Run hours and part temperature of one day.
    pub fn exposure(&self, day: &DailyTemperature, part: &PartEnvironment) -> DayExposure {
        let (run_hours, outdoor) =
            self.run_hours_and_outdoor_celsius(day.tmin_celsius, day.tmax_celsius);
        DayExposure { run_hours, part_celsius: outdoor + part.rise_kelvin() }
    }

    /// The same for each day of a series, in order.
    pub fn exposures(&self, days: &[DailyTemperature], part: &PartEnvironment) -> Vec<DayExposure> {
        days.iter().map(|day| self.exposure(day, part)).collect()
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    proptest! {
        #[test]
        fn the_closed_form_agrees_with_summing_over_the_day(
            tmin in 0.0..35.0f64, range in 0.1..22.0f64,
            balance in 12.0..26.0f64, design in 28.0..46.0f64, oversize in 0.8..1.6f64,
        ) {
            let load = HouseLoad { balance_celsius: balance, design_celsius: design, oversize };
            let tmax = tmin + range;
            let steps = 4000;
            let (mut hours, mut warm) = (0.0, 0.0);
            for step in 0..steps {
                let angle = (f64::from(step) + 0.5) / f64::from(steps) * PI - FRAC_PI_2;
                let celsius = f64::midpoint(tmin, tmax) + range / 2.0 * angle.sin();
                hours += load.run_share(celsius);
                warm += load.run_share(celsius) * celsius;
            }
            let (run_hours, outdoor) = load.run_hours_and_outdoor_celsius(tmin, tmax);
            prop_assert!((run_hours - 24.0 * hours / f64::from(steps)).abs() < 1e-3);
            prop_assert!((run_hours - load.run_hours(tmin, tmax)).abs() < 1e-9);
            if run_hours > 0.05 {
                prop_assert!((outdoor - warm / hours).abs() < 2e-3, "{outdoor} {}", warm / hours);
            }
        }

        #[test]
        fn a_hotter_day_never_runs_less(tmin in 0.0..35.0f64, range in 0.0..22.0f64, more in 0.0..10.0f64) {
            let load = HouseLoad { balance_celsius: 18.3, design_celsius: 40.0, oversize: 1.15 };
            let (here, there) = (load.run_hours(tmin, tmin + range), load.run_hours(tmin + more, tmin + range + more));
            prop_assert!(there >= here - 1e-9 && there <= 24.0 + 1e-9);
        }
    }

    #[test]
    fn a_cool_day_runs_nothing() {
        let load = HouseLoad { balance_celsius: 18.3, design_celsius: 40.0, oversize: 1.15 };
        assert!(load.run_hours_and_outdoor_celsius(2.0, 18.3).0.abs() < 1e-12);
    }
}
