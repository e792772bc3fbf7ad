//! What the days around a suspicious one read.

use chrono::{Days, NaiveDate};

use super::{RawDay, is_plausible};
use crate::quantile::quantile;

/// Fewer neighbours than this cannot explain anything.
const FEWEST_NEIGHBOURS: usize = 3;

/// Rows in order of date, looked at through a window around one of them.
pub(super) struct Neighbourhood<'a> {
    rows: &'a [RawDay],
    reach_days: u64,
}

impl<'a> Neighbourhood<'a> {
    pub(super) fn new(rows: &'a [RawDay], reach_days: i64) -> Self {
        Self { rows, reach_days: reach_days.unsigned_abs() }
    }

    /// Median of the plausible, unflagged maxima around a day; none with fewer than three.
    pub(super) fn median_tmax(&self, date: NaiveDate) -> Option<f64> {
        self.median(date, |row| row.tmax_celsius)
    }

    /// Median of the plausible, unflagged minima around a day; none with fewer than three.
    pub(super) fn median_tmin(&self, date: NaiveDate) -> Option<f64> {
        self.median(date, |row| row.tmin_celsius)
    }

    fn median(&self, date: NaiveDate, element: fn(&RawDay) -> Option<f64>) -> Option<f64> {
        let reach = Days::new(self.reach_days);
        let from = date.checked_sub_days(reach).unwrap_or(date);
        let to = date.checked_add_days(reach).unwrap_or(date);
        let start = self.rows.partition_point(|row| row.date < from);
        let end = self.rows.partition_point(|row| row.date <= to);
        let values: Vec<f64> = self
            .rows
            .get(start..end)?
            .iter()
            .filter(|row| row.date != date && row.flag.is_none())
            .filter_map(element)
            .filter(|value| is_plausible(*value))
            .collect();
        if values.len() < FEWEST_NEIGHBOURS {
            return None;
        }
        quantile(&values, 0.5)
    }
}
