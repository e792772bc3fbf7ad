//! Several stations for one site: weights by distance and elevation.

use thiserror::Error;

use crate::series::DailyTemperature;

/// Fall of temperature with height in the standard atmosphere, K/m (ICAO, ISO 2533:1975).
pub const LAPSE_KELVIN_PER_METER: f64 = 0.0065;
/// Distance within which two places count as one, m; keeps a station next door from being all.
const SOFTENING_METERS: f64 = 1_000.0;
/// A difference in elevation of one metre estranges like this many metres of distance: 100 m of
/// height as 10 km of way (common practice, no source).
const HEIGHT_FACTOR: f64 = 100.0;

/// How a station lies to a site.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct StationPlace {
    /// Way over ground, m.
    pub distance_meters: f64,
    /// Elevation of the station less that of the site, m.
    pub higher_by_meters: f64,
}

/// Nothing to weigh.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Error)]
pub enum StationWeightError {
    /// No station given.
    #[error("a site needs at least one station")]
    NoStation,
    /// A distance or elevation that is not a number.
    #[error("distance and elevation of station {index} must be finite numbers")]
    NotFinite {
        /// Which, from zero.
        index: usize,
    },
}

/// Inverse-square weights that sum to one, in the order of the stations.
///
/// # Errors
/// [`StationWeightError`] for an empty list or a number that is not finite.
pub fn station_weights(stations: &[StationPlace]) -> Result<Vec<f64>, StationWeightError> {
    if stations.is_empty() {
        return Err(StationWeightError::NoStation);
    }
    let finite =
        |at: &StationPlace| at.distance_meters.is_finite() && at.higher_by_meters.is_finite();
    if let Some(index) = stations.iter().position(|at| !finite(at)) {
        return Err(StationWeightError::NotFinite { index });
    }
    let inverse = |at: &StationPlace| {
        let height = HEIGHT_FACTOR * at.higher_by_meters;
        1.0 / (at.distance_meters.powi(2) + height.powi(2) + SOFTENING_METERS.powi(2))
    };
    let sum: f64 = stations.iter().map(inverse).sum();
    Ok(stations.iter().map(|at| inverse(at) / sum).collect())
}

/// One day at a site from those stations that have it: weighted, brought to the site's elevation,
/// the weights of absent stations shared among the others. None when no station has the day.
pub fn day_at_site(
    stations: &[(StationPlace, Option<DailyTemperature>)],
) -> Option<DailyTemperature> {
    let present: Vec<(StationPlace, DailyTemperature)> =
        stations.iter().filter_map(|(place, day)| Some((*place, (*day)?))).collect();
    let places: Vec<StationPlace> = present.iter().map(|(place, _)| *place).collect();
    let weights = station_weights(&places).ok()?;
    let (first, _) = present.first().map(|(_, day)| (day.date, ()))?;
    let mut site = DailyTemperature { date: first, tmin_celsius: 0.0, tmax_celsius: 0.0 };
    for ((place, day), weight) in present.iter().zip(weights) {
        // A station above the site is colder than the site.
        let correction = place.higher_by_meters * LAPSE_KELVIN_PER_METER;
        site.tmin_celsius += weight * (day.tmin_celsius + correction);
        site.tmax_celsius += weight * (day.tmax_celsius + correction);
    }
    Some(site)
}

#[cfg(test)]
mod tests {
    use chrono::NaiveDate;

    use super::*;

    fn day(celsius: f64) -> DailyTemperature {
        let date = NaiveDate::from_ymd_opt(2024, 7, 1).unwrap();
        DailyTemperature { date, tmin_celsius: celsius - 10.0, tmax_celsius: celsius }
    }

    #[test]
    fn a_station_twice_as_far_counts_about_a_quarter() {
        let at = |km: f64| StationPlace { distance_meters: km * 1000.0, higher_by_meters: 0.0 };
        let weights = station_weights(&[at(20.0), at(40.0)]).unwrap();
        assert!((weights[0] / weights[1] - 4.0).abs() < 0.02);
    }

    #[test]
    fn a_station_on_the_hill_is_warmed_to_the_valley() {
        let hill = StationPlace { distance_meters: 5_000.0, higher_by_meters: 400.0 };
        let site = day_at_site(&[(hill, Some(day(30.0)))]).unwrap();
        assert!((site.tmax_celsius - 32.6).abs() < 1e-9);
    }

    #[test]
    fn a_silent_station_leaves_its_weight_to_the_others() {
        let at = StationPlace { distance_meters: 5_000.0, higher_by_meters: 0.0 };
        let site = day_at_site(&[(at, None), (at, Some(day(30.0)))]).unwrap();
        assert!((site.tmax_celsius - 30.0).abs() < 1e-12);
        assert_eq!(day_at_site(&[(at, None)]), None);
    }
}
