//! Which trips are known, and what to ask for the rest.

use std::collections::BTreeMap;

use hotspell_store::travel::TravelTimesRecord;

use super::engine::{Answer, Question};
use crate::app::AppError;

/// Parts of a degree to which positions are rounded: about a metre.
const STEPS_PER_DEGREE: f64 = 1e5;
const NOT_KNOWN: i32 = -1;
const NO_ROAD: i32 = -2;

/// A rounded position, in steps north and east.
type Spot = (i64, i64);

/// What is known of the trips between some places.
#[derive(Debug)]
pub(super) struct Known {
    spots: Vec<Spot>,
    /// The spot of each location that was given.
    spot_of: Vec<usize>,
    by_key: BTreeMap<i64, usize>,
    /// Seconds from spot to spot, row = from.
    seconds: Vec<i32>,
}

impl Known {
    /// Nothing yet, of places given by latitude and longitude in degrees.
    pub(super) fn of(positions_deg: &[(f64, f64)]) -> Self {
        let (mut spots, mut by_key) = (Vec::new(), BTreeMap::new());
        let spot_of = positions_deg
            .iter()
            .map(|&(latitude, longitude)| {
                let spot = (steps(latitude), steps(longitude));
                *by_key.entry(key(spot)).or_insert_with(|| {
                    spots.push(spot);
                    spots.len() - 1
                })
            })
            .collect();
        let seconds = vec![NOT_KNOWN; spots.len() * spots.len()];
        Self { spots, spot_of, by_key, seconds }
    }

    /// Trips between different spots, each way.
    pub(super) fn trips(&self) -> usize {
        self.spots.len() * self.spots.len().saturating_sub(1)
    }

    /// Trips with a time.
    pub(super) fn count(&self) -> usize {
        self.seconds.iter().filter(|seconds| **seconds >= 0).count()
    }

    /// Trips for which the engine knows no road.
    pub(super) fn without_road(&self) -> usize {
        self.seconds.iter().filter(|seconds| **seconds == NO_ROAD).count()
    }

    /// Takes over what was stored; trips of places that are not asked about are passed over.
    pub(super) fn recall(&mut self, row: &TravelTimesRecord) -> Result<(), AppError> {
        let Some(&from) = self.by_key.get(&row.origin) else { return Ok(()) };
        let damaged = |error| AppError::internal(format!("travel times row {}", row.id), error);
        let destinations: Vec<i64> = serde_json::from_str(&row.destinations).map_err(damaged)?;
        let seconds: Vec<Option<i32>> = serde_json::from_str(&row.seconds).map_err(damaged)?;
        for (to, seconds) in destinations.iter().zip(seconds) {
            if let Some(&to) = self.by_key.get(to) {
                self.set(from, to, seconds);
            }
        }
        Ok(())
    }

    fn set(&mut self, from: usize, to: usize, seconds: Option<i32>) {
        if from != to {
            self.seconds[from * self.spots.len() + to] = seconds.unwrap_or(NO_ROAD);
        }
    }

    /// Takes over an answer; gives it back by origin, for the store.
    pub(super) fn learn(&mut self, answer: &Answer) -> Vec<(i64, Vec<Option<i32>>)> {
        let mut by_origin = Vec::new();
        for (&from, row) in answer.question.origins.iter().zip(&answer.seconds) {
            for (&to, seconds) in answer.question.destinations.iter().zip(row) {
                self.set(from, to, *seconds);
            }
            by_origin.push((key(self.spots[from]), row.clone()));
        }
        by_origin
    }

    /// The numbers under which spots are stored.
    pub(super) fn keys(&self, spots: &[usize]) -> Vec<i64> {
        spots.iter().map(|&spot| key(self.spots[spot])).collect()
    }

    /// Longitude and latitude of each spot, as the engine reads them.
    pub(super) fn coordinates(&self) -> Vec<String> {
        let degrees = |steps: i64| steps as f64 / STEPS_PER_DEGREE;
        let text = |&(north, east): &Spot| format!("{:.5},{:.5}", degrees(east), degrees(north));
        self.spots.iter().map(text).collect()
    }

    /// Questions for every trip that is not known, each about so many places at most.
    pub(super) fn questions(&self, places: usize) -> Vec<Question> {
        let (n, half) = (self.spots.len(), (places / 2).max(1));
        let missing =
            |from: usize, to: usize| from != to && self.seconds[from * n + to] == NOT_KNOWN;
        let all: Vec<usize> = (0..n).collect();
        let mut questions = Vec::new();
        for destinations in all.chunks(half) {
            let origins: Vec<usize> =
                (0..n).filter(|&from| destinations.iter().any(|&to| missing(from, to))).collect();
            for origins in origins.chunks(half) {
                let wanted = |to: &usize| origins.iter().any(|&from| missing(from, *to));
                questions.push(Question {
                    origins: origins.to_vec(),
                    destinations: destinations.iter().copied().filter(wanted).collect(),
                });
            }
        }
        questions
    }

    /// Seconds of driving between the locations, row = from; `None` where they are to be estimated.
    pub(super) fn driving_s(&self) -> Vec<Option<i32>> {
        let n = self.spots.len();
        let trip = |from: usize, to: usize| {
            Some(self.seconds[from * n + to]).filter(|seconds| *seconds >= 0)
        };
        let row = |&from: &usize| self.spot_of.iter().map(move |&to| trip(from, to));
        self.spot_of.iter().flat_map(row).collect()
    }
}

#[expect(clippy::cast_possible_truncation, reason = "degrees are checked before they are stored")]
fn steps(degrees: f64) -> i64 {
    (degrees * STEPS_PER_DEGREE).round() as i64
}

/// One number for a spot: rows of the globe from south to north.
const fn key((north, east): Spot) -> i64 {
    (north + 9_000_000) * 36_000_001 + east + 18_000_000
}
