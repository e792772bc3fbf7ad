//! A technician's visits as a calendar to subscribe to.

use std::collections::HashMap;

use chrono::{DateTime, Days, NaiveTime, TimeDelta, Utc};
use hotspell_domain::{
    BranchId, DateRange, Language, TechnicianId, VisitId, VisitKind, VisitState, local_time,
};
use hotspell_notices::calendar::{CalendarEvent, feed};
use hotspell_store::branches::BranchRecord;
use hotspell_store::routes::{self, RouteFilter, RouteStopFilter};
use hotspell_store::visits::{self, VisitFilter, VisitRecord};
use hotspell_store::words::RouteState;
use hotspell_store::{AnyConnection, Page, branches, sites, technicians};

use super::AppError;
use super::calendar::time_of_day;
use super::letters::address_of;
use crate::state::AppState;

/// Days before today that stay in the calendar.
const DAYS_BACK: u64 = 31;
/// Days after today that are in the calendar.
const DAYS_AHEAD: u64 = 366;

/// When a visit is planned, and when that was last changed.
#[derive(Debug, Clone, Copy)]
struct Planned {
    starts: DateTime<Utc>,
    ends: DateTime<Utc>,
    changed: DateTime<Utc>,
}

/// The calendar of a technician as text (RFC 5545): visits of the last month and the coming year,
/// with planned times where a route says them. It holds what is needed to drive there and nothing
/// that a household said in confidence: no access notes, no vulnerability, no telephone.
///
/// # Errors
/// Those of the store.
pub fn of_technician(
    state: &AppState,
    branch: BranchId,
    technician: TechnicianId,
) -> Result<String, AppError> {
    let now = state.now();
    state.store.read(|conn| {
        let office = branches::find(conn, branch)?;
        let person = technicians::find(conn, branch, technician)?;
        let today = local_time::local_day(now, office.time_zone);
        let days = DateRange {
            first: today.checked_sub_days(Days::new(DAYS_BACK)).unwrap_or(today),
            last: today.checked_add_days(Days::new(DAYS_AHEAD)).unwrap_or(today),
        };
        let filter = VisitFilter {
            technician: Some(technician),
            days: Some(days),
            states: Some(VisitState::holding_a_place_or(&[VisitState::Done])),
            ..VisitFilter::default()
        };
        let planned = planned(conn, &office, technician, days)?;
        let mut events = Vec::new();
        for visit in visits::list(conn, branch, &filter, Page::everything())? {
            let planned = planned.get(&visit.id).copied();
            events.extend(event(conn, &office, person.language, &visit, planned)?);
        }
        events.sort_by(|a, b| (a.starts, &a.uid).cmp(&(b.starts, &b.uid)));
        Ok(feed(&format!("{}: {}", office.name, person.name), &events))
    })
}

/// The stops of the routes in force.
fn planned(
    conn: &mut AnyConnection,
    office: &BranchRecord,
    technician: TechnicianId,
    days: DateRange,
) -> Result<HashMap<VisitId, Planned>, AppError> {
    let filter = RouteFilter {
        technician: Some(technician),
        days: Some(days),
        state: Some(RouteState::Current),
        ..RouteFilter::default()
    };
    let mut planned = HashMap::new();
    for route in routes::list(conn, office.id, &filter, Page::everything())? {
        let of_route = RouteStopFilter { route: Some(route.id), ..RouteStopFilter::default() };
        for stop in routes::list_stops(conn, office.id, &of_route, Page::everything())? {
            let at =
                |seconds| local_time::instant(route.day, time_of_day(seconds), office.time_zone);
            let times = Planned {
                starts: at(stop.arrival_seconds),
                ends: at(stop.leave_seconds),
                changed: route.created_at,
            };
            planned.insert(stop.visit_id, times);
        }
    }
    Ok(planned)
}

fn event(
    conn: &mut AnyConnection,
    office: &BranchRecord,
    language: Language,
    visit: &VisitRecord,
    planned: Option<Planned>,
) -> Result<Option<CalendarEvent>, AppError> {
    let Some(day) = visit.day else { return Ok(None) };
    let site = sites::find(conn, office.id, visit.site_id)?;
    let told = visit.starts.zip(visit.ends);
    let at = |time| local_time::instant(day, time, office.time_zone);
    // Without a route and without a slot the day alone is known: the event takes all of it.
    let next = day.succ_opt().unwrap_or(day);
    let midnight = |day| local_time::instant(day, NaiveTime::MIN, office.time_zone);
    let (starts, ends) = planned
        .map(|times| (times.starts, times.ends))
        .or_else(|| told.map(|(from, until)| (at(from), at(until))))
        .unwrap_or_else(|| (midnight(day), midnight(next)));
    let stamp = planned.map_or(visit.updated_at, |times| times.changed.max(visit.updated_at));
    // Grows with every change of the visit or its route, and with nothing else.
    let age = (stamp - visit.created_at).max(TimeDelta::zero()).num_seconds();
    Ok(Some(CalendarEvent {
        uid: format!("technician-visit-{}.{}@hotspell", visit.id, office.key),
        sequence: u32::try_from(age).unwrap_or(u32::MAX),
        stamp,
        starts,
        ends: if ends > starts { ends } else { starts + TimeDelta::minutes(1) },
        summary: format!("{}: {}", kind_word(visit.kind, language), site.name),
        description: description(visit, language),
        location: address_of(&site),
    }))
}

const fn kind_word(kind: VisitKind, language: Language) -> &'static str {
    match (language, kind) {
        (Language::English, VisitKind::TuneUp) => "Tune-up",
        (Language::English, VisitKind::CapacitorCheck) => "Capacitor check",
        (Language::English, VisitKind::NoCoolCall) => "No-cool call",
        (Language::English, VisitKind::ReturnVisit) => "Return visit",
        (Language::Spanish, VisitKind::TuneUp) => "Mantenimiento",
        (Language::Spanish, VisitKind::CapacitorCheck) => "Revisión del capacitor",
        (Language::Spanish, VisitKind::NoCoolCall) => "Llamada por falta de frío",
        (Language::Spanish, VisitKind::ReturnVisit) => "Segunda visita",
    }
}

/// The slot that the household was told, and how the visit stands.
fn description(visit: &VisitRecord, language: Language) -> String {
    let (told, stands) = match language {
        Language::English => ("Arrival told", "State"),
        Language::Spanish => ("Llegada avisada", "Estado"),
    };
    let window = visit.starts.zip(visit.ends).map(|(from, until)| {
        format!("{told}: {}-{}\n", from.format("%H:%M"), until.format("%H:%M"))
    });
    format!("{}{stands}: {}", window.unwrap_or_default(), visit.state)
}
