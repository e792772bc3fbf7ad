//! One visit of a plan: why does it stand there, and what would another place cost?

use actix_web::http::StatusCode;
use actix_web::{HttpRequest, HttpResponse, web};
use askama::Template;
use chrono::NaiveDate;
use hotspell_domain::{BranchId, PlanId, TechnicianId, VisitId};
use hotspell_planning::reasons::Choice;
use hotspell_store::plans::{self, PlanRecord};
use hotspell_store::technicians::{self, TechnicianFilter};
use hotspell_store::words::{PlanState, Resource};
use hotspell_store::{AnyConnection, Page, branches, sites, visits};
use serde::Deserialize;
use serde_json::json;

use super::{address, name};
use crate::api::audit::{Deed, noted};
use crate::app::AppError;
use crate::app::calendar::time_of_day;
use crate::app::explain::{self, Explained};
use crate::app::letters::address_of;
use crate::app::plan_move::{self, MoveRequest};
use crate::app::season_inputs::FirstHotSpell;
use crate::pages::forms::SessionForm;
use crate::pages::refusal::{PageError, blocking, sentence};
use crate::pages::shell::{self, PLANS, Shell, see_other};
use crate::pages::visitor::Office;
use crate::pages::words;
use crate::state::AppState;

/// Other places shown, the cheapest.
const PLACES_SHOWN: usize = 8;

/// Where it would go.
#[derive(Debug, Default, Deserialize)]
pub(super) struct Query {
    day: Option<NaiveDate>,
    technician: Option<i64>,
}

#[derive(Template)]
#[template(path = "plan-visit.html")]
struct VisitPage {
    shell: Shell,
    here: String,
    plan: String,
    back: String,
    household: String,
    address: String,
    about: String,
    reasons: Vec<String>,
    places: Vec<PlaceView>,
    day: String,
    people: Vec<(i64, String, bool)>,
    can_move: bool,
    is_draft: bool,
    tried: Option<Result<TriedView, String>>,
}

struct PlaceView {
    said: String,
    cost: String,
    href: String,
}

struct TriedView {
    heading: String,
    cost: String,
    changes: Vec<String>,
    day: String,
    technician: i64,
}

/// What is stored of the visit and its plan.
struct Known {
    branch: String,
    plan: PlanRecord,
    household: String,
    address: String,
    about: String,
    people: Vec<(i64, String)>,
}

struct Found {
    known: Known,
    explained: Explained,
    tried: Option<Result<TriedView, String>>,
}

fn known(
    conn: &mut AnyConnection,
    branch: BranchId,
    (plan, visit): (PlanId, VisitId),
) -> Result<Known, AppError> {
    let record = branches::find(conn, branch)?;
    let visit = visits::find(conn, branch, visit)?;
    let site = sites::find(conn, branch, visit.site_id)?;
    let people = technicians::list(conn, branch, &TechnicianFilter::default(), Page::everything())?;
    Ok(Known {
        branch: record.name.clone(),
        plan: plans::find(conn, branch, plan)?,
        household: site.name.clone(),
        address: address_of(&site),
        about: format!(
            "{}, owed from {} to {}; {}.",
            words::visit(visit.kind),
            words::date(visit.within_first),
            words::date(visit.within_last),
            words::state(visit.state)
        ),
        people: people.into_iter().map(|person| (person.id.0, person.name.clone())).collect(),
    })
}

fn load(
    state: &AppState,
    branch: BranchId,
    (plan, visit): (PlanId, VisitId),
    place: Option<(NaiveDate, TechnicianId)>,
) -> Result<Found, AppError> {
    let known = state.store.read(|conn| known(conn, branch, (plan, visit)))?;
    let of_plan = (known.plan.state != PlanState::Adopted).then_some(plan);
    let explained = explain::reasons(state, branch, visit, of_plan)?;
    let tried = place.map(|(day, technician)| {
        let request = MoveRequest { plan, visit, day, technician };
        attempt(state, branch, &request, (&known.people, explained.spell))
    });
    Ok(Found { known, explained, tried: tried.transpose()? })
}

/// What a move would do, or why it cannot be; a fault of the program is one.
fn attempt(
    state: &AppState,
    branch: BranchId,
    request: &MoveRequest,
    (people, spell): (&[(i64, String)], FirstHotSpell),
) -> Result<Result<TriedView, String>, AppError> {
    match plan_move::look(state, branch, request, Some(spell)) {
        Ok(tried) => Ok(Ok(TriedView {
            heading: format!(
                "To {} with {}",
                words::day(request.day),
                person(people, request.technician)
            ),
            cost: tried.cost_sentence(),
            changes: tried.changes,
            day: request.day.to_string(),
            technician: request.technician.0,
        })),
        Err(AppError::Conflict(why)) => Ok(Err(sentence(&why))),
        Err(AppError::Invalid(fields)) => {
            let why: Vec<String> = fields.into_iter().map(|(_, why)| why).collect();
            Ok(Err(sentence(&why.join("; "))))
        }
        Err(error) => Err(error),
    }
}

fn person(people: &[(i64, String)], technician: TechnicianId) -> String {
    let known = people.iter().find(|(id, _)| *id == technician.0);
    known.map_or_else(|| format!("technician {technician}"), |(_, name)| name.clone())
}

/// The page.
pub(super) async fn show(
    state: web::Data<AppState>,
    request: HttpRequest,
    office: Office,
    path: web::Path<(i64, i64)>,
    query: web::Query<Query>,
) -> Result<HttpResponse, PageError> {
    let caller = office.0;
    let (plan, visit) = path.into_inner();
    let (plan, visit) = (PlanId(plan), VisitId(visit));
    let place = query.day.zip(query.technician.map(TechnicianId));
    let found = blocking(move || load(&state, caller.branch, (plan, visit), place)).await?;
    let shell = Shell::signed_in(
        &request,
        &caller,
        format!("{}: {}", name(&found.known.plan), found.known.household),
        &found.known.branch,
        Some(PLANS),
    );
    shell::show(StatusCode::OK, &page(shell, found, visit, place))
}

fn page(
    shell: Shell,
    found: Found,
    visit: VisitId,
    place: Option<(NaiveDate, TechnicianId)>,
) -> VisitPage {
    let here = format!("{}/visits/{visit}", address(&found.known.plan));
    let account = &found.explained.account;
    let stands = account.chosen.as_ref();
    let at = |choice: &Choice| {
        let day = *found.explained.days.get(choice.day)?;
        Some((day, *found.explained.technicians.get(choice.technician)?))
    };
    let chosen = stands.and_then(at);
    let others = account.other_person.iter().chain(&account.other_days).take(PLACES_SHOWN);
    let places = others.filter_map(|choice| {
        let (day, technician) = at(choice)?;
        let more = stands.map(|it| choice.cost.total_s() - it.cost.total_s());
        Some(PlaceView {
            said: format!(
                "{}, {}, at {}",
                words::day(day),
                person(&found.known.people, technician),
                words::time(time_of_day(choice.start_s))
            ),
            cost: more.map_or_else(|| "a place".to_owned(), minutes),
            href: format!("{here}?day={day}&technician={technician}#tried"),
        })
    });
    let wanted = place.or(chosen);
    VisitPage {
        shell,
        plan: name(&found.known.plan),
        back: chosen.map_or_else(
            || address(&found.known.plan),
            |(day, _)| format!("{}/days/{day}", address(&found.known.plan)),
        ),
        household: found.known.household.clone(),
        address: found.known.address.clone(),
        about: found.known.about.clone(),
        reasons: found.explained.sentences.clone(),
        places: places.collect(),
        day: wanted.map_or_else(String::new, |(day, _)| day.to_string()),
        people: found
            .known
            .people
            .iter()
            .map(|(id, name)| (*id, name.clone(), wanted.is_some_and(|(_, it)| it.0 == *id)))
            .collect(),
        can_move: found.known.plan.state != PlanState::Discarded,
        is_draft: found.known.plan.state == PlanState::Draft,
        tried: found.tried,
        here,
    }
}

/// What a place costs more, in minutes of a technician's time.
fn minutes(seconds: i64) -> String {
    match (seconds + seconds.signum() * 30) / 60 {
        0 => "costs the same".to_owned(),
        more if more > 0 => format!("costs {more} min more"),
        less => format!("costs {} min less", -less),
    }
}

/// Keeps a move as a draft.
pub(super) async fn keep(
    state: web::Data<AppState>,
    office: Office,
    path: web::Path<(i64, i64)>,
    SessionForm(fields): SessionForm,
) -> Result<HttpResponse, PageError> {
    let (plan, visit) = path.into_inner();
    let told = |detail: &str| PageError::told(StatusCode::UNPROCESSABLE_ENTITY, detail);
    let place = fields
        .text("day")
        .and_then(|text| text.parse().ok())
        .zip(fields.text("technician").and_then(|text| text.parse().ok()));
    let (day, technician) = place.ok_or_else(|| told("Choose a day and a person."))?;
    let request = MoveRequest {
        plan: PlanId(plan),
        visit: VisitId(visit),
        day,
        technician: TechnicianId(technician),
    };
    let (caller, shared) = (office.0, state.clone());
    let (draft, _) = blocking(move || plan_move::keep(&shared, caller.branch, &request)).await?;
    let outcome = json!({ "run_id": draft.run, "visit_id": visit });
    let deed = Deed { action: "move visit", kind: Resource::Plan, id: draft.plan.0 };
    noted(&state, caller, deed, outcome).await?;
    Ok(see_other(&format!("{}/{}", PLANS.path, draft.plan)))
}
