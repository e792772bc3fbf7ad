//! The plan that comes out.

use serde::Serialize;
use thiserror::Error;

use crate::season::problem::Window;

/// One stop of a route. Times are seconds of the local day.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Stop {
    /// Index of the visit in the problem.
    pub visit: usize,
    /// Nominal travel from the stop before (or the start).
    pub travel_s: i32,
    /// Arrival at the door.
    pub arrival_s: i32,
    /// Start of the work.
    pub start_s: i32,
    /// End of the work.
    pub leave_s: i32,
    /// The span that the start had to keep on this day.
    pub window: Window,
}

/// One technician's day with at least one stop.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Route {
    /// Day of the problem.
    pub day: usize,
    /// Technician of the problem.
    pub technician: usize,
    /// Stops in order.
    pub stops: Vec<Stop>,
    /// Begin of the break, if the shift has one.
    pub break_s: Option<i32>,
    /// Arrival at the end location.
    pub end_s: i32,
    /// Nominal travel of the route from start to end.
    pub travel_s: i64,
}

/// Why a visit is not in the plan; the later, the less is missing.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Error, Serialize)]
#[serde(rename_all = "kebab-case")]
#[non_exhaustive]
pub enum UnplacedReason {
    /// No day is left that household, agreement and office allow.
    #[error("no day is allowed")]
    NoDay,
    /// Nobody who works on its days has the skill (or is the one the office fixed).
    #[error("nobody with the skill works on its days")]
    NoTechnician,
    /// Even an empty day cannot hold it: window, way and length do not fit into any shift.
    #[error("window, way and work do not fit into any shift, even an empty one")]
    DoesNotFit,
    /// It would fit into an empty day, but other visits take the room, and cost more to leave out.
    #[error("its days are full with visits that cost more to leave out")]
    NoRoom,
}

/// A visit that is not in the plan.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Unplaced {
    /// Index of the visit.
    pub visit: usize,
    /// Why.
    pub reason: UnplacedReason,
}

/// The objective by its parts, in seconds.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize)]
pub struct CostParts {
    /// Nominal travel of all routes.
    pub travel_s: i64,
    /// Expected failures before the visits.
    pub risk_s: i64,
    /// Lateness past the due days.
    pub late_s: i64,
    /// Changes against the plan before.
    pub change_s: i64,
    /// Technicians that cost extra.
    pub preference_s: i64,
    /// Uneven load.
    pub fairness_s: i64,
    /// Visits left out.
    pub dropped_s: i64,
}

impl CostParts {
    /// The objective.
    #[must_use]
    pub fn total_s(&self) -> i64 {
        self.travel_s
            + self.risk_s
            + self.late_s
            + self.change_s
            + self.preference_s
            + self.fairness_s
            + self.dropped_s
    }
}

/// A plan of the season.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct SeasonPlan {
    /// Routes with at least one stop, by day, then technician.
    pub routes: Vec<Route>,
    /// Visits that are in no route, by index.
    pub unplaced: Vec<Unplaced>,
    /// The objective.
    pub cost: CostParts,
    /// Iterations of the search that made it.
    pub iterations: u64,
}

impl SeasonPlan {
    /// Where a visit is: route index and position.
    #[must_use]
    pub fn find(&self, visit: usize) -> Option<(usize, usize)> {
        self.routes.iter().enumerate().find_map(|(route, r)| {
            r.stops.iter().position(|stop| stop.visit == visit).map(|position| (route, position))
        })
    }

    /// The plan as bare order of visits, for storing and for starting again.
    #[must_use]
    pub fn sequences(&self) -> Vec<(usize, usize, Vec<usize>)> {
        self.routes
            .iter()
            .map(|r| (r.day, r.technician, r.stops.iter().map(|stop| stop.visit).collect()))
            .collect()
    }
}
