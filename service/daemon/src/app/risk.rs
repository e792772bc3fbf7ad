//! Risk of homes from the scores of their parts.

use std::collections::BTreeMap;

use chrono::NaiveDate;
use hotspell_domain::SiteId;

use super::fleet::Fleet;
use super::scoring::HorizonPoint;

/// The value of a curve on a day: straight lines between its points, 0 on the day of scoring,
/// level after the last point.
///
/// `points` ascend in time; the curve starts one step before the first point.
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
            (after.by - chrono::TimeDelta::days(step), 0.0)
        }
    };
    let span = f64::from(i32::try_from((after.by - from).num_days()).unwrap_or(i32::MAX));
    let gone = f64::from(i32::try_from((day - from).num_days()).unwrap_or(0)).max(0.0);
    low + (after.probability - low) * (gone / span.max(1.0))
}

/// For each home, the failures to be expected by each date: the sum over its parts.
#[must_use]
pub fn by_site(
    fleet: &Fleet,
    curves: &BTreeMap<hotspell_domain::ComponentId, Vec<HorizonPoint>>,
) -> BTreeMap<SiteId, Vec<HorizonPoint>> {
    let mut sites: BTreeMap<SiteId, Vec<HorizonPoint>> = BTreeMap::new();
    for component in fleet.living() {
        let (Some(unit), Some(curve)) = (fleet.unit_of(component), curves.get(&component.id))
        else {
            continue;
        };
        match sites.get_mut(&unit.site_id) {
            None => {
                sites.insert(unit.site_id, curve.clone());
            }
            Some(sum) => {
                // A home that was scored again after a result has other dates than the rest.
                let dates: Vec<NaiveDate> = sum.iter().map(|point| point.by).collect();
                for (index, date) in dates.into_iter().enumerate() {
                    let more = at(curve, date);
                    if let Some(point) = sum.get_mut(index) {
                        point.probability += more;
                    }
                }
            }
        }
    }
    sites
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
        assert!((at("2025-03-01") - 0.0).abs() < 1e-12);
        assert!((at("2025-03-02") - 0.01).abs() < 1e-12);
        assert!((at("2025-03-08") - 0.07).abs() < 1e-12);
        assert!((at("2025-03-09") - 0.09).abs() < 1e-12);
        assert!((at("2025-06-01") - 0.21).abs() < 1e-12);
    }
}
