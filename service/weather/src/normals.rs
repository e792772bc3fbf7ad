//! What is usual on each day of the year, from a station's own record.
//!
//! Leap-day rule: smoothing runs on the circle of 365 days without 29 February (31 December is
//! next to 1 January); the smoothed 29 February is the mean of 28 February and 1 March; its raw
//! value is the mean of its leap years. NOAA smooths its own daily normals with harmonics instead,
//! so equality with them is not to be expected.

use chrono::{Datelike, NaiveDate};
use serde::{Deserialize, Serialize};

use crate::quantile::quantile_sorted;
use crate::series::StationSeries;

/// Slots of a leap year: 29 February is slot 59.
pub const SLOTS: usize = 366;
const LEAP_SLOT: usize = 59;
/// Width of the centred window over which normals are averaged.
pub const SMOOTHING_DAYS: usize = 15;

/// Index of a calendar day in a leap year, 0..366, the same in every year.
#[inline]
pub fn slot_of(date: NaiveDate) -> usize {
    let day = date.ordinal0() as usize;
    if day >= LEAP_SLOT && !date.leap_year() { day + 1 } else { day }
}

/// Mean by calendar day, raw and smoothed.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct DayOfYearNormals {
    raw: Vec<Option<f64>>,
    smoothed: Vec<Option<f64>>,
}

impl DayOfYearNormals {
    /// Means of values by their calendar day, smoothed over [`SMOOTHING_DAYS`].
    pub fn from_values(values: impl IntoIterator<Item = (NaiveDate, f64)>) -> Self {
        let mut sums = [(0.0_f64, 0_u32); SLOTS];
        for (date, value) in values {
            if let Some((sum, count)) = sums.get_mut(slot_of(date)) {
                *sum += value;
                *count += 1;
            }
        }
        let raw: Vec<Option<f64>> =
            sums.iter().map(|(sum, count)| (*count > 0).then(|| sum / f64::from(*count))).collect();
        let smoothed = smooth(&raw);
        Self { raw, smoothed }
    }

    /// The mean on that calendar day itself.
    pub fn raw(&self, date: NaiveDate) -> Option<f64> {
        self.raw.get(slot_of(date)).copied().flatten()
    }

    /// The smoothed mean.
    pub fn smoothed(&self, date: NaiveDate) -> Option<f64> {
        self.smoothed.get(slot_of(date)).copied().flatten()
    }

    /// Sum of the smoothed normals over an ordinary year of 365 days; none with a hole in it.
    pub fn yearly_total(&self) -> Option<f64> {
        let days = self.smoothed.iter().enumerate().filter(|(slot, _)| *slot != LEAP_SLOT);
        days.map(|(_, value)| *value).sum()
    }
}

fn smooth(raw: &[Option<f64>]) -> Vec<Option<f64>> {
    let circle: Vec<Option<f64>> = raw
        .iter()
        .enumerate()
        .filter(|(slot, _)| *slot != LEAP_SLOT)
        .map(|(_, value)| *value)
        .collect();
    let reach = SMOOTHING_DAYS / 2;
    let size = circle.len();
    let mut smoothed: Vec<Option<f64>> = (0..size)
        .map(|day| {
            let window = (0..SMOOTHING_DAYS).map(|step| (day + size + step - reach) % size);
            mean_of(window.filter_map(|at| circle.get(at).copied().flatten()))
        })
        .collect();
    let around = [LEAP_SLOT - 1, LEAP_SLOT].map(|day| smoothed.get(day).copied().flatten());
    smoothed.insert(LEAP_SLOT, mean_of(around.into_iter().flatten()));
    smoothed
}

fn mean_of(values: impl Iterator<Item = f64>) -> Option<f64> {
    let (sum, count) = values.fold((0.0, 0_u32), |(sum, count), v| (sum + v, count + 1));
    (count > 0).then(|| sum / f64::from(count))
}

/// Spread by calendar day: quantiles and standard deviation of the values of the fifteen calendar
/// days around it in all years.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct DayOfYearSpread {
    slots: Vec<Option<Spread>>,
}

/// The distribution of a value on one calendar day.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Spread {
    /// Tenth percentile.
    pub p10: f64,
    /// Median.
    pub p50: f64,
    /// Ninetieth percentile.
    pub p90: f64,
    /// Standard deviation about the mean (divisor n - 1).
    pub deviation: f64,
}

impl DayOfYearSpread {
    /// Pools the values of the fifteen calendar days around each day.
    pub fn from_values(values: impl IntoIterator<Item = (NaiveDate, f64)>) -> Self {
        let mut held = vec![Vec::new(); SLOTS];
        for (date, value) in values {
            if let Some(slot) = held.get_mut(slot_of(date)) {
                slot.push(value);
            }
        }
        let reach = SMOOTHING_DAYS / 2;
        let slots = (0..SLOTS).map(|day| {
            let mut pool: Vec<f64> = (0..SMOOTHING_DAYS)
                .filter_map(|step| held.get((day + SLOTS + step - reach) % SLOTS))
                .flatten()
                .copied()
                .collect();
            pool.sort_by(f64::total_cmp);
            spread_of(&pool)
        });
        Self { slots: slots.collect() }
    }

    /// The spread on a calendar day; none where fewer than two values are known around it.
    pub fn on(&self, date: NaiveDate) -> Option<Spread> {
        self.slots.get(slot_of(date)).copied().flatten()
    }
}

fn spread_of(ascending: &[f64]) -> Option<Spread> {
    if ascending.len() < 2 {
        return None;
    }
    let count = ascending.len() as f64;
    let mean = ascending.iter().sum::<f64>() / count;
    let squares: f64 = ascending.iter().map(|value| (value - mean).powi(2)).sum();
    Some(Spread {
        p10: quantile_sorted(ascending, 0.1)?,
        p50: quantile_sorted(ascending, 0.5)?,
        p90: quantile_sorted(ascending, 0.9)?,
        deviation: (squares / (count - 1.0)).sqrt(),
    })
}

/// The usual extremes of each calendar day and how far the daily mean strays from its normal.
#[derive(Debug, Clone, PartialEq)]
pub struct Climatology {
    /// Normal daily minimum, °C.
    pub tmin: DayOfYearNormals,
    /// Normal daily maximum, °C.
    pub tmax: DayOfYearNormals,
    deviation: Vec<Option<f64>>,
}

impl Climatology {
    /// From the days of a series in the given calendar years.
    pub fn of_series(series: &StationSeries, years: std::ops::RangeInclusive<i32>) -> Self {
        let days = || series.days.iter().filter(|day| years.contains(&day.date.year()));
        let tmin = DayOfYearNormals::from_values(days().map(|day| (day.date, day.tmin_celsius)));
        let tmax = DayOfYearNormals::from_values(days().map(|day| (day.date, day.tmax_celsius)));
        let squares = days().filter_map(|day| {
            let usual = f64::midpoint(tmin.smoothed(day.date)?, tmax.smoothed(day.date)?);
            Some((day.date, (day.mean_celsius() - usual).powi(2)))
        });
        let variance = DayOfYearNormals::from_values(squares);
        let deviation = variance.smoothed.iter().map(|v| v.map(f64::sqrt)).collect();
        Self { tmin, tmax, deviation }
    }

    /// Normal mean of the extremes, °C.
    pub fn mean_celsius(&self, date: NaiveDate) -> Option<f64> {
        Some(f64::midpoint(self.tmin.smoothed(date)?, self.tmax.smoothed(date)?))
    }

    /// Standard deviation of the daily mean about its normal, K.
    pub fn deviation_kelvin(&self, date: NaiveDate) -> Option<f64> {
        self.deviation.get(slot_of(date)).copied().flatten()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_calendar_day_has_the_same_slot_in_every_year() {
        let slot = |y, m, d| slot_of(NaiveDate::from_ymd_opt(y, m, d).unwrap());
        assert_eq!(slot(2023, 2, 28), slot(2024, 2, 28));
        assert_eq!(slot(2024, 2, 29), LEAP_SLOT);
        assert_eq!(slot(2023, 3, 1), slot(2024, 3, 1));
        assert_eq!(slot(2023, 12, 31), SLOTS - 1);
    }

    #[test]
    fn a_constant_record_has_constant_normals() {
        let first = NaiveDate::from_ymd_opt(2020, 1, 1).unwrap();
        let normals = DayOfYearNormals::from_values(first.iter_days().take(1461).map(|d| (d, 4.0)));
        assert!((normals.yearly_total().unwrap() - 4.0 * 365.0).abs() < 1e-9);
        let leap_day = NaiveDate::from_ymd_opt(2020, 2, 29).unwrap();
        assert!((normals.smoothed(leap_day).unwrap() - 4.0).abs() < 1e-12);
    }
}
