//! The routes of a day.
//!
//! What the reader must decide: who is where, and into whose day does a call fit? So the map and
//! the list stand beside each other under the same letters, and each route says how full it is.

use actix_web::http::StatusCode;
use actix_web::http::header::{CONTENT_SECURITY_POLICY, HeaderValue};
use actix_web::{HttpRequest, HttpResponse, web};
use askama::Template;
use chrono::NaiveDate;
use hotspell_domain::BranchId;
use hotspell_domain::local_time::local_day;
use hotspell_store::branches::{self, BranchRecord};
use serde::Deserialize;

use crate::api::middleware::observe::policy_with_pictures_of;
use crate::app::AppError;
use crate::app::calendar::{Calendar, time_of_day};
use crate::app::day::{self, Day, DayStop};
use crate::app::letters::address_of;
use crate::app::route_mail::drivers;
use crate::config::Tiles;
use crate::pages::charts::route_map::{MapRoute, route_letter, route_map_svg};
use crate::pages::refusal::{PageError, blocking};
use crate::pages::shell::{self, DAY, Shell, TODAY};
use crate::pages::technician::asked_day;
use crate::pages::visitor::Office;
use crate::pages::words::{self, Mark};
use crate::state::AppState;

/// What may stand behind the address.
#[derive(Debug, Default, Deserialize)]
pub(super) struct Query {
    day: Option<String>,
}

#[derive(Template)]
#[template(path = "office-day.html")]
struct DayPage {
    shell: Shell,
    day: String,
    iso: String,
    before: String,
    before_name: String,
    after: String,
    after_name: String,
    map: Option<String>,
    /// Whose map is under the routes.
    credit: Option<String>,
    routes: Vec<RouteView>,
}

struct RouteView {
    letter: String,
    technician: String,
    page: String,
    hours: String,
    load: String,
    stops: Vec<StopView>,
}

struct StopView {
    number: usize,
    household: String,
    address: String,
    window: String,
    arrive: String,
    kind: &'static str,
    state: &'static str,
    due: Vec<(Mark, String)>,
    check: String,
    placed_on_map: bool,
}

/// The page.
pub(super) async fn show(
    state: web::Data<AppState>,
    request: HttpRequest,
    office: Office,
    query: web::Query<Query>,
) -> Result<HttpResponse, PageError> {
    let caller = office.0;
    let asked = asked_day(query.day.as_deref())?;
    let branch = caller.branch;
    let tiles =
        state.config.map.tiles().map_err(|error| PageError::broken("read settings", &error))?;
    let found = blocking(move || load(&state, branch, asked)).await?;
    let shell = Shell::signed_in(&request, &caller, "Day", &found.branch.name, Some(DAY));
    let mut answer = shell::show(StatusCode::OK, &page(shell, &found, tiles.as_ref()))?;
    if let Some(tiles) = tiles {
        let policy = HeaderValue::try_from(policy_with_pictures_of(&tiles.origin))
            .map_err(|error| PageError::broken("write a policy", &error))?;
        answer.headers_mut().insert(CONTENT_SECURITY_POLICY, policy);
    }
    Ok(answer)
}

struct Found {
    branch: BranchRecord,
    on: NaiveDate,
    days: Vec<(Day, Option<(i32, i32)>)>,
}

fn load(state: &AppState, branch: BranchId, asked: Option<NaiveDate>) -> Result<Found, AppError> {
    let now = state.now();
    state.store.read(|conn| {
        let record = branches::find(conn, branch)?;
        let on = asked.unwrap_or_else(|| local_day(now, record.time_zone));
        let calendar = Calendar::load(conn, &record)?;
        let drivers = drivers(conn, branch, on)?;
        let days = day::load_all(conn, branch, &drivers, on)?
            .into_iter()
            .map(|day| {
                let shift = calendar.shift(day.technician.id, on);
                (day, shift)
            })
            .collect();
        Ok(Found { branch: record, on, days })
    })
}

fn page(shell: Shell, found: &Found, tiles: Option<&Tiles>) -> DayPage {
    let letters = || (0..).map(route_letter);
    let beside = |day: Option<NaiveDate>| day.unwrap_or(found.on);
    let (before, after) = (beside(found.on.pred_opt()), beside(found.on.succ_opt()));
    let map: Vec<MapRoute> = found
        .days
        .iter()
        .zip(letters())
        .map(|((day, _), letter)| MapRoute {
            letter,
            stops: (1..)
                .zip(&day.stops)
                .filter_map(|(number, stop)| Some((number, stop.site.position()?)))
                .collect(),
        })
        .collect();
    DayPage {
        shell: Shell { title: words::day(found.on), ..shell },
        day: words::full_day(found.on),
        iso: found.on.to_string(),
        before: format!("{}?day={before}", DAY.path),
        before_name: words::day(before),
        after: format!("{}?day={after}", DAY.path),
        after_name: words::day(after),
        map: route_map_svg(found.branch.depot(), &map, tiles.map(|tiles| tiles.url.as_str())),
        credit: tiles.map(|tiles| tiles.credit.clone()),
        routes: found
            .days
            .iter()
            .zip(letters())
            .map(|((day, shift), letter)| route(day, *shift, letter))
            .collect(),
    }
}

fn route(day: &Day, shift: Option<(i32, i32)>, letter: String) -> RouteView {
    let at = |seconds| words::time(time_of_day(seconds));
    let ends = day.stops.last().map(|stop| stop.stop.leave_seconds);
    let hours = match (shift, ends) {
        (Some((from, to)), Some(ends)) => {
            format!("Shift {} to {}, last stop left at {}", at(from), at(to), at(ends))
        }
        (None, Some(ends)) => format!("No shift on this day; last stop left at {}", at(ends)),
        (_, None) => "No stops".to_owned(),
    };
    let load = day.load.as_ref().map_or_else(
        || "Load list not reckoned yet".to_owned(),
        |(list, lines)| {
            let pieces: i32 = lines.iter().map(|line| line.quantity).sum();
            format!(
                "Load: {} of {}, {} chance of a missing part",
                words::count(usize::try_from(pieces).unwrap_or(0), "part", "parts"),
                words::count(lines.len(), "kind", "kinds"),
                words::chance(list.chance_short)
            )
        },
    );
    RouteView {
        letter,
        technician: day.technician.name.clone(),
        page: format!("{}?day={}&technician={}", TODAY.path, day.route.day, day.technician.id),
        hours,
        load,
        stops: (1..).zip(&day.stops).map(|(number, it)| stop(it, number)).collect(),
    }
}

fn stop(stop: &DayStop, number: usize) -> StopView {
    StopView {
        number,
        household: stop.site.name.clone(),
        address: address_of(&stop.site),
        window: stop
            .visit
            .starts
            .zip(stop.visit.ends)
            .map_or_else(|| "not told".to_owned(), |(from, to)| words::window(from, to)),
        arrive: words::time(time_of_day(stop.stop.arrival_seconds)),
        kind: words::visit(stop.visit.kind),
        state: words::state(stop.visit.state),
        due: stop
            .units
            .iter()
            .flat_map(|unit| &unit.parts)
            .filter(|part| part.is_due())
            .filter_map(|part| {
                let name = words::part(part.component.class).to_owned();
                Some((words::verdict(part.verdict?), name))
            })
            .collect(),
        check: format!("/technician/visit/{}", stop.visit.id),
        placed_on_map: stop.site.position().is_some(),
    }
}
