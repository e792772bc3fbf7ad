//! Season plans on the wire.

use chrono::{DateTime, NaiveDate, Utc};
use hotspell_domain::{PlanId, RunId, TechnicianId, VisitId};
use hotspell_store::plans::{PlanRecord, PlanRouteRecord, PlanStopRecord, UnplacedRecord};
use hotspell_store::words::PlanState;
use serde::Serialize;
use serde_json::Value;
use utoipa::ToSchema;

/// One run of the season planner.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct PlanView {
    /// Its number.
    #[schema(value_type = i64, example = 1)]
    pub id: PlanId,
    /// Raised by one with each change; also the ETag.
    #[schema(example = 1)]
    pub version: i64,
    /// When it came in.
    pub created_at: DateTime<Utc>,
    /// When it was last changed.
    pub updated_at: DateTime<Utc>,
    /// The run that made it.
    #[schema(value_type = i64)]
    pub run_id: RunId,
    /// Draft, adopted or discarded.
    pub state: PlanState,
    /// First day planned.
    pub first_day: NaiveDate,
    /// Last day planned.
    pub last_day: NaiveDate,
    /// Of the solver (no unit): the same seed and inputs give the same plan.
    pub seed: i64,
    /// The parts of the objective, in technician seconds.
    #[schema(value_type = Object)]
    pub objective: Value,
    /// The figures that a person compares.
    #[schema(value_type = Object)]
    pub figures: Value,
}

/// One visit in a plan.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct PlanStopView {
    /// Its number.
    #[schema(example = 1)]
    pub id: i64,
    /// The plan.
    #[schema(value_type = i64)]
    pub plan_id: PlanId,
    /// The visit.
    #[schema(value_type = i64)]
    pub visit_id: VisitId,
    /// The day.
    pub day: NaiveDate,
    /// Who comes.
    #[schema(value_type = i64)]
    pub technician_id: TechnicianId,
    /// Its place in that day's order, from 0 (no unit).
    pub place: i32,
    /// Arrival, in seconds after midnight of the branch's clock.
    pub arrival_seconds: i32,
    /// Start of work, in seconds after midnight of the branch's clock.
    pub start_seconds: i32,
    /// Departure, in seconds after midnight of the branch's clock.
    pub leave_seconds: i32,
    /// Whether it was held in its place.
    pub pinned: bool,
    /// Why here, in words.
    pub reason: String,
}

/// A technician's day in a plan.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct PlanRouteView {
    /// Its number.
    #[schema(example = 1)]
    pub id: i64,
    /// The plan.
    #[schema(value_type = i64)]
    pub plan_id: PlanId,
    /// The day.
    pub day: NaiveDate,
    /// Who drives.
    #[schema(value_type = i64)]
    pub technician_id: TechnicianId,
    /// Work at homes, in seconds.
    pub work_seconds: i32,
    /// Driving from start to end, in seconds.
    pub travel_seconds: i32,
    /// Begin of the pause, in seconds after midnight of the branch's clock; nothing without one.
    pub pause_begins_seconds: Option<i32>,
    /// Arrival at the end, in seconds after midnight of the branch's clock.
    pub ends_seconds: i32,
}

/// A visit for which the plan found no place.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct UnplacedView {
    /// Its number.
    #[schema(example = 1)]
    pub id: i64,
    /// The plan.
    #[schema(value_type = i64)]
    pub plan_id: PlanId,
    /// The visit.
    #[schema(value_type = i64)]
    pub visit_id: VisitId,
    /// Why not, in words.
    pub reason: String,
}

impl From<PlanRecord> for PlanView {
    fn from(record: PlanRecord) -> Self {
        let fields = record.fields;
        Self {
            id: record.id,
            version: record.version,
            created_at: record.created_at,
            updated_at: record.updated_at,
            run_id: fields.run_id,
            state: fields.state,
            first_day: fields.first_day,
            last_day: fields.last_day,
            seed: fields.seed,
            objective: fields.objective,
            figures: fields.figures,
        }
    }
}

impl From<PlanStopRecord> for PlanStopView {
    fn from(record: PlanStopRecord) -> Self {
        let row = record.row;
        Self {
            id: record.id,
            plan_id: row.plan_id,
            visit_id: row.visit_id,
            day: row.day,
            technician_id: row.technician_id,
            place: row.place,
            arrival_seconds: row.arrival_seconds,
            start_seconds: row.start_seconds,
            leave_seconds: row.leave_seconds,
            pinned: row.pinned,
            reason: row.reason,
        }
    }
}

impl From<PlanRouteRecord> for PlanRouteView {
    fn from(record: PlanRouteRecord) -> Self {
        let row = record.row;
        Self {
            id: record.id,
            plan_id: row.plan_id,
            day: row.day,
            technician_id: row.technician_id,
            work_seconds: row.work_seconds,
            travel_seconds: row.travel_seconds,
            pause_begins_seconds: row.pause_begins_seconds,
            ends_seconds: row.ends_seconds,
        }
    }
}

impl From<UnplacedRecord> for UnplacedView {
    fn from(record: UnplacedRecord) -> Self {
        let row = record.row;
        Self { id: record.id, plan_id: row.plan_id, visit_id: row.visit_id, reason: row.reason }
    }
}
