//! Day routes and load lists on the wire.

use chrono::{DateTime, NaiveDate, Utc};
use hotspell_domain::{ComponentClass, LoadListId, PlanId, RouteId, RunId, TechnicianId, VisitId};
use hotspell_store::routes::{LoadListLineRecord, LoadListRecord, RouteRecord, RouteStopRecord};
use hotspell_store::words::RouteState;
use serde::Serialize;
use utoipa::ToSchema;

/// One stop of a route.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct RouteStopView {
    /// The visit.
    #[schema(value_type = i64)]
    pub visit_id: VisitId,
    /// Its place in the order, from 0 (no unit).
    pub place: i32,
    /// Arrival, in seconds after midnight of the branch's clock.
    pub arrival_seconds: i32,
    /// Start of work, in seconds after midnight of the branch's clock.
    pub start_seconds: i32,
    /// Departure, in seconds after midnight of the branch's clock.
    pub leave_seconds: i32,
}

/// One technician's stops on one day, in order.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct RouteView {
    /// Its number.
    #[schema(value_type = i64, example = 1)]
    pub id: RouteId,
    /// Who drives.
    #[schema(value_type = i64)]
    pub technician_id: TechnicianId,
    /// The day.
    pub day: NaiveDate,
    /// Raised by one each time that the day changes (no unit).
    pub revision: i32,
    /// The plan it comes from; absent for a day made by hand.
    #[schema(value_type = Option<i64>)]
    pub plan_id: Option<PlanId>,
    /// Whether it is the one in force.
    pub state: RouteState,
    /// When it was made.
    pub created_at: DateTime<Utc>,
    /// The stops.
    pub stops: Vec<RouteStopView>,
}

/// One kind of part on a load list.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct LoadLineView {
    /// What.
    pub class: ComponentClass,
    /// Which rating.
    #[schema(example = "45+5 uF 370/440 V")]
    pub rating: String,
    /// How many pieces.
    pub quantity: i32,
    /// Chance that these are too few, 0 to 1 (no unit).
    pub chance_short: f64,
    /// Why so many.
    pub why: String,
}

/// What a truck must carry for one route.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct LoadListView {
    /// Its number.
    #[schema(value_type = i64, example = 1)]
    pub id: LoadListId,
    /// The route.
    #[schema(value_type = i64)]
    pub route_id: RouteId,
    /// Who drives.
    #[schema(value_type = i64)]
    pub technician_id: TechnicianId,
    /// The day.
    pub day: NaiveDate,
    /// The run that made it.
    #[schema(value_type = Option<i64>)]
    pub run_id: Option<RunId>,
    /// The bound on the chance of missing a part that was asked for, 0 to 1 (no unit).
    pub chance_bound: f64,
    /// The chance of missing any part that is left, 0 to 1 (no unit).
    pub chance_short: f64,
    /// When it was made.
    pub created_at: DateTime<Utc>,
    /// What to carry.
    pub lines: Vec<LoadLineView>,
}

impl RouteView {
    pub(crate) fn of(record: RouteRecord, mut stops: Vec<RouteStopRecord>) -> Self {
        stops.sort_by_key(|stop| stop.place);
        Self {
            id: record.id,
            technician_id: record.technician_id,
            day: record.day,
            revision: record.revision,
            plan_id: record.plan_id,
            state: record.state,
            created_at: record.created_at,
            stops: stops
                .into_iter()
                .map(|stop| RouteStopView {
                    visit_id: stop.visit_id,
                    place: stop.place,
                    arrival_seconds: stop.arrival_seconds,
                    start_seconds: stop.start_seconds,
                    leave_seconds: stop.leave_seconds,
                })
                .collect(),
        }
    }
}

impl LoadListView {
    pub(crate) fn of(
        route: &RouteRecord,
        list: LoadListRecord,
        lines: Vec<LoadListLineRecord>,
    ) -> Self {
        Self {
            id: list.id,
            route_id: list.route_id,
            technician_id: route.technician_id,
            day: route.day,
            run_id: list.run_id,
            chance_bound: list.chance_bound,
            chance_short: list.chance_short,
            created_at: list.created_at,
            lines: lines
                .into_iter()
                .map(|line| LoadLineView {
                    class: line.class,
                    rating: line.rating.clone(),
                    quantity: line.quantity,
                    chance_short: line.chance_short,
                    why: line.why.clone(),
                })
                .collect(),
        }
    }
}
