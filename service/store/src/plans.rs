//! Season plans: drafts to compare, one of which may be adopted.

use chrono::{DateTime, NaiveDate, Utc};
use diesel::ExpressionMethods;
use hotspell_domain::{BranchId, PlanId, RunId, TechnicianId, VisitId};
use serde_json::Value;

use crate::columns::{RawId, RawText, naive};
use crate::listing::listing;
use crate::record::{appended, editable};
use crate::schema::{plan_routes, plan_stops, plan_unplaced, plans};
use crate::words::PlanState;
use crate::{AnyConnection, StoreError};

editable! {
    /// One run of the planner.
    plans, Plan, PlanRecord, PlanFields, PlanId {
        /// The run that made it.
        run_id: RunId as RawId,
        /// Draft, adopted or discarded.
        state: PlanState as RawText,
        /// First day planned.
        first_day: NaiveDate,
        /// Last day planned.
        last_day: NaiveDate,
        /// Of the solver: the same seed and inputs give the same plan.
        seed: i64,
        /// The parts of the objective.
        objective: Value as RawText,
        /// The figures that a person compares.
        figures: Value as RawText,
    }
}

listing! {
    plans, PlanRecord, list,
    /// Which plans.
    PlanFilter {
        /// In this state.
        state: PlanState => |state| plans::state.eq(state.as_str()),
        /// Changed after this instant.
        updated_after: DateTime<Utc> => |at| plans::updated_at.gt(naive(*at)),
    }
    sorted by PlanSort {
        FirstDay "first_day": Day first_day,
        CreatedAt "created_at": Instant created_at,
        UpdatedAt "updated_at": Instant updated_at,
    }
}

appended! {
    /// One visit in a plan.
    plan_stops, PlanStopRecord, NewPlanStop, insert_stop, insert_stops {
        /// The plan.
        plan_id: PlanId as RawId,
        /// The visit.
        visit_id: VisitId as RawId,
        /// The day.
        day: NaiveDate,
        /// Who comes.
        technician_id: TechnicianId as RawId,
        /// Its place in that day's order, from 0.
        place: i32,
        /// Arrival, in seconds after midnight of the branch's clock.
        arrival_seconds: i32,
        /// Start of work.
        start_seconds: i32,
        /// Departure.
        leave_seconds: i32,
        /// Whether it was held in its place.
        pinned: bool,
        /// Why here, in words a scheduler understands.
        reason: String,
    }
}

listing! {
    plan_stops, PlanStopRecord, list_stops,
    /// Which stops.
    PlanStopFilter {
        /// Of this plan.
        plan: PlanId => |plan| plan_stops::plan_id.eq(plan.0),
        /// Of this visit.
        visit: VisitId => |visit| plan_stops::visit_id.eq(visit.0),
        /// By this technician.
        technician: TechnicianId => |technician| plan_stops::technician_id.eq(technician.0),
        /// On this day.
        day: NaiveDate => |day| plan_stops::day.eq(*day),
    }
    sorted by PlanStopSort {
        Day "day": Day day,
        StartSeconds "start_seconds": Count start_seconds,
    }
}

appended! {
    /// A technician's day in a plan.
    plan_routes, PlanRouteRecord, NewPlanRoute, insert_route, insert_routes {
        /// The plan.
        plan_id: PlanId as RawId,
        /// The day.
        day: NaiveDate,
        /// Who drives.
        technician_id: TechnicianId as RawId,
        /// Work at homes.
        work_seconds: i32,
        /// Nominal driving from start to end.
        travel_seconds: i32,
        /// Begin of the pause, in seconds after midnight of the branch's clock; nothing without one.
        pause_begins_seconds: Option<i32>,
        /// Arrival at the end, in seconds after midnight of the branch's clock.
        ends_seconds: i32,
    }
}

listing! {
    plan_routes, PlanRouteRecord, list_routes,
    /// Which technicians' days.
    PlanRouteFilter {
        /// Of this plan.
        plan: PlanId => |plan| plan_routes::plan_id.eq(plan.0),
        /// On this day.
        day: NaiveDate => |day| plan_routes::day.eq(*day),
    }
    sorted by PlanRouteSort {
        Day "day": Day day,
        WorkSeconds "work_seconds": Count work_seconds,
        TravelSeconds "travel_seconds": Count travel_seconds,
    }
}

appended! {
    /// A visit for which the plan found no place.
    plan_unplaced, UnplacedRecord, NewUnplaced, insert_one_unplaced, insert_unplaced {
        /// The plan.
        plan_id: PlanId as RawId,
        /// The visit.
        visit_id: VisitId as RawId,
        /// Why not.
        reason: String,
    }
}

listing! {
    plan_unplaced, UnplacedRecord, list_unplaced,
    /// Which unplaced visits.
    UnplacedFilter {
        /// Of this plan.
        plan: PlanId => |plan| plan_unplaced::plan_id.eq(plan.0),
    }
    sorted by UnplacedSort {
        Reason "reason": Text reason,
    }
}

/// Moves a plan to another state: a draft may be adopted or discarded, an adopted plan discarded.
///
/// # Errors
/// [`StoreError::Check`] for another change, [`StoreError::StaleVersion`], `NotFound`.
pub fn set_state(
    conn: &mut AnyConnection,
    branch: BranchId,
    id: PlanId,
    expected_version: i64,
    state: PlanState,
    now: DateTime<Utc>,
) -> Result<PlanRecord, StoreError> {
    let plan = find(conn, branch, id)?;
    let allowed = matches!(
        (plan.state, state),
        (PlanState::Draft, PlanState::Adopted | PlanState::Discarded)
            | (PlanState::Adopted, PlanState::Discarded)
    );
    if !allowed {
        return Err(StoreError::Check(format!("a plan that is {} cannot be {state}", plan.state)));
    }
    let fields = PlanFields { state, ..plan.fields };
    update(conn, branch, id, expected_version, &fields, now)
}
