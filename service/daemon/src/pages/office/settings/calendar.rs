//! The working calendar: on which weekdays the office works, and on which days it does not.
//!
//! What the reader must decide: can a visit be planned on that day? So the weekdays come first, then
//! the closed days that lie ahead, each with one button that opens the day again; a day is closed with
//! its name. Closed days that are past stay on record and are only counted.

use actix_web::{HttpRequest, HttpResponse, web};
use askama::Template;
use chrono::NaiveDate;
use hotspell_domain::local_time::local_day;
use hotspell_store::branches::BranchRecord;

use super::branch::stored;
use super::{Kept, WEEKDAYS, kept, load, shell_of, status};
use crate::api::types::branches::{BranchInput, HolidayInput};
use crate::api::types::weekday::{self, Weekday};
use crate::pages::edit::{Form, Reading, Refused, Wrong};
use crate::pages::forms::{Fields, SessionForm};
use crate::pages::refusal::PageError;
use crate::pages::shell::{self, Shell};
use crate::pages::visitor::Office;
use crate::pages::words;
use crate::state::AppState;

const PATH: &str = "/office/settings/calendar";

#[derive(Template)]
#[template(path = "settings-calendar.html")]
struct CalendarPage {
    shell: Shell,
    kept: bool,
    version: i64,
    weekdays: Form,
    add: Form,
    closed: Vec<(NaiveDate, String, String)>,
    past: usize,
}

/// The weekdays in a line.
pub(super) fn said(branch: &BranchRecord) -> String {
    let days: Vec<&str> = weekday::days(branch.working_weekdays)
        .into_iter()
        .filter_map(|day| WEEKDAYS.iter().find(|(word, _)| *word == word_of(day)))
        .map(|(_, name)| *name)
        .collect();
    if days.is_empty() { "no working day".to_owned() } else { days.join(", ") }
}

/// The word of a weekday in forms.
pub(super) const fn word_of(day: Weekday) -> &'static str {
    match day {
        Weekday::Mon => "mon",
        Weekday::Tue => "tue",
        Weekday::Wed => "wed",
        Weekday::Thu => "thu",
        Weekday::Fri => "fri",
        Weekday::Sat => "sat",
        Weekday::Sun => "sun",
    }
}

/// The weekday of a form's word.
pub(super) fn weekday_of(word: &str) -> Option<Weekday> {
    let all = [
        Weekday::Mon,
        Weekday::Tue,
        Weekday::Wed,
        Weekday::Thu,
        Weekday::Fri,
        Weekday::Sat,
        Weekday::Sun,
    ];
    all.into_iter().find(|day| word_of(*day) == word)
}

/// The page.
pub(super) async fn show(
    state: web::Data<AppState>,
    request: HttpRequest,
    office: Office,
    query: web::Query<Kept>,
) -> Result<HttpResponse, PageError> {
    let fresh = Refused::default();
    page(&state, &request, office, (&fresh, &fresh), query.is_said()).await
}

/// The page with what was refused of the weekdays and of a day to be closed.
async fn page(
    state: &web::Data<AppState>,
    request: &HttpRequest,
    office: Office,
    (weekdays, add): (&Refused, &Refused),
    kept: bool,
) -> Result<HttpResponse, PageError> {
    let (branch, input) = load(state, office.0, |conn, branch| Ok(stored(conn, branch)?)).await?;
    let today = local_day(state.now(), branch.time_zone);
    let mut closed = input.holidays.clone();
    closed.sort_by_key(|day| day.day);
    let past = closed.iter().filter(|day| day.day < today).count();
    let days = input.working_weekdays.iter().map(|day| word_of(*day).to_owned()).collect();
    let version = Some(branch.version);
    let page = CalendarPage {
        shell: shell_of(request, &office.0, "Working calendar", &branch),
        kept,
        version: branch.version,
        weekdays: weekdays.form(
            "weekdays-",
            version,
            vec![weekdays.several("weekdays", "The office works on", &WEEKDAYS, days)],
        ),
        add: add.form(
            "close-",
            version,
            vec![
                add.line("day", "Day", "").kind("date"),
                add.line("name", "Why, such as the holiday's name", ""),
            ],
        ),
        closed: closed
            .into_iter()
            .skip(past)
            .map(|day| (day.day, words::full_day(day.day), day.name))
            .collect(),
        past,
    };
    shell::show(status(page.weekdays.refused() || page.add.refused()), &page)
}

/// Changes the branch by a form; what was wrong with it.
async fn edit(
    state: &web::Data<AppState>,
    office: &Office,
    sent: &Fields,
    change: fn(BranchInput, &Fields) -> Result<BranchInput, Wrong>,
) -> Result<Result<(), Wrong>, PageError> {
    // `/holidays/3/name` is the field `name` of the form that added it.
    super::branch::edit(state, office, sent, change, |pointer| match pointer.rsplit('/').next() {
        Some(last) if pointer.starts_with("holidays/") => last.to_owned(),
        _ => String::new(),
    })
    .await
}

/// Takes other weekdays.
pub(super) async fn change(
    state: web::Data<AppState>,
    request: HttpRequest,
    office: Office,
    SessionForm(sent): SessionForm,
) -> Result<HttpResponse, PageError> {
    let outcome = edit(&state, &office, &sent, |before, sent| {
        let mut read = Reading::of(sent);
        let mut working_weekdays = Vec::new();
        for word in sent.all("weekdays") {
            match weekday_of(word) {
                Some(day) => working_weekdays.push(day),
                None => read.refuse("weekdays", format!("«{word}» is no weekday.")),
            }
        }
        if working_weekdays.is_empty() {
            read.refuse("weekdays", "Choose at least one day: nothing could be planned otherwise.");
        }
        read.finish(BranchInput { working_weekdays, ..before })
    })
    .await?;
    match outcome {
        Ok(()) => Ok(kept(PATH)),
        Err(wrong) => {
            let refused = Refused { sent: Some(sent), wrong };
            page(&state, &request, office, (&refused, &Refused::default()), false).await
        }
    }
}

/// Closes a day.
pub(super) async fn close(
    state: web::Data<AppState>,
    request: HttpRequest,
    office: Office,
    SessionForm(sent): SessionForm,
) -> Result<HttpResponse, PageError> {
    let outcome = edit(&state, &office, &sent, |mut before, sent| {
        let mut read = Reading::of(sent);
        let day = read.needed_day("day");
        if before.holidays.iter().any(|it| Some(it.day) == day) {
            read.refuse("day", "This day is closed already.");
        }
        let name = read.text("name");
        before.holidays.extend(day.map(|day| HolidayInput { day, name }));
        read.finish(before)
    })
    .await?;
    match outcome {
        Ok(()) => Ok(kept(PATH)),
        Err(wrong) => {
            let refused = Refused { sent: Some(sent), wrong };
            page(&state, &request, office, (&Refused::default(), &refused), false).await
        }
    }
}

/// Opens a closed day again.
pub(super) async fn open(
    state: web::Data<AppState>,
    request: HttpRequest,
    office: Office,
    SessionForm(sent): SessionForm,
) -> Result<HttpResponse, PageError> {
    let outcome = edit(&state, &office, &sent, |mut before, sent| {
        let mut read = Reading::of(sent);
        let day = read.needed_day("day");
        before.holidays.retain(|it| Some(it.day) != day);
        read.finish(before)
    })
    .await?;
    match outcome {
        Ok(()) => Ok(kept(PATH)),
        Err(wrong) => {
            let refused = Refused { sent: None, wrong };
            page(&state, &request, office, (&refused, &Refused::default()), false).await
        }
    }
}
