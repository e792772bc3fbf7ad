//! Today's route runs late: the households whose promised window no longer holds are told, once.

use chrono::NaiveTime;
use hotspell_domain::local_time::local_day;
use hotspell_domain::visit::kept_or_new_window_seconds;
use hotspell_domain::{RouteId, VisitId, VisitState};
use hotspell_store::branches::BranchRecord;
use hotspell_store::routes::{self, RouteRecord, RouteStopFilter, RouteStopRecord};
use hotspell_store::visits::{self, Cause, VisitChange, VisitRecord};
use hotspell_store::words::RouteState;
use hotspell_store::{AnyConnection, Page, branches};

use super::AppError;
use super::calendar::{seconds_of_day, time_of_day};
use super::telling::{self, Telling, Why};
use crate::state::AppState;

/// Longest delay that is still a delay, minutes; beyond it the day is planned anew.
pub const MINUTES_MAX: i32 = 480;

/// How the household of a late stop hears of it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum LateOutcome {
    /// A message is on its way.
    Told,
    /// The work still starts inside the promised window: nobody is disturbed.
    InsideWindow,
    /// No mail may or can reach it in time: somebody must call.
    ByPhone,
    /// It was never told of this visit.
    NotAnnounced,
}

/// A delay as it is reported.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Delay {
    /// How much later than the route says, minutes.
    pub minutes: i32,
    /// The first visit that begins late; otherwise the one after the visit that is under way.
    pub first: Option<VisitId>,
    /// Why, in words for the visit's history.
    pub why: Option<String>,
}

/// A stop that is still to come.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct LateStop {
    /// The visit.
    pub visit: VisitId,
    /// The window that is promised now.
    pub window: (NaiveTime, NaiveTime),
    /// How its household hears of it.
    pub outcome: LateOutcome,
}

/// Reports that a technician's route of today runs late. `who` reports it.
///
/// Minutes count from the times of the route, so that the same report again tells nobody again, and a
/// greater one tells only those whose last promise it breaks.
///
/// # Errors
/// [`AppError::Conflict`] for a route that is not in force today, [`AppError::Invalid`] for a first
/// visit that is not open on it, [`AppError::Store`].
pub fn report(
    conn: &mut AnyConnection,
    state: &AppState,
    route: &RouteRecord,
    delay: &Delay,
    who: &str,
) -> Result<Vec<LateStop>, AppError> {
    let branch = branches::find(conn, route.branch_id)?;
    let today = local_day(state.now(), branch.time_zone);
    if route.state != RouteState::Current || route.day != today {
        return Err(AppError::Conflict(format!(
            "route {} is not in force today, {today}; only a route of today runs late",
            route.id
        )));
    }
    let open = to_come(conn, state, &branch, route.id, delay.first)?;
    open.iter().map(|(stop, visit)| tell(conn, state, &branch, (stop, visit), delay, who)).collect()
}

/// The stops whose work has not begun, in order.
fn to_come(
    conn: &mut AnyConnection,
    state: &AppState,
    branch: &BranchRecord,
    route: RouteId,
    first: Option<VisitId>,
) -> Result<Vec<(RouteStopRecord, VisitRecord)>, AppError> {
    let filter = RouteStopFilter { route: Some(route), ..RouteStopFilter::default() };
    let mut stops = routes::list_stops(conn, branch.id, &filter, Page::everything())?;
    stops.sort_by_key(|stop| stop.place);
    let mut open = Vec::new();
    for stop in stops {
        let visit = visits::find(conn, branch.id, stop.visit_id)?;
        if visit.state.holds_a_place() {
            open.push((stop, visit));
        }
    }
    let begin = match first {
        Some(first) => open.iter().position(|(_, visit)| visit.id == first).ok_or_else(|| {
            AppError::field(
                "/first_visit_id",
                format!("visit {first} is not open on route {route}"),
            )
        })?,
        // Whoever's time has come is taken to be visited just now.
        None => {
            let clock = seconds_of_day(state.now().with_timezone(&branch.time_zone).time());
            usize::from(open.first().is_some_and(|(stop, _)| stop.start_seconds <= clock))
        }
    };
    Ok(open.split_off(begin))
}

fn tell(
    conn: &mut AnyConnection,
    state: &AppState,
    branch: &BranchRecord,
    (stop, visit): (&RouteStopRecord, &VisitRecord),
    delay: &Delay,
    who: &str,
) -> Result<LateStop, AppError> {
    let promised =
        visit.starts.zip(visit.ends).map(|(from, to)| (seconds_of_day(from), seconds_of_day(to)));
    let start = stop.start_seconds.saturating_add(60 * delay.minutes);
    let new = kept_or_new_window_seconds(start, promised);
    let window = (time_of_day(new.0), time_of_day(new.1));
    let late = |window, outcome| Ok(LateStop { visit: visit.id, window, outcome });
    if promised == Some(new) {
        return late(window, LateOutcome::InsideWindow);
    }
    let place = visit.day.zip(visit.technician_id);
    let to = VisitChange { state: VisitState::Placed, place, slot: Some(window) };
    let why = format!(
        "the technician runs {} minutes late{}",
        delay.minutes,
        delay.why.as_deref().map(|why| format!(": {why}")).unwrap_or_default()
    );
    let cause = Cause { who, why: Some(&why) };
    let moved = visits::change(conn, branch.id, visit.id, visit.version, to, cause, state.now())?;
    let (_, telling) = telling::of_change(conn, state, branch, visit, moved, Why::Late)?;
    late(
        window,
        match telling {
            Telling::Written => LateOutcome::Told,
            Telling::ByPhone => LateOutcome::ByPhone,
            Telling::NotNeeded => LateOutcome::NotAnnounced,
        },
    )
}
