//! The probability of failing as a curve over days, and sums of such curves.

use chrono::{NaiveDate, TimeDelta};
use serde::{Deserialize, Serialize};

/// The probability of failing by one day.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct HorizonPoint {
    /// By the beginning of this day.
    pub by: NaiveDate,
    /// Probability, given that the part works on the day of scoring.
    pub probability: f64,
    /// Lower bound from the uncertainty of the parameters.
    pub low: f64,
    /// Upper bound.
    pub high: f64,
}

/// The value of a curve on a day: straight lines between its points, 0 on the day of scoring,
/// level after the last point.
///
/// `points` ascend in time. The day of scoring lies one step before the first point.
#[must_use]
pub fn at(points: &[HorizonPoint], day: NaiveDate) -> f64 {
    let next = points.partition_point(|point| point.by < day);
    let Some(after) = points.get(next) else {
        return points.last().map_or(0.0, |last| last.probability);
    };
    let (from, low) = match next.checked_sub(1).and_then(|index| points.get(index)) {
        Some(before) => (before.by, before.probability),
        None => {
            let step = points.get(1).map_or(7, |second| (second.by - after.by).num_days());
            (after.by - TimeDelta::days(step), 0.0)
        }
    };
    let days = |span: TimeDelta| f64::from(i32::try_from(span.num_days()).unwrap_or(i32::MAX));
    low + (after.probability - low) * (days(day - from).max(0.0) / days(after.by - from).max(1.0))
}

/// Adds one part's curve to a sum over parts: the failures to be expected by each date of the
/// sum. The curves may have other dates; bounds are not added up.
pub fn add(sum: &mut Vec<HorizonPoint>, curve: &[HorizonPoint]) {
    if sum.is_empty() {
        sum.extend_from_slice(curve);
        return;
    }
    for point in sum {
        point.probability += at(curve, point.by);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn point(day: &str, probability: f64) -> HorizonPoint {
        HorizonPoint { by: day.parse().unwrap(), probability, low: 0.0, high: 1.0 }
    }

    #[test]
    fn risk_grows_in_straight_lines_from_nothing_and_stays_after_the_last_date() {
        let curve = [point("2025-03-08", 0.07), point("2025-03-15", 0.21)];
        let at = |day: &str| at(&curve, day.parse().unwrap());
        assert!(at("2025-03-01").abs() < 1e-12);
        assert!((at("2025-03-02") - 0.01).abs() < 1e-12);
        assert!((at("2025-03-08") - 0.07).abs() < 1e-12);
        assert!((at("2025-03-09") - 0.09).abs() < 1e-12);
        assert!((at("2025-06-01") - 0.21).abs() < 1e-12);
    }

    #[test]
    fn two_parts_expect_the_sum_of_their_failures() {
        let mut sum = Vec::new();
        add(&mut sum, &[point("2025-03-08", 0.1), point("2025-03-15", 0.2)]);
        add(&mut sum, &[point("2025-03-08", 0.1), point("2025-03-15", 0.4)]);
        assert!((sum[1].probability - 0.6).abs() < 1e-12);
    }
}
