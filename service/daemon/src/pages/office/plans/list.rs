//! The drafts against the plan in force, what composes another one, and who is away.

use actix_web::http::StatusCode;
use actix_web::http::header::{HeaderValue, REFRESH};
use actix_web::{HttpRequest, HttpResponse, web};
use askama::Template;
use chrono::{Days, NaiveDate};
use hotspell_domain::local_time::local_day;
use hotspell_domain::{BranchId, DateRange, RunId};
use hotspell_store::plans::{self, PlanFilter, PlanRecord};
use hotspell_store::runs::{self, RunRecord};
use hotspell_store::technicians::{self, TechnicianFilter};
use hotspell_store::words::{PlanState, RunKind, RunOutcome};
use hotspell_store::{Page, branches};

use super::{address, figures, name, stretch};
use crate::app::AppError;
use crate::app::background::reason;
use crate::app::background::{self, Standing};
use crate::app::plan_change::Because;
use crate::app::season_plan::{self, PlanFigures, PlanRequest};
use crate::pages::edit::day_of;
use crate::pages::forms::{Fields, SessionForm};
use crate::pages::refusal::{PageError, blocking};
use crate::pages::shell::{self, PLANS, Shell, see_other};
use crate::pages::visitor::Office;
use crate::state::AppState;

/// Drafts shown, the newest.
const DRAFTS_SHOWN: usize = 8;
/// Days that the form offers to plan unless a plan is in force.
const WEEKS_OFFERED: u64 = 12 * 7;
/// Seconds after which the browser looks again while a plan is composed.
const LOOK_AGAIN_S: &str = "2";

#[derive(Template)]
#[template(path = "plans.html")]
struct ListPage {
    shell: Shell,
    running: Option<RunningView>,
    /// How the newest one ended.
    ended: Option<EndedView>,
    plans: Vec<PlanRow>,
    /// Numbers and names of what can be compared.
    choices: Vec<(i64, String)>,
    first: String,
    last: String,
    tomorrow: String,
    people: Vec<(i64, String)>,
    in_force: bool,
}

struct RunningView {
    run: i64,
    said: String,
    percent: String,
}

struct EndedView {
    good: bool,
    said: String,
    link: Option<String>,
}

struct PlanRow {
    href: String,
    name: String,
    about: String,
    placed: String,
    left_out: String,
    driving: String,
    failures: String,
    fullest: String,
    short: String,
}

struct Found {
    branch: String,
    today: NaiveDate,
    newest: Option<RunRecord>,
    plans: Vec<PlanRecord>,
    people: Vec<(i64, String)>,
}

fn load(state: &AppState, branch: BranchId) -> Result<Found, AppError> {
    let now = state.now();
    state.store.read(|conn| {
        let record = branches::find(conn, branch)?;
        let today = local_day(now, record.time_zone);
        let mut shown = Vec::new();
        for (state, most) in [(PlanState::Adopted, 1), (PlanState::Draft, DRAFTS_SHOWN)] {
            let filter = PlanFilter { state: Some(state), ..PlanFilter::default() };
            let found = plans::list(conn, branch, &filter, Page::everything())?;
            shown.extend(found.into_iter().rev().take(most));
        }
        let everybody = TechnicianFilter::default();
        let people = technicians::list(conn, branch, &everybody, Page::everything())?
            .into_iter()
            .filter(|person| person.active_until.is_none_or(|last| today <= last))
            .map(|person| (person.id.0, person.name.clone()))
            .collect();
        let newest = runs::newest(conn, branch, RunKind::SeasonPlan)?;
        Ok(Found { branch: record.name.clone(), today, newest, plans: shown, people })
    })
}

/// The page.
pub(super) async fn show(
    state: web::Data<AppState>,
    request: HttpRequest,
    office: Office,
) -> Result<HttpResponse, PageError> {
    let caller = office.0;
    let shared = state.clone();
    let found = blocking(move || load(&shared, caller.branch)).await?;
    let standing = found.newest.as_ref().map(|run| background::standing(&state, run));
    let newest = found.newest.as_ref().zip(standing);
    let running = newest.and_then(|(run, at)| running(run, at));
    let tomorrow = found.today.succ_opt().unwrap_or(found.today);
    let in_force = found.plans.iter().find(|plan| plan.state == PlanState::Adopted);
    let last = in_force
        .map(|plan| plan.last_day)
        .filter(|last| *last > found.today)
        .unwrap_or(found.today + Days::new(WEEKS_OFFERED));
    let is_running = running.is_some();
    let page = ListPage {
        shell: Shell::signed_in(&request, &caller, "Season plan", &found.branch, Some(PLANS)),
        running,
        ended: newest.and_then(|(run, at)| ended(run, at, &found.plans)),
        plans: found.plans.iter().map(row).collect(),
        choices: found.plans.iter().map(|plan| (plan.id.0, name(plan))).collect(),
        first: tomorrow.to_string(),
        last: last.to_string(),
        tomorrow: tomorrow.to_string(),
        people: found.people,
        in_force: in_force.is_some(),
    };
    let mut response = shell::show(StatusCode::OK, &page)?;
    if is_running {
        // Nothing can be typed on this page while a plan is composed, so nothing is lost.
        response.headers_mut().insert(REFRESH, HeaderValue::from_static(LOOK_AGAIN_S));
    }
    Ok(response)
}

fn running(run: &RunRecord, standing: Standing) -> Option<RunningView> {
    let percent = 100.0 * run.progress.unwrap_or(0.0);
    let said = match standing {
        Standing::Running => format!("A plan is being composed; {percent:.0} % is done."),
        Standing::Stopping => "The work on the plan is stopping.".to_owned(),
        Standing::Ended(_) | Standing::Lost => return None,
    };
    Some(RunningView { run: run.id.0, said, percent: format!("{percent:.0}") })
}

fn ended(run: &RunRecord, standing: Standing, plans: &[PlanRecord]) -> Option<EndedView> {
    let bad = |said: String| Some(EndedView { good: false, said, link: None });
    match standing {
        Standing::Ended(RunOutcome::Succeeded) => {
            let draft = plans
                .iter()
                .find(|plan| plan.run_id == run.id && plan.state == PlanState::Draft)?;
            Some(EndedView {
                good: true,
                said: format!("{} is the newest.", name(draft)),
                link: Some(address(draft)),
            })
        }
        Standing::Ended(RunOutcome::Failed) => {
            bad(format!("The last one failed: {}.", reason(run).unwrap_or_default()))
        }
        Standing::Ended(RunOutcome::Stopped) => {
            bad(format!("The last one was {}.", reason(run).unwrap_or_default()))
        }
        Standing::Lost => bad("The last one ended with its process; compose it again.".to_owned()),
        _ => None,
    }
}

fn row(plan: &PlanRecord) -> PlanRow {
    let figures = figures::of(plan);
    let because = figures.as_ref().and_then(|it| Some(it.change.as_ref()?.because));
    let why = match because {
        Some(Because::Repair) => ", a repair",
        Some(Because::Nightly) => ", of the night",
        Some(Because::Move) => ", a visit moved",
        None => "",
    };
    let said =
        |tell: fn(&PlanFigures) -> String| figures.as_ref().map_or_else(|| "–".to_owned(), tell);
    PlanRow {
        href: address(plan),
        name: name(plan),
        about: format!("{}{why}", stretch(plan)),
        placed: said(|it| it.placed.to_string()),
        left_out: said(|it| it.unplaced.to_string()),
        driving: said(|it| format!("{} h", it.travel_minutes / 60)),
        failures: said(|it| format!("{:.1}", it.expected_failures)),
        fullest: said(figures::fullest),
        short: said(|it| {
            it.staffing
                .as_ref()
                .map_or_else(|| "–".to_owned(), |it| it.technician_days_short.to_string())
        }),
    }
}

/// Composes another draft beside the requests.
pub(super) async fn compose(
    state: web::Data<AppState>,
    office: Office,
    SessionForm(fields): SessionForm,
) -> Result<HttpResponse, PageError> {
    let told = |detail: &str| PageError::told(StatusCode::UNPROCESSABLE_ENTITY, detail);
    let horizon = days(&fields)?;
    let usual = state.config.planning.iterations_per_visit;
    let iterations_per_visit = match fields.text("effort") {
        Some("quick") => (usual / 4).max(1),
        Some("usual") => usual,
        Some("thorough") => usual.saturating_mul(4),
        _ => return Err(told("Choose how long to search.")),
    };
    let request = PlanRequest { horizon, seed: state.config.planning.seed, iterations_per_visit };
    let branch = office.0.branch;
    blocking(move || season_plan::start(&state, branch, request)).await?;
    Ok(see_other(PLANS.path))
}

/// The first and last day of a form.
pub(super) fn days(fields: &Fields) -> Result<DateRange, PageError> {
    let told = |detail: &str| PageError::told(StatusCode::UNPROCESSABLE_ENTITY, detail);
    let date = |name: &str| fields.text(name).and_then(day_of);
    let (first, last) = date("first_day")
        .zip(date("last_day"))
        .ok_or_else(|| told("Enter a first and a last day, such as 2026-02-02."))?;
    let range =
        DateRange::new(first, last).ok_or_else(|| told("The last day comes before the first."))?;
    if (last - first).num_days() > season_plan::DAYS_MAX {
        return Err(told("A plan covers at most a year."));
    }
    Ok(range)
}

/// Stops the one that is composed.
pub(super) async fn stop(
    state: web::Data<AppState>,
    office: Office,
    run: web::Path<i64>,
    _: SessionForm,
) -> Result<HttpResponse, PageError> {
    let (branch, run) = (office.0.branch, RunId(run.into_inner()));
    blocking(move || background::stop(&state, branch, RunKind::SeasonPlan, run)).await?;
    Ok(see_other(PLANS.path))
}
