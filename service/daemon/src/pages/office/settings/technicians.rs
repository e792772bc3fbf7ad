//! Technicians: who visits, what each is trained for, when and from where each works.
//!
//! What the reader must decide: whom may the plan send, to what, and on which days? Mostly somebody is
//! ill or on holiday, so days off stand first on a person's page; the person's data follow, then the
//! week. Somebody who leaves gets a last day; nobody is deleted, for past visits name them.

use actix_web::{HttpRequest, HttpResponse, web};
use askama::Template;
use chrono::NaiveDate;
use hotspell_domain::local_time::local_day;
use hotspell_domain::{Language, Position, Skill, TechnicianId};
use hotspell_store::technicians::{self as rows, TechnicianFilter, TechnicianRecord};
use hotspell_store::{AnyConnection, Page, StoreError};

use super::calendar::{weekday_of, word_of};
use super::{Kept, WEEKDAYS, kept, load, shell_of, status};
use crate::api::crud;
use crate::api::error::ApiError;
use crate::api::handlers::technicians::Technicians;
use crate::api::transact::write;
use crate::api::types::sites::AbsenceInput;
use crate::api::types::technicians::{ShiftInput, TechnicianInput};
use crate::pages::edit::{
    Field, Form, Reading, Refused, Wrong, field_name, refusal, shown_degrees, shown_time, version,
};
use crate::pages::forms::{Fields, SessionForm};
use crate::pages::refusal::PageError;
use crate::pages::shell::{self, Shell};
use crate::pages::visitor::Office;
use crate::pages::words;
use crate::state::AppState;

const PATH: &str = "/office/settings/technicians";
const SKILLS: [(&str, &str); 3] =
    [("standard", "standard"), ("heat-pump", "heat pumps"), ("large", "large machines")];

pub(super) fn routes(config: &mut web::ServiceConfig) {
    config
        .service(
            web::resource("/office/settings/technicians")
                .route(web::get().to(list))
                .route(web::post().to(add)),
        )
        .service(
            web::resource("/office/settings/technicians/{technician}")
                .route(web::get().to(show))
                .route(web::post().to(change)),
        )
        .service(
            web::resource("/office/settings/technicians/{technician}/away")
                .route(web::post().to(add_absence)),
        )
        .service(
            web::resource("/office/settings/technicians/{technician}/back")
                .route(web::post().to(end_absence)),
        );
}

struct Row {
    id: i64,
    name: String,
    state: String,
    skills: String,
    week: String,
}

#[derive(Template)]
#[template(path = "settings-technicians.html")]
struct ListPage {
    shell: Shell,
    people: Vec<Row>,
    add: Form,
}

#[derive(Template)]
#[template(path = "settings-technician.html")]
struct PersonPage {
    shell: Shell,
    id: i64,
    name: String,
    state: String,
    kept: bool,
    version: i64,
    absences: Vec<(usize, String)>,
    away: Form,
    person: Form,
}

/// The stored person as the API would take it.
fn stored(
    conn: &mut AnyConnection,
    record: &TechnicianRecord,
) -> Result<TechnicianInput, ApiError> {
    Ok(<Technicians as crud::Editable>::view(conn, record.clone())?.fields)
}

/// Somebody new: the office's usual week.
fn nobody(working: &[crate::api::types::weekday::Weekday]) -> TechnicianInput {
    let time = |hour| chrono::NaiveTime::from_hms_opt(hour, 0, 0).unwrap_or_default();
    let shift = |day: &_| ShiftInput { weekday: *day, starts: time(8), ends: time(16) };
    TechnicianInput {
        key: String::new(),
        name: String::new(),
        email: None,
        phone: None,
        language: Language::English,
        start: None,
        active_from: None,
        active_until: None,
        skills: vec![Skill::Standard],
        shifts: working.iter().map(shift).collect(),
        absences: Vec::new(),
    }
}

/// Whether somebody is employed on a day, in words.
fn state_of(from: Option<NaiveDate>, until: Option<NaiveDate>, today: NaiveDate) -> String {
    match (from, until) {
        (_, Some(last)) if last < today => format!("left on {}", words::past(last)),
        (Some(first), _) if first > today => format!("begins on {}", words::past(first)),
        (_, Some(last)) => format!("works until {}", words::past(last)),
        (_, None) => "works here".to_owned(),
    }
}

fn week_of(input: &TechnicianInput) -> String {
    let days: Vec<String> = input
        .shifts
        .iter()
        .map(|shift| {
            let word = word_of(shift.weekday);
            let name = WEEKDAYS.iter().find(|(it, _)| *it == word).map_or(word, |(_, name)| name);
            let short: String = name.chars().take(3).collect();
            format!(
                "{short} {} to {}",
                shown_time(Some(shift.starts)),
                shown_time(Some(shift.ends))
            )
        })
        .collect();
    if days.is_empty() { "no working day yet".to_owned() } else { days.join(", ") }
}

fn skills_of(input: &TechnicianInput) -> String {
    let name = |skill: &Skill| {
        let word = skill.as_str();
        SKILLS.iter().find(|(it, _)| *it == word).map_or(word, |(_, name)| name)
    };
    input.skills.iter().map(name).collect::<Vec<_>>().join(", ")
}

/// The list.
async fn list(
    state: web::Data<AppState>,
    request: HttpRequest,
    office: Office,
) -> Result<HttpResponse, PageError> {
    list_page(&state, &request, office, &Refused::default()).await
}

async fn list_page(
    state: &web::Data<AppState>,
    request: &HttpRequest,
    office: Office,
    refused: &Refused,
) -> Result<HttpResponse, PageError> {
    let (branch, everybody) = load(state, office.0, |conn, branch| {
        let filter = TechnicianFilter::default();
        let mut everybody = Vec::new();
        for record in rows::list(conn, branch.id, &filter, Page::everything())? {
            everybody.push((record.id.0, stored(conn, &record)?));
        }
        Ok(everybody)
    })
    .await?;
    let today = local_day(state.now(), branch.time_zone);
    let mut people: Vec<_> = everybody
        .iter()
        .map(|(id, input)| {
            let gone = input.active_until.is_some_and(|last| last < today);
            let row = Row {
                id: *id,
                name: input.name.clone(),
                state: state_of(input.active_from, input.active_until, today),
                skills: skills_of(input),
                week: week_of(input),
            };
            (gone, row)
        })
        .collect();
    people.sort_by(|a, b| (a.0, &a.1.name).cmp(&(b.0, &b.1.name)));
    let working = crate::api::types::weekday::days(branch.working_weekdays);
    let page = ListPage {
        shell: shell_of(request, &office.0, "Technicians", &branch),
        people: people.into_iter().map(|(_, row)| row).collect(),
        add: refused.form("add-", None, person_fields(&nobody(&working), refused)),
    };
    shell::show(status(page.add.refused()), &page)
}

/// A person's page.
async fn show(
    state: web::Data<AppState>,
    request: HttpRequest,
    office: Office,
    id: web::Path<i64>,
    query: web::Query<Kept>,
) -> Result<HttpResponse, PageError> {
    let fresh = Refused::default();
    page(&state, &request, office, id.into_inner(), (&fresh, &fresh), query.is_said()).await
}

/// The page with what was refused of the person and of days off.
async fn page(
    state: &web::Data<AppState>,
    request: &HttpRequest,
    office: Office,
    id: i64,
    (person, away): (&Refused, &Refused),
    kept: bool,
) -> Result<HttpResponse, PageError> {
    let (branch, (record, input)) = load(state, office.0, move |conn, branch| {
        let record = match rows::find(conn, branch.id, TechnicianId(id)) {
            Ok(record) => record,
            Err(StoreError::NotFound(_)) => return Err(PageError::nothing("technician")),
            Err(error) => return Err(error.into()),
        };
        let input = stored(conn, &record)?;
        Ok((record, input))
    })
    .await?;
    let today = local_day(state.now(), branch.time_zone);
    let version = Some(record.version);
    let absences = input.absences.iter().enumerate();
    let page = PersonPage {
        shell: shell_of(request, &office.0, &input.name, &branch),
        id,
        name: input.name.clone(),
        state: state_of(input.active_from, input.active_until, today),
        kept,
        version: record.version,
        absences: absences
            .filter(|(_, absence)| absence.last_day >= today)
            .map(|(index, absence)| (index, absence_said(absence)))
            .collect(),
        away: away.form(
            "away-",
            version,
            vec![
                away.line("first_day", "First day off", "").kind("date"),
                away.line("last_day", "Last day off", "")
                    .kind("date")
                    .hint("Empty: the first day only."),
                away.line("reason", "Why, as it was said", ""),
            ],
        ),
        person: person.form("person-", version, person_fields(&input, person)),
    };
    shell::show(status(page.person.refused() || page.away.refused()), &page)
}

fn absence_said(absence: &AbsenceInput) -> String {
    let days = if absence.first_day == absence.last_day {
        words::full_day(absence.first_day)
    } else {
        format!("{} to {}", words::past(absence.first_day), words::past(absence.last_day))
    };
    match &absence.reason {
        Some(reason) => format!("{days}: {reason}"),
        None => days,
    }
}

fn person_fields(input: &TechnicianInput, refused: &Refused) -> Vec<Field> {
    let day = |day: Option<NaiveDate>| day.map(|day| day.to_string()).unwrap_or_default();
    let degrees = |pick: fn(&Position) -> f64| shown_degrees(input.start, pick);
    let mut fields = vec![
        refused.line("name", "Name", &*input.name),
        refused
            .line("key", "Your own short name", &*input.key)
            .hint("As your files call the person, such as T-7; no two people share one."),
        refused
            .line("email", "Mail address", input.email.clone().unwrap_or_default())
            .kind("email")
            .hint("Where tomorrow's route goes each evening."),
        refused.line("phone", "Telephone", input.phone.clone().unwrap_or_default()).kind("tel"),
        refused.choice(
            "language",
            "Language of the mails",
            &[("en", "English"), ("es", "Spanish")],
            input.language.as_str(),
        ),
        refused.several(
            "skills",
            "Trained for",
            &SKILLS,
            input.skills.iter().map(|skill| skill.as_str().to_owned()).collect(),
        ),
        refused.line("active_from", "First day of work", day(input.active_from)).kind("date"),
        refused
            .line("active_until", "Last day of work", day(input.active_until))
            .kind("date")
            .hint("For somebody who leaves. Empty: no end is known."),
        refused.line(
            "latitude",
            "Day begins at: latitude, degrees north",
            degrees(|at| at.latitude_degrees),
        ),
        refused
            .line(
                "longitude",
                "Day begins at: longitude, degrees east",
                degrees(|at| at.longitude_degrees),
            )
            .hint("Both empty: at the depot."),
    ];
    for (word, name) in WEEKDAYS {
        let shift = input.shifts.iter().find(|shift| word_of(shift.weekday) == word);
        let time = |pick: fn(&ShiftInput) -> chrono::NaiveTime| shown_time(shift.map(pick));
        fields.push(
            refused
                .line(format!("{word}_starts"), format!("{name} from"), time(|it| it.starts))
                .kind("time"),
        );
        let until = refused
            .line(format!("{word}_ends"), format!("{name} until"), time(|it| it.ends))
            .kind("time");
        fields.push(if word == "sun" {
            until.hint("Both times of a day empty: a day off each week.")
        } else {
            until
        });
    }
    fields
}

fn changed(before: TechnicianInput, sent: &Fields) -> Result<TechnicianInput, Wrong> {
    let mut read = Reading::of(sent);
    let mut shifts = Vec::new();
    for (word, _) in WEEKDAYS {
        let (from, until) = (format!("{word}_starts"), format!("{word}_ends"));
        match (read.time(&from), read.time(&until), weekday_of(word)) {
            (Some(starts), Some(ends), Some(weekday)) if starts < ends => {
                shifts.push(ShiftInput { weekday, starts, ends });
            }
            (Some(_), Some(_), _) => read.refuse(&until, "Expected a time after the start."),
            (Some(_), None, _) => read.refuse(&until, "Give both times of the day, or neither."),
            (None, Some(_), _) => read.refuse(&from, "Give both times of the day, or neither."),
            (None, None, _) => {}
        }
    }
    let skills = read.words::<Skill>("skills");
    if skills.is_empty() {
        read.refuse("skills", "Choose at least one: nobody without a skill is sent anywhere.");
    }
    let input = TechnicianInput {
        key: read.text("key"),
        name: read.text("name"),
        email: read.maybe("email"),
        phone: read.maybe("phone"),
        language: read.word("language", before.language),
        start: read.position(),
        active_from: read.day("active_from"),
        active_until: read.day("active_until"),
        skills,
        shifts,
        absences: before.absences,
    };
    read.finish(input)
}

/// Takes somebody new.
async fn add(
    state: web::Data<AppState>,
    request: HttpRequest,
    office: Office,
    SessionForm(sent): SessionForm,
) -> Result<HttpResponse, PageError> {
    let (caller, now) = (office.0, state.now());
    let outcome = match changed(nobody(&[]), &sent) {
        Ok(input) => {
            let add = move |conn: &mut AnyConnection| {
                crud::add::<Technicians>(conn, &caller, &input, now).map(|(id, ..)| Ok(id))
            };
            refusal(write(&state, add).await, field_name)?
        }
        Err(wrong) => Err(wrong),
    };
    match outcome {
        Ok(id) => Ok(kept(&format!("{PATH}/{id}"))),
        Err(wrong) => {
            list_page(&state, &request, office, &Refused { sent: Some(sent), wrong }).await
        }
    }
}

/// Changes a person by a form.
async fn edit(
    state: &web::Data<AppState>,
    office: &Office,
    id: i64,
    sent: &Fields,
    change: fn(TechnicianInput, &Fields) -> Result<TechnicianInput, Wrong>,
) -> Result<Result<(), Wrong>, PageError> {
    let (caller, now, fields) = (office.0, state.now(), sent.clone());
    let outcome = write(state, move |conn| {
        let before = crud::reach::<Technicians>(conn, &caller, id)?;
        version(&fields).check(before.version)?;
        match change(stored(conn, &before)?, &fields) {
            Ok(input) => {
                crud::replace::<Technicians>(conn, &caller, before, &input, now).map(|_| Ok(()))
            }
            Err(wrong) => Ok(Err(wrong)),
        }
    })
    .await;
    // `/absences/3/last_day` is the field `last_day` of the form that added it.
    refusal(outcome, |pointer| match pointer.rsplit('/').next() {
        Some(last) if pointer.starts_with("absences/") => last.to_owned(),
        _ => field_name(pointer),
    })
}

/// Takes a change of the person.
async fn change(
    state: web::Data<AppState>,
    request: HttpRequest,
    office: Office,
    id: web::Path<i64>,
    SessionForm(sent): SessionForm,
) -> Result<HttpResponse, PageError> {
    let id = id.into_inner();
    match edit(&state, &office, id, &sent, changed).await? {
        Ok(()) => Ok(kept(&format!("{PATH}/{id}"))),
        Err(wrong) => {
            let (refused, fresh) = (Refused { sent: Some(sent), wrong }, Refused::default());
            page(&state, &request, office, id, (&refused, &fresh), false).await
        }
    }
}

/// Takes days off.
async fn add_absence(
    state: web::Data<AppState>,
    request: HttpRequest,
    office: Office,
    id: web::Path<i64>,
    SessionForm(sent): SessionForm,
) -> Result<HttpResponse, PageError> {
    let id = id.into_inner();
    let outcome = edit(&state, &office, id, &sent, |mut before, sent| {
        let mut read = Reading::of(sent);
        let first = read.needed_day("first_day");
        let last = read.day("last_day").or(first);
        if let (Some(first_day), Some(last_day)) = (first, last) {
            let reason = read.maybe("reason");
            before.absences.push(AbsenceInput { first_day, last_day, reason });
        }
        read.finish(before)
    })
    .await?;
    match outcome {
        Ok(()) => Ok(kept(&format!("{PATH}/{id}"))),
        Err(wrong) => {
            let (refused, fresh) = (Refused { sent: Some(sent), wrong }, Refused::default());
            page(&state, &request, office, id, (&fresh, &refused), false).await
        }
    }
}

/// Takes days off back.
async fn end_absence(
    state: web::Data<AppState>,
    request: HttpRequest,
    office: Office,
    id: web::Path<i64>,
    SessionForm(sent): SessionForm,
) -> Result<HttpResponse, PageError> {
    let id = id.into_inner();
    // The form's version says that the list is still the one that the reader saw.
    let outcome = edit(&state, &office, id, &sent, |mut before, sent| {
        let index = sent.text("index").and_then(|text| text.parse::<usize>().ok());
        match index.filter(|index| *index < before.absences.len()) {
            Some(index) => drop(before.absences.remove(index)),
            None => return Err(Wrong::from([(String::new(), "No such days off.".to_owned())])),
        }
        Ok(before)
    })
    .await?;
    match outcome {
        Ok(()) => Ok(kept(&format!("{PATH}/{id}"))),
        Err(wrong) => {
            let (refused, fresh) = (Refused { sent: None, wrong }, Refused::default());
            page(&state, &request, office, id, (&fresh, &refused), false).await
        }
    }
}
