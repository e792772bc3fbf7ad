//! The daily record of one station.

use chrono::{Datelike, NaiveDate};
use serde::{Deserialize, Serialize};

use crate::quality::Finding;

/// The extremes of one local calendar day, both present and believed.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct DailyTemperature {
    /// Local calendar day at the station.
    pub date: NaiveDate,
    /// Lowest temperature of the day, °C.
    pub tmin_celsius: f64,
    /// Highest temperature of the day, °C.
    pub tmax_celsius: f64,
}

impl DailyTemperature {
    /// The mean of the two extremes, °C.
    pub fn mean_celsius(&self) -> f64 {
        f64::midpoint(self.tmin_celsius, self.tmax_celsius)
    }
}

/// A stretch of calendar days, both ends included.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub struct DayRange {
    /// First day.
    pub first: NaiveDate,
    /// Last day; not before `first`.
    pub last: NaiveDate,
}

impl DayRange {
    /// How many calendar days the range holds; 0 when the ends are swapped.
    pub fn days(&self) -> usize {
        usize::try_from((self.last - self.first).num_days() + 1).unwrap_or(0)
    }

    /// The part that both ranges share, if any.
    pub fn intersection(self, other: Self) -> Option<Self> {
        let shared = Self { first: self.first.max(other.first), last: self.last.min(other.last) };
        (shared.first <= shared.last).then_some(shared)
    }

    /// The calendar days in order.
    pub fn iter(&self) -> impl Iterator<Item = NaiveDate> + use<> {
        self.first.iter_days().take(self.days())
    }
}

/// One station's record: the days that count, and what was found on the way.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct StationSeries {
    /// The source's identifier, such as `USW00023183`; empty when the source names none.
    pub station: String,
    /// The days that count, each date once, in order. A day absent from here is missing.
    pub days: Vec<DailyTemperature>,
    /// The calendar stretch that the source covers, with its missing days; none when empty.
    pub covered: Option<DayRange>,
    /// What was wrong with the input, in order of day.
    pub findings: Vec<Finding>,
}

impl StationSeries {
    /// A series of days that are known to be sound, such as those of the store.
    ///
    /// Days are sorted; of a date given twice the later entry wins.
    pub fn from_days(station: impl Into<String>, days: Vec<DailyTemperature>) -> Self {
        let mut days = days;
        // Reversed before the stable sort, so that of equal dates the later entry comes first.
        days.reverse();
        days.sort_by_key(|day| day.date);
        days.dedup_by_key(|day| day.date);
        let covered = match (days.first(), days.last()) {
            (Some(first), Some(last)) => Some(DayRange { first: first.date, last: last.date }),
            _ => None,
        };
        Self { station: station.into(), days, covered, findings: Vec::new() }
    }

    /// The days that count inside a range, as a slice.
    pub fn days_within(&self, range: DayRange) -> &[DailyTemperature] {
        let start = self.days.partition_point(|day| day.date < range.first);
        let end = self.days.partition_point(|day| day.date <= range.last);
        self.days.get(start..end).unwrap_or(&[])
    }

    /// The day, if it counts.
    pub fn day(&self, date: NaiveDate) -> Option<&DailyTemperature> {
        let at = self.days.binary_search_by_key(&date, |day| day.date).ok()?;
        self.days.get(at)
    }

    /// The calendar stretch that the source covers inside one calendar year.
    pub fn covered_in_year(&self, year: i32) -> Option<DayRange> {
        self.covered?.intersection(year_range(year)?)
    }

    /// First and last calendar year that the source touches.
    pub fn years(&self) -> Option<std::ops::RangeInclusive<i32>> {
        self.covered.map(|covered| covered.first.year()..=covered.last.year())
    }
}

/// 1 January to 31 December; none for a year that the calendar cannot express.
pub fn year_range(year: i32) -> Option<DayRange> {
    Some(DayRange {
        first: NaiveDate::from_ymd_opt(year, 1, 1)?,
        last: NaiveDate::from_ymd_opt(year, 12, 31)?,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn day(d: u32, tmax: f64) -> DailyTemperature {
        let date = NaiveDate::from_ymd_opt(2024, 2, d).unwrap();
        DailyTemperature { date, tmin_celsius: 0.0, tmax_celsius: tmax }
    }

    #[test]
    fn a_correction_given_later_replaces_the_first_value() {
        let series = StationSeries::from_days("x", vec![day(2, 5.0), day(1, 1.0), day(2, 7.0)]);
        let highs: Vec<f64> = series.days.iter().map(|day| day.tmax_celsius).collect();
        assert_eq!(highs, [1.0, 7.0]);
    }

    #[test]
    fn days_within_includes_both_ends() {
        let series = StationSeries::from_days("x", (1..=29).map(|d| day(d, 1.0)).collect());
        let range = DayRange { first: day(28, 0.0).date, last: day(29, 0.0).date };
        assert_eq!(series.days_within(range).len(), range.days());
    }
}
