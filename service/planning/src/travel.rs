//! Travel times between locations: one trait, three sources, and a dense table for the solver.
//!
//! A location is an index into the caller's list of places (homes, technicians' starts and ends).

use std::sync::Arc;

use hotspell_domain::Position;

use crate::error::PlanningError;

/// Most locations of one problem: the dense table of the solver then takes under 1 GiB.
pub const MAX_LOCATIONS: usize = 15_000;

/// Longest travel time that the solver accepts, in seconds (about 46 days).
pub const MAX_TRAVEL_S: i32 = 4_000_000;

/// Where travel times come from: a formula, a file, a routing engine's table.
pub trait TravelTimes {
    /// Number of locations.
    fn locations(&self) -> usize;

    /// Whole seconds of travel from one location to another; zero from a location to itself.
    fn seconds(&self, from: usize, to: usize) -> i32;

    /// Whether `seconds(a, c) <= seconds(a, b) + seconds(b, c)` up to rounding. Lets the solver skip full
    /// days sooner; `false` is always safe.
    fn obeys_triangle_inequality(&self) -> bool {
        false
    }
}

/// Great-circle distance times a detour factor at a constant speed, plus a fixed time at the door.
#[derive(Debug, Clone, PartialEq)]
pub struct GreatCircle {
    /// Latitude and longitude of each location in degrees (WGS 84).
    pub positions_deg: Vec<(f64, f64)>,
    /// Road distance over great-circle distance.
    pub detour: f64,
    /// Mean speed on the road in metres per second.
    pub speed_m_per_s: f64,
    /// Seconds to park and walk up, added to each trip between different places.
    pub door_s: i32,
}

impl GreatCircle {
    /// The defaults of the season problem: detour 1.3, 38 km/h, two minutes at the door.
    #[must_use]
    pub fn with_defaults(positions_deg: Vec<(f64, f64)>) -> Self {
        Self { positions_deg, detour: 1.3, speed_m_per_s: 38.0 / 3.6, door_s: 120 }
    }

    /// Great-circle distance in metres.
    #[must_use]
    pub fn distance_m(from_deg: (f64, f64), to_deg: (f64, f64)) -> f64 {
        let position = |(latitude_degrees, longitude_degrees)| Position {
            latitude_degrees,
            longitude_degrees,
        };
        position(from_deg).distance_meters(&position(to_deg))
    }
}

impl TravelTimes for GreatCircle {
    fn locations(&self) -> usize {
        self.positions_deg.len()
    }

    fn seconds(&self, from: usize, to: usize) -> i32 {
        let (a, b) = (self.positions_deg[from], self.positions_deg[to]);
        if a == b {
            return 0;
        }
        let seconds = Self::distance_m(a, b) * self.detour / self.speed_m_per_s;
        // The cast saturates; the table rejects what is too long.
        self.door_s.saturating_add(seconds.round() as i32)
    }

    fn obeys_triangle_inequality(&self) -> bool {
        true
    }
}

/// Driving times that a routing engine gave, plus the time at the door; where it gave none, an estimate.
#[derive(Debug, Clone, PartialEq)]
pub struct RoadTimes {
    /// For trips that the engine does not know.
    pub estimate: GreatCircle,
    /// Seconds of driving from each location to each, row = from; `None` = not known. Empty = none is.
    pub driving_s: Vec<Option<i32>>,
}

impl TravelTimes for RoadTimes {
    fn locations(&self) -> usize {
        self.estimate.locations()
    }

    fn seconds(&self, from: usize, to: usize) -> i32 {
        if self.estimate.positions_deg[from] == self.estimate.positions_deg[to] {
            return 0;
        }
        let known = self.driving_s.get(from * self.locations() + to).copied().flatten();
        known.map_or_else(
            || self.estimate.seconds(from, to),
            |driving| driving.saturating_add(self.estimate.door_s),
        )
    }

    fn obeys_triangle_inequality(&self) -> bool {
        self.driving_s.is_empty()
    }
}

/// Whole metres in the plane, with the travel formula of the season files (see `docs/planning.md`):
/// `120 + floor(floor(distance) * 123 / 1000)` seconds, zero in place.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct PlanarMetres {
    /// Easting and northing of each location in metres.
    pub positions_m: Vec<(i32, i32)>,
}

impl TravelTimes for PlanarMetres {
    fn locations(&self) -> usize {
        self.positions_m.len()
    }

    fn seconds(&self, from: usize, to: usize) -> i32 {
        let (a, b) = (self.positions_m[from], self.positions_m[to]);
        if a == b {
            return 0;
        }
        let dx = i64::from(a.0) - i64::from(b.0);
        let dy = i64::from(a.1) - i64::from(b.1);
        let metres = (dx.unsigned_abs().pow(2) + dy.unsigned_abs().pow(2)).isqrt();
        i32::try_from(120 + metres * 123 / 1000).unwrap_or(i32::MAX)
    }

    fn obeys_triangle_inequality(&self) -> bool {
        true
    }
}

/// A dense table of seconds, row by row; what the solver and the checker read.
///
/// Also the way in for a routing engine's matrix.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct TravelTable {
    locations: usize,
    outward: Arc<[i32]>,
    inward: Arc<[i32]>,
    triangle: bool,
}

impl TravelTable {
    /// Fills the table from any source.
    ///
    /// # Errors
    /// If there are too many locations or a time is negative or too long.
    pub fn build(times: &impl TravelTimes) -> Result<Self, PlanningError> {
        let n = times.locations();
        check_locations(n)?;
        let mut seconds = vec![0; n * n];
        for from in 0..n {
            for to in 0..n {
                seconds[from * n + to] = times.seconds(from, to);
            }
        }
        Self::new(n, seconds, times.obeys_triangle_inequality())
    }

    /// Takes a matrix of `locations x locations` seconds, row = from, column = to. The diagonal must be zero.
    ///
    /// # Errors
    /// If the size does not fit or a time is negative or too long.
    pub fn from_matrix(locations: usize, seconds: Vec<i32>) -> Result<Self, PlanningError> {
        check_locations(locations)?;
        Self::new(locations, seconds, false)
    }

    fn new(n: usize, seconds: Vec<i32>, triangle: bool) -> Result<Self, PlanningError> {
        if seconds.len() != n * n {
            return Err(PlanningError::MatrixSize { locations: n, cells: seconds.len() });
        }
        for (cell, &value) in seconds.iter().enumerate() {
            let (from, to) = (cell / n, cell % n);
            if !(0..=MAX_TRAVEL_S).contains(&value) || (from == to && value != 0) {
                return Err(PlanningError::TravelTime { from, to, seconds: value });
            }
        }
        let symmetric = (0..n).all(|i| (0..i).all(|j| seconds[i * n + j] == seconds[j * n + i]));
        let outward: Arc<[i32]> = seconds.into();
        let inward = if symmetric {
            Arc::clone(&outward)
        } else {
            (0..n * n).map(|cell| outward[(cell % n) * n + cell / n]).collect()
        };
        Ok(Self { locations: n, outward, inward, triangle })
    }

    /// The same table with so many seconds more on the given trips (a blocked road); both ways if wanted
    /// by giving both pairs. Pairs of one place are passed over.
    ///
    /// # Errors
    /// If a location is unknown or a time becomes too long.
    pub fn with_delays(
        &self,
        trips: &[(usize, usize)],
        extra_s: i32,
    ) -> Result<Self, PlanningError> {
        let n = self.locations;
        let mut seconds = self.outward.to_vec();
        for &(from, to) in trips.iter().filter(|(from, to)| from != to) {
            if from >= n || to >= n {
                return Err(PlanningError::Content(format!(
                    "the trip from {from} to {to} is not between two of the {n} locations"
                )));
            }
            let cell = &mut seconds[from * n + to];
            *cell = cell.saturating_add(extra_s);
        }
        Self::new(n, seconds, false)
    }

    /// Times from `location` to each location.
    #[must_use]
    pub fn row_from(&self, location: usize) -> &[i32] {
        &self.outward[location * self.locations..][..self.locations]
    }

    /// Times from each location to `location`.
    #[must_use]
    pub fn row_to(&self, location: usize) -> &[i32] {
        &self.inward[location * self.locations..][..self.locations]
    }
}

fn check_locations(locations: usize) -> Result<(), PlanningError> {
    if locations > MAX_LOCATIONS {
        return Err(PlanningError::TooMany {
            what: "locations",
            count: locations,
            limit: MAX_LOCATIONS,
        });
    }
    Ok(())
}

impl TravelTimes for TravelTable {
    fn locations(&self) -> usize {
        self.locations
    }

    fn seconds(&self, from: usize, to: usize) -> i32 {
        self.outward[from * self.locations + to]
    }

    fn obeys_triangle_inequality(&self) -> bool {
        self.triangle
    }
}

/// How much slower than nominal the roads are through the day, as a step function.
///
/// Speeds, not times, change at a step, so that whoever leaves later never arrives earlier (Ichoua,
/// Gendreau and Potvin 2003, Vehicle dispatching with time-dependent travel times, European Journal of
/// Operational Research 144, 379-396). All in integers: progress over nominal time is counted in
/// thousandths of a second, and [`Self::latest_departure`] is the exact inverse of [`Self::arrival`].
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct DayProfile {
    /// Start of each step in seconds of the day, progress at that moment, and progress per second.
    steps: Vec<(i64, i64, i64)>,
}

impl DayProfile {
    /// `steps`: second of the day from which a factor holds, and the factor on travel times in per cent
    /// (130 = trips take 30 % longer). The first step also holds before its start.
    ///
    /// # Errors
    /// If there is no step, the starts do not ascend, or a factor is not within 25..=1000 per cent.
    pub fn new(steps: &[(i32, u16)]) -> Result<Self, PlanningError> {
        let ascending = steps.windows(2).all(|pair| pair[0].0 < pair[1].0);
        let sane = steps.iter().all(|&(_, percent)| (25..=1000).contains(&percent));
        if steps.is_empty() || !ascending || !sane {
            return Err(PlanningError::DayProfile);
        }
        let mut built: Vec<(i64, i64, i64)> = Vec::with_capacity(steps.len());
        for &(start, percent) in steps {
            let start = i64::from(start);
            let progress = built.last().map_or(0, |&(s, p, rate)| p + (start - s) * rate);
            built.push((start, progress, 100_000 / i64::from(percent)));
        }
        Ok(Self { steps: built })
    }

    fn progress(&self, at_s: i64) -> i64 {
        let index = self.steps.partition_point(|step| step.0 <= at_s).max(1) - 1;
        let (start, progress, rate) = self.steps[index];
        progress + (at_s - start) * rate
    }

    /// First second at which the given progress is reached.
    fn first_at(&self, progress: i64) -> i64 {
        let index = self.steps.partition_point(|step| step.1 < progress).max(1) - 1;
        let (start, base, rate) = self.steps[index];
        let missing = progress - base;
        start + missing.div_euclid(rate) + i64::from(missing.rem_euclid(rate) != 0)
    }

    /// Arrival of who leaves at `departure_s` on a trip of `nominal_s`.
    #[must_use]
    pub fn arrival(&self, departure_s: i32, nominal_s: i32) -> i32 {
        if nominal_s == 0 {
            return departure_s;
        }
        let goal = self.progress(i64::from(departure_s)) + i64::from(nominal_s) * 1000;
        i32::try_from(self.first_at(goal)).unwrap_or(i32::MAX)
    }

    /// Latest departure on a trip of `nominal_s` that still arrives by `arrival_s`.
    #[must_use]
    pub fn latest_departure(&self, arrival_s: i32, nominal_s: i32) -> i32 {
        if nominal_s == 0 {
            return arrival_s;
        }
        let goal = self.progress(i64::from(arrival_s)) - i64::from(nominal_s) * 1000;
        // The last second whose progress does not exceed the goal.
        let above = self.first_at(goal + 1);
        i32::try_from(above - 1).unwrap_or(i32::MIN)
    }
}
