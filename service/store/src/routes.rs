//! Day routes and load lists. A changed route is a new revision; the earlier one stays as what
//! the technician had been told.

use chrono::{DateTime, NaiveDate, Utc};
use diesel::{
    ExpressionMethods, OptionalExtension, QueryDsl, Queryable, RunQueryDsl, Selectable,
    SelectableHelper,
};
use hotspell_domain::{
    BranchId, ComponentClass, DateRange, LoadListId, PlanId, RouteId, RunId, TechnicianId, VisitId,
};

use crate::columns::{RawId, RawInstant, RawNullId, RawText, naive};
use crate::listing::listing;
use crate::record::appended;
use crate::schema::{load_list_lines, load_lists, route_stops, routes};
use crate::words::{Resource, RouteState};
use crate::{AnyConnection, StoreError, changes};

/// One technician's stops on one day.
#[derive(Debug, Clone, PartialEq, Eq, Queryable, Selectable)]
#[diesel(table_name = routes)]
pub struct RouteRecord {
    /// Its number.
    #[diesel(deserialize_as = RawId)]
    pub id: RouteId,
    /// The office.
    #[diesel(deserialize_as = RawId)]
    pub branch_id: BranchId,
    /// Who drives.
    #[diesel(deserialize_as = RawId)]
    pub technician_id: TechnicianId,
    /// The day.
    pub day: NaiveDate,
    /// Raised by one each time that the day changes.
    pub revision: i32,
    /// The plan it comes from; nothing for a day made by hand.
    #[diesel(deserialize_as = RawNullId)]
    pub plan_id: Option<PlanId>,
    /// Whether it is the one in force.
    #[diesel(deserialize_as = RawText)]
    pub state: RouteState,
    /// When it was made.
    #[diesel(deserialize_as = RawInstant)]
    pub created_at: DateTime<Utc>,
}

listing! {
    routes, RouteRecord, list,
    /// Which routes.
    RouteFilter {
        /// Of this technician.
        technician: TechnicianId => |technician| routes::technician_id.eq(technician.0),
        /// On a day of the range.
        days: DateRange => |range| routes::day.between(range.first, range.last),
        /// In force or not.
        state: RouteState => |state| routes::state.eq(state.as_str()),
        /// From this plan.
        plan: PlanId => |plan| routes::plan_id.eq(plan.0),
    }
    sorted by RouteSort {
        Day "day": Day day,
        CreatedAt "created_at": Instant created_at,
    }
}

appended! {
    /// One stop of a route.
    route_stops, RouteStopRecord, NewRouteStop, insert_stop, insert_stops {
        /// The route.
        route_id: RouteId as RawId,
        /// The visit.
        visit_id: VisitId as RawId,
        /// Its place in the order, from 0.
        place: i32,
        /// Arrival, in seconds after midnight of the branch's clock.
        arrival_seconds: i32,
        /// Start of work.
        start_seconds: i32,
        /// Departure.
        leave_seconds: i32,
    }
}

listing! {
    route_stops, RouteStopRecord, list_stops,
    /// Which stops.
    RouteStopFilter {
        /// Of this route.
        route: RouteId => |route| route_stops::route_id.eq(route.0),
        /// Of this visit.
        visit: VisitId => |visit| route_stops::visit_id.eq(visit.0),
    }
}

/// A stop before its route has a number.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Stop {
    /// The visit.
    pub visit_id: VisitId,
    /// Arrival, in seconds after midnight of the branch's clock.
    pub arrival_seconds: i32,
    /// Start of work.
    pub start_seconds: i32,
    /// Departure.
    pub leave_seconds: i32,
}

/// Puts a technician's day in force: the route in force before is superseded. A day whose stops are the
/// same as those in force stays the route that its technician knows, with its load list, and `false` comes
/// with it; only the plan that it belongs to is noted.
///
/// # Errors
/// [`StoreError::Conflict`] when two callers do it at once, `ForeignKey`, `Check`.
pub fn publish(
    conn: &mut AnyConnection,
    branch: BranchId,
    technician: TechnicianId,
    day: NaiveDate,
    plan: Option<PlanId>,
    stops: &[Stop],
    now: DateTime<Utc>,
) -> Result<(RouteRecord, bool), StoreError> {
    let before = current(conn, branch, technician, day)?;
    if let Some(route) = &before {
        if stops_of(conn, branch, route.id)? == stops {
            if route.plan_id != plan {
                diesel::update(routes::table.filter(routes::id.eq(route.id.0)))
                    .set(routes::plan_id.eq(plan.map(|plan| plan.0)))
                    .execute(conn)?;
            }
            return Ok((RouteRecord { plan_id: plan, ..route.clone() }, false));
        }
        diesel::update(routes::table.filter(routes::id.eq(route.id.0)))
            .set(routes::state.eq(RouteState::Superseded.as_str()))
            .execute(conn)?;
    }
    let revision = latest_revision(conn, branch, technician, day)? + 1;
    let record: RouteRecord = crate::connection::each!(conn, c => {
        diesel::insert_into(routes::table)
            .values((
                routes::branch_id.eq(branch.0),
                routes::technician_id.eq(technician.0),
                routes::day.eq(day),
                routes::revision.eq(revision),
                routes::plan_id.eq(plan.map(|plan| plan.0)),
                routes::state.eq(RouteState::Current.as_str()),
                routes::created_at.eq(naive(now)),
            ))
            .returning(RouteRecord::as_returning())
            .get_result(c)
    })?;
    let rows: Vec<NewRouteStop> = stops
        .iter()
        .zip(0..)
        .map(|(stop, place)| NewRouteStop {
            route_id: record.id,
            visit_id: stop.visit_id,
            place,
            arrival_seconds: stop.arrival_seconds,
            start_seconds: stop.start_seconds,
            leave_seconds: stop.leave_seconds,
        })
        .collect();
    insert_stops(conn, branch, &rows)?;
    let version = i64::from(revision);
    changes::record(conn, branch, Resource::Route, &[(record.id.0, version)], now)?;
    Ok((record, true))
}

/// Takes a route out of force without another one in its place; it stays readable.
///
/// # Errors
/// Those of the database.
pub fn withdraw(
    conn: &mut AnyConnection,
    branch: BranchId,
    route: &RouteRecord,
    now: DateTime<Utc>,
) -> Result<(), StoreError> {
    let own =
        routes::table.filter(routes::id.eq(route.id.0)).filter(routes::branch_id.eq(branch.0));
    diesel::update(own).set(routes::state.eq(RouteState::Superseded.as_str())).execute(conn)?;
    let version = i64::from(route.revision) + 1;
    changes::record(conn, branch, Resource::Route, &[(route.id.0, version)], now)
}

fn stops_of(
    conn: &mut AnyConnection,
    branch: BranchId,
    route: RouteId,
) -> Result<Vec<Stop>, StoreError> {
    let filter = RouteStopFilter { route: Some(route), ..RouteStopFilter::default() };
    let mut rows = list_stops(conn, branch, &filter, crate::Page::everything())?;
    rows.sort_by_key(|stop| stop.place);
    Ok(rows
        .into_iter()
        .map(|stop| Stop {
            visit_id: stop.visit_id,
            arrival_seconds: stop.arrival_seconds,
            start_seconds: stop.start_seconds,
            leave_seconds: stop.leave_seconds,
        })
        .collect())
}

/// Revision of the newest route of a technician's day, in force or not; 0 when there was none.
fn latest_revision(
    conn: &mut AnyConnection,
    branch: BranchId,
    technician: TechnicianId,
    day: NaiveDate,
) -> Result<i32, StoreError> {
    let newest: Option<i32> = routes::table
        .filter(routes::branch_id.eq(branch.0))
        .filter(routes::technician_id.eq(technician.0))
        .filter(routes::day.eq(day))
        .select(diesel::dsl::max(routes::revision))
        .first(conn)?;
    Ok(newest.unwrap_or(0))
}

/// The route in force on a technician's day.
///
/// # Errors
/// Those of the database.
pub fn current(
    conn: &mut AnyConnection,
    branch: BranchId,
    technician: TechnicianId,
    day: NaiveDate,
) -> Result<Option<RouteRecord>, StoreError> {
    Ok(routes::table
        .filter(routes::branch_id.eq(branch.0))
        .filter(routes::technician_id.eq(technician.0))
        .filter(routes::day.eq(day))
        .filter(routes::state.eq(RouteState::Current.as_str()))
        .select(RouteRecord::as_select())
        .first(conn)
        .optional()?)
}

/// The route with this number.
///
/// # Errors
/// [`StoreError::NotFound`].
pub fn find(
    conn: &mut AnyConnection,
    branch: BranchId,
    id: RouteId,
) -> Result<RouteRecord, StoreError> {
    routes::table
        .filter(routes::id.eq(id.0))
        .filter(routes::branch_id.eq(branch.0))
        .select(RouteRecord::as_select())
        .first(conn)
        .optional()?
        .ok_or(StoreError::NotFound("route"))
}

/// What a truck must carry for one route.
#[derive(Debug, Clone, PartialEq, Queryable, Selectable)]
#[diesel(table_name = load_lists)]
pub struct LoadListRecord {
    /// Its number.
    #[diesel(deserialize_as = RawId)]
    pub id: LoadListId,
    /// The office.
    #[diesel(deserialize_as = RawId)]
    pub branch_id: BranchId,
    /// The route.
    #[diesel(deserialize_as = RawId)]
    pub route_id: RouteId,
    /// The run that made it.
    #[diesel(deserialize_as = RawNullId)]
    pub run_id: Option<RunId>,
    /// The bound that was asked for.
    pub chance_bound: f64,
    /// The chance of missing any part that is left.
    pub chance_short: f64,
    /// When it was made.
    #[diesel(deserialize_as = RawInstant)]
    pub created_at: DateTime<Utc>,
}

appended! {
    /// One kind of part on a load list.
    load_list_lines, LoadListLineRecord, NewLoadListLine, insert_line, insert_lines {
        /// The list.
        load_list_id: LoadListId as RawId,
        /// What.
        class: ComponentClass as RawText,
        /// Which rating.
        rating: String,
        /// How many.
        quantity: i32,
        /// Chance that these are too few.
        chance_short: f64,
        /// Why so many.
        why: String,
    }
}

listing! {
    load_list_lines, LoadListLineRecord, list_lines,
    /// Which lines.
    LoadListLineFilter {
        /// Of this list.
        load_list: LoadListId => |list| load_list_lines::load_list_id.eq(list.0),
    }
}

/// A line before its list has a number.
#[derive(Debug, Clone, PartialEq)]
pub struct LoadLine {
    /// What.
    pub class: ComponentClass,
    /// Which rating.
    pub rating: String,
    /// How many.
    pub quantity: i32,
    /// Chance that these are too few.
    pub chance_short: f64,
    /// Why so many.
    pub why: String,
}

/// A load list before it has a number.
#[derive(Debug, Clone, PartialEq)]
pub struct NewLoadList {
    /// The route.
    pub route_id: RouteId,
    /// The run that made it.
    pub run_id: Option<RunId>,
    /// The bound that was asked for.
    pub chance_bound: f64,
    /// The chance of missing any part that is left.
    pub chance_short: f64,
    /// Its lines.
    pub lines: Vec<LoadLine>,
}

/// Stores the load list of a route.
///
/// # Errors
/// [`StoreError::Conflict`] when the route has one already: a changed day is a new revision.
pub fn insert_load_list(
    conn: &mut AnyConnection,
    branch: BranchId,
    list: &NewLoadList,
    now: DateTime<Utc>,
) -> Result<LoadListId, StoreError> {
    let id: i64 = diesel::insert_into(load_lists::table)
        .values((
            load_lists::branch_id.eq(branch.0),
            load_lists::route_id.eq(list.route_id.0),
            load_lists::run_id.eq(list.run_id.map(|run| run.0)),
            load_lists::chance_bound.eq(list.chance_bound),
            load_lists::chance_short.eq(list.chance_short),
            load_lists::created_at.eq(naive(now)),
        ))
        .returning(load_lists::id)
        .get_result(conn)?;
    let rows: Vec<NewLoadListLine> = list
        .lines
        .iter()
        .map(|line| NewLoadListLine {
            load_list_id: LoadListId(id),
            class: line.class,
            rating: line.rating.clone(),
            quantity: line.quantity,
            chance_short: line.chance_short,
            why: line.why.clone(),
        })
        .collect();
    insert_lines(conn, branch, &rows)?;
    Ok(LoadListId(id))
}

/// The load list of a route.
///
/// # Errors
/// Those of the database.
pub fn load_list_of(
    conn: &mut AnyConnection,
    branch: BranchId,
    route: RouteId,
) -> Result<Option<LoadListRecord>, StoreError> {
    Ok(load_lists::table
        .filter(load_lists::branch_id.eq(branch.0))
        .filter(load_lists::route_id.eq(route.0))
        .select(LoadListRecord::as_select())
        .first(conn)
        .optional()?)
}
