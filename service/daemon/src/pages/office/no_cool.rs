//! Nothing cools: take the call, see what is likely broken and whose day it fits into, decide.
//!
//! What the reader must decide while somebody is on the telephone: which home, and who goes when. So one
//! page finds the home and takes the call, the next one offers ways as choices with what each costs others.

use actix_web::http::StatusCode;
use actix_web::{HttpRequest, HttpResponse, web};
use askama::Template;
use chrono::NaiveDate;
use hotspell_domain::{BranchId, SiteId, TechnicianId, Vulnerability};
use hotspell_store::branches::{self, BranchRecord};
use hotspell_store::sites::{self, SiteFilter, SiteRecord};
use hotspell_store::{AnyConnection, Page};
use hotspell_weather::temperature::TemperatureUnit;
use serde::Deserialize;

use crate::app::AppError;
use crate::app::letters::address_of;
use crate::app::no_cool::{self, Acceptance, Assessed, NoCoolCall};
use crate::pages::forms::SessionForm;
use crate::pages::refusal::{PageError, blocking};
use crate::pages::shell::{self, DAY, Shell, see_other};
use crate::pages::visitor::Office;
use crate::pages::words;
use crate::state::AppState;

/// Where calls are taken.
const PATH: &str = "/office/no-cool";
/// Homes shown of those that match.
const HOMES: usize = 12;
/// Marks a choice that breaks promises.
const LATE: &str = "late";
/// Longest words of a household, letters.
const WORDS_MAX: usize = 200;

/// What may stand behind the address.
#[derive(Debug, Default, Deserialize)]
pub(super) struct Query {
    home: Option<String>,
}

#[derive(Template)]
#[template(path = "no-cool.html")]
struct CallPage {
    shell: Shell,
    wanted: String,
    homes: Vec<HomeView>,
    more: bool,
    people: Vec<(&'static str, &'static str)>,
}

struct HomeView {
    id: i64,
    label: String,
}

const fn person(vulnerability: Vulnerability) -> &'static str {
    match vulnerability {
        Vulnerability::Infant => "a small child",
        Vulnerability::OlderPerson => "an older person",
        Vulnerability::Illness => "somebody ill, or on a medical device",
        Vulnerability::Pregnancy => "somebody pregnant",
        Vulnerability::Disability => "somebody who cannot leave without help",
    }
}

/// The form that takes a call.
pub(super) async fn ask(
    state: web::Data<AppState>,
    request: HttpRequest,
    office: Office,
    query: web::Query<Query>,
) -> Result<HttpResponse, PageError> {
    let caller = office.0;
    let wanted = query.into_inner().home.unwrap_or_default().trim().to_owned();
    let (branch, text) = (caller.branch, wanted.clone());
    let (record, homes) =
        blocking(move || state.store.read(|conn| find(conn, branch, &text))).await?;
    let page = CallPage {
        shell: Shell::signed_in(&request, &caller, "No-cool call", &record.name, Some(DAY)),
        wanted,
        more: homes.len() > HOMES,
        homes: homes
            .iter()
            .take(HOMES)
            .map(|site| HomeView {
                id: site.id.0,
                label: format!("{}, {}", site.name, address_of(site)),
            })
            .collect(),
        people: Vulnerability::ALL.iter().map(|it| (it.as_str(), person(*it))).collect(),
    };
    shell::show(StatusCode::OK, &page)
}

/// The branch, and the homes whose name, key or address holds the text; none for no text.
fn find(
    conn: &mut AnyConnection,
    branch: BranchId,
    wanted: &str,
) -> Result<(BranchRecord, Vec<SiteRecord>), AppError> {
    let record = branches::find(conn, branch)?;
    if wanted.is_empty() {
        return Ok((record, Vec::new()));
    }
    let wanted = wanted.to_lowercase();
    let mut homes = sites::list(conn, branch, &SiteFilter::default(), Page::everything())?;
    homes.retain(|site| {
        [&site.name, &site.key, &address_of(site)]
            .iter()
            .any(|text| text.to_lowercase().contains(&wanted))
    });
    Ok((record, homes))
}

/// Takes the call, then leads to what can be done about it.
pub(super) async fn take(
    state: web::Data<AppState>,
    office: Office,
    SessionForm(fields): SessionForm,
) -> Result<HttpResponse, PageError> {
    let told = |detail: &str| PageError::told(StatusCode::UNPROCESSABLE_ENTITY, detail);
    let site: i64 = fields
        .text("site")
        .and_then(|text| text.parse().ok())
        .ok_or_else(|| told("Choose the home that called."))?;
    let vulnerabilities = fields
        .all("person")
        .map(str::parse)
        .collect::<Result<Vec<Vulnerability>, _>>()
        .map_err(|error| told(&error.to_string()))?;
    let words = fields.text("words").map(|text| text.chars().take(WORDS_MAX).collect());
    let call = NoCoolCall { site: SiteId(site), vulnerabilities, words, called_at: state.now() };
    let caller = office.0;
    let found =
        blocking(move || no_cool::take(&state, caller.branch, &call, &caller.who())).await?;
    Ok(see_other(&format!("{PATH}/{}", found.call.id)))
}

#[derive(Template)]
#[template(path = "no-cool-ways.html")]
struct WaysPage {
    shell: Shell,
    call: i64,
    home: String,
    address: String,
    priority: i32,
    grounds: String,
    /// What to tell a household with somebody who bears heat badly.
    advise: bool,
    words: Option<String>,
    parts: Vec<PartView>,
    ways: Vec<WayView>,
    notes: Vec<String>,
    /// Where the visit stands when the call is decided.
    decided: Option<&'static str>,
}

struct PartView {
    name: String,
    chance: String,
    bring: String,
    why: String,
}

struct WayView {
    value: String,
    when: String,
    sentence: String,
    /// Whether somebody loses a promised time.
    breaks: bool,
}

/// What can be done about a call.
pub(super) async fn ways(
    state: web::Data<AppState>,
    request: HttpRequest,
    office: Office,
    call: web::Path<i64>,
) -> Result<HttpResponse, PageError> {
    let caller = office.0;
    let (record, found) = blocking(move || {
        let record = state.store.read(|conn| branches::find(conn, caller.branch))?;
        let found = no_cool::assess(&state, caller.branch, call.into_inner())?;
        Ok::<_, AppError>((record, found))
    })
    .await?;
    let shell = Shell::signed_in(&request, &caller, "No-cool call", &record.name, Some(DAY));
    let page = page(shell, found, record.temperature_unit.into())
        .map_err(|error| PageError::broken("a no-cool call cannot be read", &error))?;
    shell::show(StatusCode::OK, &page)
}

fn page(shell: Shell, found: Assessed, unit: TemperatureUnit) -> Result<WaysPage, AppError> {
    let (people, heat) = (found.vulnerabilities()?, found.heat()?);
    let high = |celsius: f64| format!("{:.0} °{unit}", unit.from_celsius(celsius));
    let mut grounds: Vec<String> =
        people.iter().map(|it| format!("{} at home", person(*it))).collect();
    grounds.extend(found.site.vulnerability.as_ref().map(|said| format!("on record: {said}")));
    grounds.extend(heat.today_celsius.map(|it| format!("today up to {}", high(it))));
    grounds.extend(heat.to_come_celsius.map(|it| format!("next days up to {}", high(it))));
    if heat.today_celsius.is_none() && heat.to_come_celsius.is_none() {
        grounds.push("the heat is not known".to_owned());
    }
    let parts = found.parts.iter().map(|part| PartView {
        name: format!("{} of {}", words::part(part.class), part.unit),
        chance: words::chance(part.share),
        bring: part.rating.as_deref().map_or_else(|| "–".to_owned(), words::rating),
        why: part.why.clone().unwrap_or_default(),
    });
    let ways = found.ways.iter().map(|way| {
        let (from, to) = no_cool::window_times(way);
        WayView {
            value: format!(
                "{}/{}/{}",
                way.day,
                way.technician,
                if way.breaks_a_promise { LATE } else { "" }
            ),
            breaks: way.breaks_a_promise,
            when: format!("{}, {}", words::day(way.day), words::window(from, to)),
            sentence: way.sentence.clone(),
        }
    });
    Ok(WaysPage {
        shell,
        call: found.call.id,
        home: found.site.name.clone(),
        address: address_of(&found.site),
        priority: found.visit.priority,
        grounds: grounds.join(", "),
        advise: !people.is_empty() || found.site.vulnerability.is_some(),
        words: found.call.words.clone(),
        parts: parts.collect(),
        ways: ways.collect(),
        notes: found.notes,
        decided: (found.visit.state != hotspell_domain::VisitState::Owed)
            .then(|| words::state(found.visit.state)),
    })
}

/// Accepts a call into a day, or turns it down.
pub(super) async fn decide(
    state: web::Data<AppState>,
    office: Office,
    call: web::Path<i64>,
    SessionForm(fields): SessionForm,
) -> Result<HttpResponse, PageError> {
    let told = |detail: &str| PageError::told(StatusCode::UNPROCESSABLE_ENTITY, detail);
    let (caller, call) = (office.0, call.into_inner());
    if fields.text("way") == Some("none") {
        let why: String = fields
            .text("why")
            .ok_or_else(|| told("Say why the call is turned down."))?
            .chars()
            .take(WORDS_MAX)
            .collect();
        blocking(move || no_cool::reject(&state, caller.branch, call, &why, &caller.who())).await?;
        return Ok(see_other(DAY.path));
    }
    let place = fields
        .text("way")
        .and_then(|text| {
            let [day, technician, promises] = text.split('/').collect::<Vec<_>>()[..] else {
                return None;
            };
            let day: NaiveDate = day.parse().ok()?;
            let technician = TechnicianId(technician.parse().ok()?);
            Some(Acceptance { day, technician, break_promises: promises == LATE })
        })
        .ok_or_else(|| told("Choose who goes, or turn the call down."))?;
    blocking(move || no_cool::accept(&state, caller.branch, call, place, &caller.who())).await?;
    Ok(see_other(&format!("{}?day={}", DAY.path, place.day)))
}
