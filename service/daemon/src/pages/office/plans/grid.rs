//! A plan as days by people.

use std::collections::BTreeMap;

use chrono::{Days, NaiveDate};
use hotspell_domain::{DateRange, TechnicianId};
use hotspell_store::plans::{PlanRouteRecord, PlanStopRecord};

use super::figures::hours;
use crate::app::calendar::Calendar;
use crate::pages::words;

/// Calendar days shown at once.
const DAYS_SHOWN: u64 = 28;

/// What is stored of a plan's days.
#[derive(Debug)]
pub(super) struct Sheet {
    pub(super) stops: Vec<PlanStopRecord>,
    pub(super) routes: Vec<PlanRouteRecord>,
}

/// Some weeks of a plan.
#[derive(Debug)]
pub(super) struct Grid {
    pub(super) people: Vec<String>,
    pub(super) days: Vec<DayRow>,
    pub(super) caption: String,
    pub(super) earlier: Option<String>,
    pub(super) later: Option<String>,
}

/// A working day.
#[derive(Debug)]
pub(super) struct DayRow {
    pub(super) name: String,
    pub(super) href: String,
    pub(super) cells: Vec<Cell>,
}

/// A technician's day.
#[derive(Debug)]
pub(super) enum Cell {
    /// No shift.
    Off,
    /// A shift and no visit.
    Free,
    /// Visits.
    Busy(Busy),
}

/// How much there is to do.
#[derive(Debug)]
pub(super) struct Busy {
    pub(super) visits: String,
    /// Work at homes; nothing for a plan of before this was kept.
    pub(super) work: Option<String>,
    pub(super) drive: Option<String>,
    /// More work than is comfortable.
    pub(super) is_long: bool,
}

/// Lays the days from one on out, as many as are shown at once.
pub(super) fn grid(
    address: &str,
    calendar: &Calendar,
    days: DateRange,
    from: NaiveDate,
    sheet: &Sheet,
    comfortable_s: i32,
) -> Grid {
    let first = from.clamp(days.first, days.last);
    let last = (first + Days::new(DAYS_SHOWN - 1)).min(days.last);
    let shown = DateRange { first, last };
    let mut counts: BTreeMap<(NaiveDate, TechnicianId), usize> = BTreeMap::new();
    for stop in &sheet.stops {
        *counts.entry((stop.day, stop.technician_id)).or_default() += 1;
    }
    let routes: BTreeMap<_, _> =
        sheet.routes.iter().map(|route| ((route.day, route.technician_id), route)).collect();
    let people: Vec<_> = calendar
        .technicians
        .iter()
        .filter(|(id, _)| {
            days.each_day()
                .any(|day| calendar.shift(**id, day).is_some() || counts.contains_key(&(day, **id)))
        })
        .collect();
    let cell = |day: NaiveDate, technician: TechnicianId| match counts.get(&(day, technician)) {
        None if calendar.shift(technician, day).is_none() => Cell::Off,
        None => Cell::Free,
        Some(visits) => {
            let route = routes.get(&(day, technician));
            Cell::Busy(Busy {
                visits: words::count(*visits, "visit", "visits"),
                work: route.map(|it| hours(i64::from(it.work_seconds) / 60)),
                drive: route.map(|it| hours(i64::from(it.travel_seconds) / 60)),
                is_long: route.is_some_and(|it| it.work_seconds > comfortable_s),
            })
        }
    };
    let is_shown = |day: &NaiveDate| {
        calendar.working_days(DateRange { first: *day, last: *day }).len() == 1
            || people.iter().any(|(id, _)| counts.contains_key(&(*day, **id)))
    };
    let rows = shown.each_day().filter(is_shown).map(|day| DayRow {
        name: words::day(day),
        href: format!("{address}/days/{day}"),
        cells: people.iter().map(|(id, _)| cell(day, **id)).collect(),
    });
    let link = |from: NaiveDate| format!("{address}?from={from}#days");
    Grid {
        days: rows.collect(),
        people: people.iter().map(|(_, person)| person.name.clone()).collect(),
        caption: format!("{} to {}", words::date(first), words::date(last)),
        earlier: (first > days.first)
            .then(|| link((first - Days::new(DAYS_SHOWN)).max(days.first))),
        later: (last < days.last).then(|| link(last + Days::new(1))),
    }
}
