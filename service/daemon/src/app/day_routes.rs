//! The route of a day follows a visit that is moved, dropped or taken away by hand, in the same
//! transaction.
//!
//! Nobody else's time changes: a visit leaves its route, and enters another one only where its trips and
//! its work fit between what stands there. Trips are estimated as the crow flies with the planner's
//! settings, since a transaction does not wait for a routing engine.

use std::collections::BTreeMap;

use chrono::NaiveDate;
use hotspell_domain::local_time::local_day;
use hotspell_domain::{BranchId, DateRange, PlanId, Position, TechnicianId, VisitState};
use hotspell_planning::gap::{Gap, Staying, gaps};
use hotspell_planning::season::Window;
use hotspell_planning::travel::{GreatCircle, TravelTimes as _};
use hotspell_store::branches::BranchRecord;
use hotspell_store::plans::{self, PlanRouteFilter};
use hotspell_store::routes::{self, RouteStopFilter, Stop};
use hotspell_store::visits::{self, VisitRecord};
use hotspell_store::{AnyConnection, Page, sites};

use super::AppError;
use super::calendar::{Calendar, seconds_of_day, time_of_day};
use super::loads;
use crate::state::AppState;

/// A day without a shift: the office decides who works beside the shifts on record.
const WHOLE_DAY: Window = Window { start_s: 0, end_s: 86_399 };

/// A technician's day.
type Place = (NaiveDate, TechnicianId);

/// Lets the routes from today on follow what became of a visit. A visit that is done stays on its route.
///
/// # Errors
/// [`AppError::Conflict`] when it does not fit into the day, with the times that are free there.
pub fn follow(
    conn: &mut AnyConnection,
    state: &AppState,
    branch: &BranchRecord,
    before: &VisitRecord,
    after: &VisitRecord,
) -> Result<(), AppError> {
    let today = local_day(state.now(), branch.time_zone);
    let held = |visit: &VisitRecord| {
        let place = visit.day.zip(visit.technician_id).filter(|(day, _)| *day >= today);
        place.filter(|_| visit.state.holds_a_place())
    };
    if after.state == VisitState::Done {
        return Ok(());
    }
    let (old, new) = (held(before), held(after));
    if let Some(old) = old.filter(|old| Some(*old) != new) {
        take_out(conn, state, branch, old, before)?;
    }
    match new {
        Some(place) => put_in(conn, state, branch, place, after),
        None => Ok(()),
    }
}

fn stops_of(
    conn: &mut AnyConnection,
    branch: &BranchRecord,
    (day, technician): Place,
) -> Result<(Option<routes::RouteRecord>, Vec<Stop>), AppError> {
    let Some(route) = routes::current(conn, branch.id, technician, day)? else {
        return Ok((None, Vec::new()));
    };
    let filter = RouteStopFilter { route: Some(route.id), ..RouteStopFilter::default() };
    let mut stops = routes::list_stops(conn, branch.id, &filter, Page::everything())?;
    stops.sort_by_key(|stop| stop.place);
    let stops = stops.iter().map(|stop| Stop {
        visit_id: stop.visit_id,
        arrival_seconds: stop.arrival_seconds,
        start_seconds: stop.start_seconds,
        leave_seconds: stop.leave_seconds,
    });
    Ok((Some(route), stops.collect()))
}

fn take_out(
    conn: &mut AnyConnection,
    state: &AppState,
    branch: &BranchRecord,
    place: Place,
    visit: &VisitRecord,
) -> Result<(), AppError> {
    let (Some(route), mut stops) = stops_of(conn, branch, place)? else { return Ok(()) };
    if !stops.iter().any(|stop| stop.visit_id == visit.id) {
        return Ok(());
    }
    stops.retain(|stop| stop.visit_id != visit.id);
    let ((day, technician), now) = (place, state.now());
    if stops.is_empty() {
        routes::withdraw(conn, branch.id, &route, now)?;
    } else {
        routes::publish(conn, branch.id, technician, day, route.plan_id, &stops, now)?;
    }
    Ok(())
}

fn put_in(
    conn: &mut AnyConnection,
    state: &AppState,
    branch: &BranchRecord,
    place: Place,
    visit: &VisitRecord,
) -> Result<(), AppError> {
    let (route, mut stops) = stops_of(conn, branch, place)?;
    let slot = visit
        .starts
        .zip(visit.ends)
        .map(|(from, to)| Window { start_s: seconds_of_day(from), end_s: seconds_of_day(to) });
    let suits = |start: i32| slot.is_none_or(|it| (it.start_s..=it.end_s).contains(&start));
    if stops.iter().any(|stop| stop.visit_id == visit.id && suits(stop.start_seconds)) {
        return Ok(());
    }
    stops.retain(|stop| stop.visit_id != visit.id);
    let plan = route.and_then(|route| route.plan_id);
    let free = free(conn, state, branch, place, visit, (&stops, plan))?;
    let wanted = slot.unwrap_or(WHOLE_DAY);
    let fit = free.iter().find_map(|gap| {
        let start_s = gap.starts.start_s.max(wanted.start_s);
        (start_s <= gap.starts.end_s.min(wanted.end_s)).then_some(start_s)
    });
    let start_s = fit.ok_or_else(|| refusal(visit, &free))?;
    let stop = Stop {
        visit_id: visit.id,
        arrival_seconds: start_s,
        start_seconds: start_s,
        leave_seconds: start_s + visit.duration_seconds,
    };
    stops.insert(stops.partition_point(|other| other.start_seconds < start_s), stop);
    let (day, technician) = place;
    routes::publish(conn, branch.id, technician, day, plan, &stops, state.now())?;
    Ok(())
}

/// Where the visit would fit between the stops and the pause that the plan has there.
fn free(
    conn: &mut AnyConnection,
    state: &AppState,
    branch: &BranchRecord,
    (day, technician): Place,
    visit: &VisitRecord,
    (stops, plan): (&[Stop], Option<PlanId>),
) -> Result<Vec<Gap>, AppError> {
    let calendar = Calendar::load(conn, branch)?;
    let shift = calendar.shift(technician, day);
    let shift = shift.map_or(WHOLE_DAY, |(start_s, end_s)| Window { start_s, end_s });
    let depot = calendar.technicians.get(&technician).and_then(|person| person.start());
    let here = sites::find(conn, branch.id, visit.site_id)?.position();
    let trip = |from: Option<Position>, to: Option<Position>| trip_s(state, from, to);
    let mut staying = Vec::new();
    for stop in stops {
        let site = visits::find(conn, branch.id, stop.visit_id)?.site_id;
        let there = sites::find(conn, branch.id, site)?.position();
        staying.push(Staying {
            start_s: stop.start_seconds,
            leave_s: stop.leave_seconds,
            onward_s: trip(there, here),
            back_s: trip(here, there),
        });
    }
    let pauses = plan.map(|plan| pauses(conn, branch.id, plan, day)).transpose()?;
    if let Some(begins) = pauses.and_then(|pauses| pauses.get(&technician).copied()) {
        let after = staying.partition_point(|work| work.start_s < begins);
        // It is held on the way from the stop before.
        let onward_s =
            after.checked_sub(1).and_then(|it| staying.get(it)).map_or(0, |it| it.onward_s);
        let leave_s = begins + state.config.planning.pause_s;
        staying.insert(after, Staying { start_s: begins, leave_s, onward_s, back_s: 0 });
    }
    let way_s = trip(depot.or_else(|| branch.depot()), here);
    Ok(gaps(&staying, shift, way_s, visit.duration_seconds))
}

/// When each technician's pause begins on a day of a plan, in seconds after midnight of the branch's clock;
/// nobody whose day has none.
///
/// # Errors
/// Those of the store.
pub fn pauses(
    conn: &mut AnyConnection,
    branch: BranchId,
    plan: PlanId,
    day: NaiveDate,
) -> Result<BTreeMap<TechnicianId, i32>, AppError> {
    let filter = PlanRouteFilter { plan: Some(plan), day: Some(day) };
    let routes = plans::list_routes(conn, branch, &filter, Page::everything())?;
    Ok(routes
        .into_iter()
        .filter_map(|route| Some((route.technician_id, route.pause_begins_seconds?)))
        .collect())
}

/// Writes the load lists of the days that a change touched; none before the first scoring.
///
/// # Errors
/// Those of reckoning them.
pub fn load(
    state: &AppState,
    branch: &BranchRecord,
    before: Option<NaiveDate>,
    after: Option<NaiveDate>,
) -> Result<(), AppError> {
    let today = local_day(state.now(), branch.time_zone);
    for day in [before, after].into_iter().flatten().filter(|day| *day >= today) {
        let days = DateRange { first: day, last: day };
        match loads::write_load_lists(state, branch.id, days, today) {
            Ok(_) | Err(AppError::NotReady(_)) => {}
            Err(error) => return Err(error),
        }
    }
    Ok(())
}

/// The trip as estimated; none from or to a place that nobody knows.
fn trip_s(state: &AppState, from: Option<Position>, to: Option<Position>) -> i32 {
    let Some((from, to)) = from.zip(to) else { return 0 };
    let settings = &state.config.planning;
    let at = |it: Position| (it.latitude_degrees, it.longitude_degrees);
    GreatCircle {
        positions_deg: vec![at(from), at(to)],
        detour: settings.detour,
        speed_m_per_s: settings.speed_m_per_s,
        door_s: i32::try_from(settings.park_s).unwrap_or(0),
    }
    .seconds(0, 1)
}

fn refusal(visit: &VisitRecord, free: &[Gap]) -> AppError {
    let clock = |seconds: i32| time_of_day(seconds).format("%H:%M");
    let spans: Vec<String> = free
        .iter()
        .map(|gap| format!("{} to {}", clock(gap.starts.start_s), clock(gap.starts.end_s)))
        .collect();
    let free = if spans.is_empty() {
        "nothing is free on that day".to_owned()
    } else {
        format!("it may start {}", spans.join(" or "))
    };
    AppError::Conflict(format!(
        "visit {} does not fit into that technician's day at that time without moving somebody else: {free}; \
         or state it as a repair of the plan",
        visit.id
    ))
}
