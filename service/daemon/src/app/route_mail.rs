//! Tomorrow's route and load list, to the technician.

use chrono::{Datelike, NaiveDate};
use hotspell_domain::local_time::local_day;
use hotspell_domain::{
    BranchId, CapacitorRating, ComponentEnd, DateRange, Microfarads, NoticeKind, SiteId,
    TechnicianId,
};
use hotspell_notices::compose::{
    LoadItem, PartReason, Stop, StopPart, StopUnit, TechnicianRoute, Window, technician_route,
};
use hotspell_reliability::reason::ReasonKind;
use hotspell_store::components::{self, ComponentFilter};
use hotspell_store::routes::{self, RouteFilter, RouteRecord};
use hotspell_store::words::RouteState;
use hotspell_store::{AnyConnection, Page, branches};

use super::AppError;
use super::calendar::{Calendar, time_of_day};
use super::day::{self, Day, DayPart, DayStop};
use super::judging::measured;
use super::letters::{self, Letter, Staff};
use super::results::rated;
use crate::state::AppState;

/// Parts shown per machine beside those that are due.
const PARTS_SHOWN: usize = 3;

/// Writes the route mail of every technician who drives on a day; says how many were new.
///
/// A changed route is a new event, so its technician hears of it.
///
/// # Errors
/// Those of the store and of composing.
pub fn write(state: &AppState, branch: BranchId, on: NaiveDate) -> Result<usize, AppError> {
    state.store.write(|conn| {
        let filter = RouteFilter {
            days: DateRange::new(on, on),
            state: Some(RouteState::Current),
            ..RouteFilter::default()
        };
        let mut count = 0;
        for route in routes::list(conn, branch, &filter, Page::everything())? {
            if let Some(day) = day::load(conn, branch, route.technician_id, on)? {
                count += usize::from(write_one(conn, state, &day)?);
            }
        }
        Ok(count)
    })
}

/// Writes the mail of one route in force; says whether it was new.
///
/// # Errors
/// [`AppError::Conflict`] for a route that is over or superseded, or a technician without an address;
/// those of the store and of composing.
pub fn write_route(
    conn: &mut AnyConnection,
    state: &AppState,
    route: &RouteRecord,
) -> Result<bool, AppError> {
    let branch = branches::find(conn, route.branch_id)?;
    let today = local_day(state.now(), branch.time_zone);
    if route.state != RouteState::Current || route.day < today {
        return Err(AppError::Conflict(format!(
            "route {} of {} is not in force any more; accepted: a route in force of today or later",
            route.id, route.day
        )));
    }
    let day = day::load(conn, branch.id, route.technician_id, route.day)?
        .ok_or_else(|| AppError::Conflict(format!("route {} has no stops", route.id)))?;
    if day.technician.email.is_none() {
        return Err(AppError::Conflict(format!(
            "technician {} has no mail address; expected: one at /api/v1/technicians/{}",
            day.technician.key, day.technician.id
        )));
    }
    write_one(conn, state, &day)
}

fn write_one(conn: &mut AnyConnection, state: &AppState, day: &Day) -> Result<bool, AppError> {
    let Some(email) = day.technician.email.clone() else { return Ok(false) };
    let values = compose_values(conn, state, day)?;
    let content = technician_route(&values)
        .map_err(|error| AppError::internal("technician's route", error))?;
    let (kind, technician) = (NoticeKind::TechnicianRoute, &day.technician);
    let key = format!("{kind}/{}/{}/{}", technician.id, day.route.day, day.route.revision);
    let to = Staff { email, name: technician.name.clone(), phone: technician.phone.clone() };
    let letter = Letter {
        technician: Some(technician.id),
        ..Letter::to_staff(kind, key, to, &values.branch, technician.language, content)
    };
    letters::enqueue(conn, state, &day.branch, letter)
}

fn compose_values(
    conn: &mut AnyConnection,
    state: &AppState,
    day: &Day,
) -> Result<TechnicianRoute, AppError> {
    let calendar = Calendar::load(conn, &day.branch)?;
    let (starts, ends) =
        calendar.shift(day.technician.id, day.route.day).unwrap_or((8 * 3600, 17 * 3600));
    let mut stops = Vec::with_capacity(day.stops.len());
    for stop in &day.stops {
        let sister_failed = recent_failure(conn, day.branch.id, stop.site.id)?;
        stops.push(stop_of(day, stop, sister_failed));
    }
    Ok(TechnicianRoute {
        branch: letters::branch_of(&day.branch, &state.config.mail.from),
        technician_first_name: letters::first_name(&day.technician.name),
        language: day.technician.language,
        day: day.route.day,
        leave_depot: time_of_day(starts),
        back_at_depot: time_of_day(ends),
        load: load_items(day),
        stops,
        route_url: format!(
            "{}/technician/today?day={}",
            state.config.server.public_url, day.route.day
        ),
    })
}

/// Whether a capacitor failed at this home on record.
fn recent_failure(
    conn: &mut AnyConnection,
    branch: BranchId,
    site: SiteId,
) -> Result<bool, AppError> {
    let filter = ComponentFilter {
        site: Some(site),
        end_kind: Some(ComponentEnd::Failed),
        ..ComponentFilter::default()
    };
    let failed = components::list(conn, branch, &filter, Page::everything())?;
    Ok(failed.iter().any(|component| component.class.is_run_capacitor()))
}

/// What mails list of the load: capacitors by rating.
fn load_items(day: &Day) -> Vec<LoadItem> {
    let lines = day.load.as_ref().map_or(&[][..], |(_, lines)| lines.as_slice());
    lines
        .iter()
        .filter_map(|line| {
            Some(LoadItem {
                class: line.class,
                rating: line.rating.parse::<CapacitorRating>().ok()?,
                quantity: u32::try_from(line.quantity).ok()?,
            })
        })
        .collect()
}

fn stop_of(day: &Day, stop: &DayStop, sister_failed: bool) -> Stop {
    let window = Window {
        day: day.route.day,
        from: stop.visit.starts.unwrap_or(time_of_day(stop.stop.start_seconds)),
        to: stop.visit.ends.unwrap_or(time_of_day(stop.stop.leave_seconds)),
    };
    let units = stop
        .units
        .iter()
        .map(|unit| StopUnit {
            label: unit.unit.label.clone().unwrap_or_else(|| unit.unit.key.clone()),
            kind: unit.unit.kind,
            parts: unit
                .parts
                .iter()
                .enumerate()
                .filter(|(index, part)| part.is_due() || *index < PARTS_SHOWN)
                .map(|(_, part)| part_of(day, part, sister_failed))
                .collect(),
        })
        .collect();
    Stop {
        arrive: time_of_day(stop.stop.arrival_seconds),
        leave: time_of_day(stop.stop.leave_seconds),
        window,
        household_name: stop.site.name.clone(),
        phone: stop.contact.as_ref().and_then(|contact| contact.phone.clone()),
        site_address: letters::address_of(&stop.site),
        access_notes: stop.site.access_notes.clone(),
        visit_kind: stop.visit.kind,
        units,
    }
}

fn part_of(day: &Day, part: &DayPart, sister_failed: bool) -> StopPart {
    let mut why = Vec::new();
    if let Some((measured, rated)) = lowest(day, part)
        && part.is_due()
    {
        why.push(PartReason::LowReading { measured, rated });
    }
    let newest = part.readings.first();
    why.extend(
        newest.iter().flat_map(|reading| &reading.conditions).map(|it| PartReason::Seen(*it)),
    );
    if sister_failed && part.component.class.is_run_capacitor() {
        why.push(PartReason::SisterFailed);
    }
    let aged = part.reasons.iter().any(|reason| {
        matches!(reason.what, ReasonKind::HeatAge { .. }) && reason.weight.unwrap_or(0.0) > 0.1
    });
    if aged {
        why.push(PartReason::HeatExposure);
    }
    why.push(part.component.installed_latest.map_or(PartReason::UnknownHistory, |installed| {
        let years = day.route.day.year() - installed.year();
        PartReason::Years(u32::try_from(years).unwrap_or(0))
    }));
    StopPart {
        class: part.component.class,
        rating: part.component.rating.as_deref().and_then(|text| text.parse().ok()),
        due: part.is_due(),
        why,
    }
}

/// The section of the newest readings that lies furthest below its rating.
fn lowest(day: &Day, part: &DayPart) -> Option<(Microfarads, Microfarads)> {
    let newest = part.readings.first()?.taken_on;
    part.readings
        .iter()
        .filter(|reading| reading.taken_on == newest)
        .filter_map(|reading| {
            let rated = rated(&part.component, reading.section)?;
            Some((measured(reading, day.branch.mains_hertz)?, rated))
        })
        .min_by(|a, b| (a.0.get() / a.1.get()).total_cmp(&(b.0.get() / b.1.get())))
}

/// The technicians who drive on a day, in order.
///
/// # Errors
/// Those of the store.
pub fn drivers(
    conn: &mut AnyConnection,
    branch: BranchId,
    on: NaiveDate,
) -> Result<Vec<TechnicianId>, AppError> {
    let filter = RouteFilter {
        days: DateRange::new(on, on),
        state: Some(RouteState::Current),
        ..RouteFilter::default()
    };
    let mut ids: Vec<TechnicianId> = routes::list(conn, branch, &filter, Page::everything())?
        .iter()
        .map(|route| route.technician_id)
        .collect();
    ids.sort_unstable();
    Ok(ids)
}
