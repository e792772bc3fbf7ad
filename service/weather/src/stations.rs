//! Several stations for one site: weights by distance and elevation.

use chrono::NaiveDate;
use thiserror::Error;

use crate::series::{DailyTemperature, StationSeries};

/// Fall of temperature with height in the standard atmosphere, K/m (ICAO, ISO 2533:1975).
pub const LAPSE_KELVIN_PER_METER: f64 = 0.0065;
/// Distance within which two places count as one, m; keeps a station next door from being all.
const SOFTENING_METERS: f64 = 1_000.0;
/// A difference in elevation of one metre estranges like this many metres of distance: 100 m of
/// height as 10 km of way (common practice, no source).
const HEIGHT_FACTOR: f64 = 100.0;

/// A station with less than this share of a site's weight is left out (common practice, no source):
/// what it says changes nothing, and a correction of it need not be followed.
pub const LEAST_WEIGHT: f64 = 0.01;
/// Days that two stations must both have before one can stand in for the other: a year, since their
/// difference has seasons (common practice, no source).
pub const FEWEST_COMMON_DAYS: usize = 365;

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

/// The weights of a site: inverse-square, in whole millionths so that they can be written down as
/// they are, without the stations that hardly count; they sum to one.
///
/// # Errors
/// As [`station_weights`].
pub fn site_weights(stations: &[StationPlace]) -> Result<Vec<f64>, StationWeightError> {
    let mut weights = station_weights(stations)?;
    for weight in &mut weights {
        if *weight < LEAST_WEIGHT {
            *weight = 0.0;
        }
    }
    let sum: f64 = weights.iter().sum();
    for weight in &mut weights {
        *weight = (*weight / sum * 1e6).round() / 1e6;
    }
    // What rounding leaves over goes to the heaviest.
    let left = 1.0 - weights.iter().sum::<f64>();
    if let Some(heaviest) = weights.iter_mut().max_by(|a, b| a.total_cmp(b)) {
        *heaviest = ((*heaviest + left) * 1e6).round() / 1e6;
    }
    Ok(weights)
}

/// Too little in common.
#[derive(Debug, Clone, PartialEq, Eq, Error)]
#[error(
    "stations {station} and {lender} have {common} days in common, {FEWEST_COMMON_DAYS} are needed to let one stand in for the other"
)]
pub struct TooLittleInCommon {
    /// The station with holes.
    pub station: String,
    /// The station that was to stand in.
    pub lender: String,
    /// Days that both have.
    pub common: usize,
}

/// A station's record on every day of another's.
#[derive(Debug, Clone, PartialEq)]
pub struct CompletedSeries {
    /// The days of the lender, each with the station's own values where it has them.
    pub series: StationSeries,
    /// The days that are the lender's, in order.
    pub lent: Vec<NaiveDate>,
}

/// Lets a neighbour without holes stand in on the days that a station lacks, its extremes moved by
/// the mean difference on the days that both have (the difference method of climatology; common
/// practice, no source). Days outside of the neighbour's record are left out.
///
/// # Errors
/// [`TooLittleInCommon`] with less than a year of common days.
pub fn completed(
    record: &StationSeries,
    lender: &StationSeries,
) -> Result<CompletedSeries, TooLittleInCommon> {
    let own: Vec<Option<DailyTemperature>> =
        lender.days.iter().map(|day| record.day(day.date).copied()).collect();
    let common = || lender.days.iter().zip(&own).filter_map(|(day, own)| Some((day, (*own)?)));
    let count = common().count();
    if count < FEWEST_COMMON_DAYS {
        return Err(TooLittleInCommon {
            station: record.station.clone(),
            lender: lender.station.clone(),
            common: count,
        });
    }
    let mean = |apart: fn(&DailyTemperature, &DailyTemperature) -> f64| {
        common().map(|(day, own)| apart(&own, day)).sum::<f64>() / count as f64
    };
    let (low, high) = (
        mean(|own, lent| own.tmin_celsius - lent.tmin_celsius),
        mean(|own, lent| own.tmax_celsius - lent.tmax_celsius),
    );
    let days = lender.days.iter().zip(&own).map(|(lent, own)| {
        own.unwrap_or_else(|| {
            let (tmin, tmax) = (lent.tmin_celsius + low, lent.tmax_celsius + high);
            DailyTemperature {
                date: lent.date,
                tmin_celsius: tmin.min(tmax),
                tmax_celsius: tmax.max(tmin),
            }
        })
    });
    let days = days.collect();
    let series = StationSeries::from_days(record.station.clone(), days);
    let lent = lender.days.iter().zip(&own).filter(|(_, own)| own.is_none());
    Ok(CompletedSeries { series, lent: lent.map(|(day, _)| day.date).collect() })
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
    fn a_station_that_hardly_counts_is_left_out_and_the_rest_sum_to_one() {
        let at = |km: f64| StationPlace { distance_meters: km * 1000.0, higher_by_meters: 0.0 };
        let weights = site_weights(&[at(3.0), at(7.0), at(80.0)]).unwrap();
        assert!(weights[2].abs() < f64::EPSILON);
        assert!((weights.iter().sum::<f64>() - 1.0).abs() < 1e-12);
        assert!(weights.iter().all(|w| ((w * 1e6).round() - w * 1e6).abs() < 1e-6));
        assert!((site_weights(&[at(3.0)]).unwrap()[0] - 1.0).abs() < f64::EPSILON);
    }

    /// Two years of a lender and a station three degrees colder by night, one by day.
    fn pair(own: impl Fn(usize) -> bool) -> (StationSeries, StationSeries) {
        let first = NaiveDate::from_ymd_opt(2022, 1, 1).unwrap();
        let usual = |at: usize| 25.0 + 10.0 * (at as f64 / 58.0).sin();
        let lent = |at: usize| DailyTemperature {
            date: first + chrono::Days::new(at as u64),
            tmin_celsius: usual(at) - 12.0,
            tmax_celsius: usual(at),
        };
        let colder = |at: usize| DailyTemperature {
            tmin_celsius: lent(at).tmin_celsius - 3.0,
            tmax_celsius: lent(at).tmax_celsius - 1.0,
            ..lent(at)
        };
        let record = (0..730).filter(|at| own(*at)).map(colder).collect();
        (
            StationSeries::from_days("HILL", record),
            StationSeries::from_days("VALLEY", (0..730).map(lent).collect()),
        )
    }

    #[test]
    fn a_lent_day_is_moved_by_the_difference_of_the_two_stations() {
        let whole = pair(|_| true).0;
        let (holed, lender) = pair(|at| at >= 300);
        let filled = completed(&holed, &lender).unwrap();
        assert_eq!(filled.lent.len(), 300);
        assert_eq!(filled.lent.last(), NaiveDate::from_ymd_opt(2022, 10, 27).as_ref());
        assert_eq!(filled.series.station, "HILL");
        for (got, true_day) in filled.series.days.iter().zip(&whole.days) {
            assert_eq!(got.date, true_day.date);
            assert!((got.tmin_celsius - true_day.tmin_celsius).abs() < 1e-9);
            assert!((got.tmax_celsius - true_day.tmax_celsius).abs() < 1e-9);
        }
    }

    #[test]
    fn less_than_a_year_in_common_is_refused() {
        let (short, lender) = pair(|at| at < 364);
        assert_eq!(completed(&short, &lender).unwrap_err().common, 364);
        let (enough, lender) = pair(|at| at < 365);
        assert!(completed(&enough, &lender).is_ok());
    }

    #[test]
    fn a_silent_station_leaves_its_weight_to_the_others() {
        let at = StationPlace { distance_meters: 5_000.0, higher_by_meters: 0.0 };
        let site = day_at_site(&[(at, None), (at, Some(day(30.0)))]).unwrap();
        assert!((site.tmax_celsius - 30.0).abs() < 1e-12);
        assert_eq!(day_at_site(&[(at, None)]), None);
    }
}
