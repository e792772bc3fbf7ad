//! What a station's own record makes plausible on a day of the year.
//!
//! Rule: six standard deviations from the mean of the fifteen calendar days around it in all years,
//! as GHCN-Daily's climatological outlier check has it (NCEI, GHCN-Daily, quality control: «exceed
//! the respective 15-day climatological means by at least six standard deviations»; Durre et al.,
//! J. Appl. Meteor. Climatol. 49 (2010) 1615-1633). Mean and deviation are the biweight ones and a
//! window needs a hundred values (both from memory of that paper), so that the value in question
//! hardly moves the range that it is judged by.

use chrono::NaiveDate;

use super::{ExpectedRange, Finding, FindingKind, Remedy};
use crate::normals::{SLOTS, SMOOTHING_DAYS, slot_of};
use crate::series::DailyTemperature;

/// Deviations from the mean at which a value is outside.
const DEVIATIONS: f64 = 6.0;
/// Fewer values than this make no range.
const FEWEST_VALUES: usize = 100;
/// Median absolute deviations at which a value stops counting (from memory: Lanzante, Int. J.
/// Climatol. 16 (1996) 1197-1226).
const BIWEIGHT_REACH: f64 = 7.5;

/// Reports the days whose minimum or maximum lies outside; the values stand, since a record day is
/// what a season is planned for.
pub(super) fn outside(days: &[DailyTemperature]) -> Vec<Finding> {
    let highs = Ranges::of(days, |day| day.tmax_celsius);
    let lows = Ranges::of(days, |day| day.tmin_celsius);
    let mut findings = Vec::new();
    for day in days {
        for (name, ranges, celsius) in
            [("maximum", &highs, day.tmax_celsius), ("minimum", &lows, day.tmin_celsius)]
        {
            let Some(range) = ranges.on(day.date).filter(|range| !range.holds(celsius)) else {
                continue;
            };
            findings.push(Finding {
                finding: FindingKind::OutsideStationRange,
                first_day: day.date,
                last_day: day.date,
                value_celsius: Some(celsius),
                expected_celsius: Some(range),
                remedy: Remedy::Kept,
                detail: format!(
                    "the {name} of {celsius:.1} degC is outside what the station's own record \
                     makes plausible around this day, {:.1} to {:.1} degC; kept, look at it",
                    range.lowest, range.highest
                ),
            });
        }
    }
    findings
}

/// The plausible range of one element by calendar day.
struct Ranges {
    slots: Vec<Option<ExpectedRange>>,
}

impl Ranges {
    fn of(days: &[DailyTemperature], element: fn(&DailyTemperature) -> f64) -> Self {
        if days.len() < FEWEST_VALUES {
            return Self { slots: Vec::new() };
        }
        let mut held = vec![Vec::new(); SLOTS];
        for day in days {
            if let Some(slot) = held.get_mut(slot_of(day.date)) {
                slot.push(element(day));
            }
        }
        let reach = SMOOTHING_DAYS / 2;
        let mut pool = Vec::new();
        let slots = (0..SLOTS).map(|day| {
            pool.clear();
            for step in 0..SMOOTHING_DAYS {
                pool.extend(held.get((day + SLOTS + step - reach) % SLOTS).into_iter().flatten());
            }
            plausible(&mut pool)
        });
        Self { slots: slots.collect() }
    }

    fn on(&self, date: NaiveDate) -> Option<ExpectedRange> {
        self.slots.get(slot_of(date)).copied().flatten()
    }
}

/// Six biweight deviations around the biweight mean; none of too few values, or of values of which
/// more than half are one and the same.
fn plausible(values: &mut [f64]) -> Option<ExpectedRange> {
    if values.len() < FEWEST_VALUES {
        return None;
    }
    let median = median(values)?;
    let mut apart: Vec<f64> = values.iter().map(|value| (value - median).abs()).collect();
    let reach = BIWEIGHT_REACH * self::median(&mut apart)?;
    if reach <= 0.0 {
        return None;
    }
    let (mut weights, mut weighted, mut squares, mut slopes) = (0.0, 0.0, 0.0, 0.0);
    for value in values.iter() {
        let away = value - median;
        let inside = 1.0 - (away / reach).powi(2);
        if inside <= 0.0 {
            continue;
        }
        weights += inside.powi(2);
        weighted += away * inside.powi(2);
        squares += away.powi(2) * inside.powi(4);
        slopes += inside * (5.0 * inside - 4.0);
    }
    let mean = median + weighted / weights;
    let deviation = (values.len() as f64 * squares).sqrt() / slopes.abs();
    let half = DEVIATIONS * deviation;
    half.is_finite().then_some(ExpectedRange { lowest: mean - half, highest: mean + half })
}

/// The middle value, of an even number the upper of the two.
fn median(values: &mut [f64]) -> Option<f64> {
    if values.is_empty() {
        return None;
    }
    let middle = values.len() / 2;
    Some(*values.select_nth_unstable_by(middle, f64::total_cmp).1)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Normal values of mean 30 and deviation 2 at the middles of equal slices of probability.
    fn normal_values(count: usize) -> Vec<f64> {
        use statrs::distribution::{ContinuousCDF, Normal};
        let law = Normal::new(30.0, 2.0).unwrap();
        (0..count).map(|at| law.inverse_cdf((at as f64 + 0.5) / count as f64)).collect()
    }

    #[test]
    fn the_range_of_normal_values_is_six_deviations_to_either_side() {
        let range = plausible(&mut normal_values(900)).unwrap();
        assert!(
            (range.lowest - 18.0).abs() < 0.3 && (range.highest - 42.0).abs() < 0.3,
            "{range:?}"
        );
    }

    #[test]
    fn a_wild_value_hardly_moves_the_range_it_is_judged_by() {
        let clean = plausible(&mut normal_values(900)).unwrap();
        let mut values = normal_values(900);
        values.push(55.0);
        let range = plausible(&mut values).unwrap();
        assert!((range.highest - clean.highest).abs() < 0.05, "{range:?}");
        assert!(!range.holds(55.0));
    }

    /// astropy 8.0.2: `biweight_location` and `biweight_scale` with c = 7.5 about the median give
    /// 30.110088764934 and 3.5908460383296386 for these values.
    #[test]
    fn mean_and_deviation_are_those_of_astropy() {
        let mut values: Vec<f64> = (0..120_u32)
            .map(|i| {
                let step = f64::from(i * 37 % 11) - 5.0;
                let value = 30.0 + 4.0 * (f64::from(i) * 1.7).sin() + step * 0.3;
                (value * 10.0).round() / 10.0
            })
            .chain([55.0, -12.0, 41.0])
            .collect();
        let range = plausible(&mut values).unwrap();
        assert!((range.lowest - 8.565_012_534_956_171).abs() < 1e-9, "{range:?}");
        assert!((range.highest - 51.655_164_994_911_83).abs() < 1e-9, "{range:?}");
    }

    #[test]
    fn ninety_nine_values_make_no_range() {
        assert_eq!(plausible(&mut normal_values(99)), None);
        assert!(plausible(&mut normal_values(100)).is_some());
    }
}
