//! A technician's day, read with a thumb in a driveway.
//!
//! What the reader must decide: where do I go next, is the part on the truck, and what must I be
//! careful about? So the cautions come first (a cabinet will be opened), then the next stop whole,
//! then the later ones and the load list, each folded until it is wanted.

use actix_web::http::StatusCode;
use actix_web::{HttpRequest, HttpResponse, web};
use askama::Template;
use chrono::{DateTime, NaiveDate, NaiveDateTime, SecondsFormat, Utc};
use hotspell_domain::{BranchId, Role, TechnicianId, VisitState};
use hotspell_store::routes::{LoadListLineRecord, LoadListRecord};
use hotspell_store::{branches, technicians};
use serde::Deserialize;

use crate::app::AppError;
use crate::app::calendar::time_of_day;
use crate::app::day::{self, Day, DayStop};
use crate::app::letters;
use crate::pages::edit::day_of;
use crate::pages::parts::{self as view, UnitView};
use crate::pages::refusal::{PageError, blocking};
use crate::pages::shell::{self, Shell, TODAY, see_other};
use crate::pages::visitor::Crew;
use crate::pages::words::{self, Mark};
use crate::state::AppState;

/// What may stand behind the address.
#[derive(Debug, Default, Deserialize)]
pub(super) struct Query {
    day: Option<String>,
    technician: Option<String>,
}

/// A day before or after.
struct Neighbour {
    address: String,
    name: String,
}

#[derive(Template)]
#[template(path = "technician-day.html")]
struct DayPage {
    shell: Shell,
    technician: String,
    /// When the page was made: without signal it may be older than it looks.
    as_of: String,
    /// The same moment for the phone's clock.
    made: String,
    is_today: bool,
    day: String,
    before: Neighbour,
    after: Neighbour,
    next: Option<StopView>,
    later: Vec<StopView>,
    finished: Vec<StopView>,
    total: usize,
    /// When the plan has a pause, and between which stops.
    pause: Option<String>,
    load: Option<LoadView>,
}

struct LoadView {
    lines: Vec<LoadLineView>,
    /// What the phone remembers the ticks of the list by.
    tick: String,
    bound: String,
    short: String,
}

struct LoadLineView {
    text: String,
    why: String,
}

struct StopView {
    number: usize,
    household: String,
    window: String,
    planned: String,
    kind: &'static str,
    state: &'static str,
    address: String,
    geo: Option<String>,
    phone: Option<(String, String)>,
    access: Option<String>,
    units: Vec<UnitView>,
    /// Due parts in a few words, for the folded stop.
    due: Vec<(Mark, String)>,
    check: String,
    result: String,
}

/// The page.
pub(super) async fn show(
    state: web::Data<AppState>,
    request: HttpRequest,
    crew: Crew,
    query: web::Query<Query>,
) -> Result<HttpResponse, PageError> {
    let caller = crew.0;
    let query = query.into_inner();
    let asked = asked_day(query.day.as_deref())?;
    let technician = match caller.role {
        Role::Technician => caller.technician,
        _ => query.technician.as_deref().and_then(|id| id.parse().ok()).map(TechnicianId),
    };
    let Some(technician) = technician else {
        // The office chooses whose day it looks at on the page of the day.
        return Ok(see_other(shell::DAY.path));
    };
    let branch = caller.branch;
    let found = blocking(move || load(&state, branch, technician, asked)).await?;
    let suffix = match caller.role {
        Role::Technician => String::new(),
        _ => format!("&technician={technician}"),
    };
    let here = (caller.role == Role::Technician).then_some(TODAY);
    let shell = Shell::signed_in(&request, &caller, "Day", &found.branch.name, here);
    shell::show(StatusCode::OK, &page(shell, &found, &suffix))
}

/// The day that stands in an address, if any.
pub(in crate::pages) fn asked_day(day: Option<&str>) -> Result<Option<NaiveDate>, PageError> {
    let Some(text) = day.filter(|text| !text.is_empty()) else { return Ok(None) };
    day_of(text).map(Some).ok_or_else(|| {
        PageError::told(
            StatusCode::BAD_REQUEST,
            format!("«{text}» is no day; write it such as 2025-04-02."),
        )
    })
}

struct Found {
    branch: branches::BranchRecord,
    technician: technicians::TechnicianRecord,
    on: NaiveDate,
    now: DateTime<Utc>,
    /// Day and time of the branch's clock.
    local: NaiveDateTime,
    day: Option<Day>,
    /// Length of a pause, seconds.
    pause_s: i32,
}

fn load(
    state: &AppState,
    branch: BranchId,
    technician: TechnicianId,
    asked: Option<NaiveDate>,
) -> Result<Found, AppError> {
    let now = state.now();
    state.store.read(|conn| {
        let record = branches::find(conn, branch)?;
        let local = now.with_timezone(&record.time_zone).naive_local();
        let on = asked.unwrap_or_else(|| local.date());
        let person = technicians::find(conn, branch, technician)?;
        let day = day::load(conn, branch, technician, on)?;
        let pause_s = state.config.planning.pause_s;
        Ok(Found { branch: record, technician: person, on, now, local, day, pause_s })
    })
}

fn page(shell: Shell, found: &Found, suffix: &str) -> DayPage {
    let neighbour = |day: Option<NaiveDate>| {
        let day = day.unwrap_or(found.on);
        Neighbour { address: format!("{}?day={day}{suffix}", TODAY.path), name: words::day(day) }
    };
    let stops: Vec<StopView> = found.day.as_ref().map(stops).unwrap_or_default();
    let total = stops.len();
    let (open, finished): (Vec<_>, Vec<_>) =
        stops.into_iter().partition(|stop| is_open(found.day.as_ref(), stop.number));
    let mut open = open.into_iter();
    let title = format!("{}: {}", found.technician.name, words::day(found.on));
    DayPage {
        shell: Shell { title, ..shell },
        technician: found.technician.name.clone(),
        as_of: format!("{} {}", words::day(found.local.date()), words::time(found.local.time())),
        made: found.now.to_rfc3339_opts(SecondsFormat::Secs, true),
        is_today: found.on == found.local.date(),
        day: words::full_day(found.on),
        before: neighbour(found.on.pred_opt()),
        after: neighbour(found.on.succ_opt()),
        next: open.next(),
        later: open.collect(),
        finished,
        total,
        pause: found.day.as_ref().and_then(|day| pause(day, found.pause_s)),
        load: found
            .day
            .as_ref()
            .and_then(|day| day.load.as_ref())
            .map(|load| load_view(load, found.on)),
    }
}

/// The pause of the plan in a sentence.
fn pause(day: &Day, pause_s: i32) -> Option<String> {
    let begins = day.pause_begins_seconds?;
    let at = |seconds| words::time(time_of_day(seconds));
    let before = day.stops.iter().filter(|stop| stop.stop.start_seconds < begins).count();
    let place = match (before, day.stops.len() - before) {
        (0, _) => "before the first stop".to_owned(),
        (_, 0) => "after the last stop".to_owned(),
        _ => format!("between stops {before} and {}", before + 1),
    };
    Some(format!("{} to {}, {place}", at(begins), at(begins + pause_s)))
}

fn is_open(day: Option<&Day>, number: usize) -> bool {
    day.and_then(|day| day.stops.get(number.checked_sub(1)?))
        .is_some_and(|stop| !matches!(stop.visit.state, VisitState::Done | VisitState::Dropped))
}

fn load_view((list, lines): &(LoadListRecord, Vec<LoadListLineRecord>), on: NaiveDate) -> LoadView {
    LoadView {
        tick: on.to_string(),
        lines: lines
            .iter()
            .map(|line| LoadLineView {
                text: format!(
                    "{} × {} {}",
                    line.quantity,
                    words::part(line.class),
                    words::rating(&line.rating)
                ),
                why: line.why.clone(),
            })
            .collect(),
        bound: words::chance(list.chance_bound),
        short: words::chance(list.chance_short),
    }
}

fn stops(day: &Day) -> Vec<StopView> {
    day.stops.iter().zip(1..).map(|(it, number)| stop(day, it, number)).collect()
}

fn stop(day: &Day, stop: &DayStop, number: usize) -> StopView {
    let at = |seconds| words::time(time_of_day(seconds));
    let units: Vec<UnitView> =
        stop.units.iter().map(|unit| view::unit(unit, day.branch.mains_hertz)).collect();
    let due = stop
        .units
        .iter()
        .flat_map(|unit| &unit.parts)
        .filter(|part| part.is_due())
        .filter_map(|part| Some((words::verdict(part.verdict?), view::name(&part.component))))
        .collect();
    StopView {
        number,
        household: stop.site.name.clone(),
        window: stop
            .visit
            .starts
            .zip(stop.visit.ends)
            .map_or_else(|| "not told".to_owned(), |(from, to)| words::window(from, to)),
        planned: format!(
            "arrive {}, leave {}",
            at(stop.stop.arrival_seconds),
            at(stop.stop.leave_seconds)
        ),
        kind: words::visit(stop.visit.kind),
        state: words::state(stop.visit.state),
        address: letters::address_of(&stop.site),
        geo: stop.site.position().map(|position| {
            format!("geo:{:.6},{:.6}", position.latitude_degrees, position.longitude_degrees)
        }),
        phone: stop
            .contact
            .as_ref()
            .and_then(|contact| contact.phone.clone())
            .map(|phone| (words::dialable(&phone), phone)),
        access: stop.site.access_notes.clone(),
        units,
        due,
        check: format!("/technician/visit/{}", stop.visit.id),
        result: format!("/technician/visit/{}/result", stop.visit.id),
    }
}
