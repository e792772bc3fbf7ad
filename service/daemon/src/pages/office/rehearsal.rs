//! The season rehearsed.
//!
//! What the reader must decide: do the visits as placed keep enough calls away, are there days
//! that the crew cannot cope with, and is a draft better? So the two counts stand first in a
//! sentence, then every plan with its band, then day by day; below, what it rests on, and the form
//! for another.

use actix_web::http::StatusCode;
use actix_web::{HttpRequest, HttpResponse, web};
use askama::Template;
use hotspell_domain::local_time::local_day;
use hotspell_domain::{PlanId, RunId};
use hotspell_reliability::rehearsal::Band;
use hotspell_store::plans::{self, PlanFilter, PlanRecord};
use hotspell_store::runs::{self, RunRecord};
use hotspell_store::words::{PlanState, RunKind, RunOutcome};
use hotspell_store::{Page, branches};

use crate::app::AppError;
use crate::app::background::{self, Standing};
use crate::app::rehearsal::{self, RehearsalRequest, Rehearsed};
use crate::config::REPLICATES_MAX;
use crate::pages::charts::calls::calls_svg;
use crate::pages::forms::SessionForm;
use crate::pages::refusal::{PageError, blocking};
use crate::pages::shell::{self, REHEARSAL, Shell, see_other};
use crate::pages::visitor::Office;
use crate::pages::words;
use crate::state::AppState;

/// Drafts offered, the newest.
const DRAFTS_OFFERED: usize = 6;

#[derive(Template)]
#[template(path = "rehearsal.html")]
struct RehearsalPage {
    shell: Shell,
    running: Option<RunningView>,
    /// How the newest one ended, if it has no result.
    ended: Option<String>,
    found: Option<FoundView>,
    drafts: Vec<DraftView>,
    replicates: usize,
    most: usize,
}

struct RunningView {
    run: i64,
    said: String,
    percent: String,
}

struct FoundView {
    lead: String,
    last_day: String,
    rows: Vec<PlanRow>,
    apart: Vec<String>,
    picture: String,
    grounds: String,
}

struct PlanRow {
    name: String,
    calls: String,
    avoided: String,
    over: String,
}

struct DraftView {
    id: i64,
    name: String,
}

/// The page.
pub(super) async fn show(
    state: web::Data<AppState>,
    request: HttpRequest,
    office: Office,
) -> Result<HttpResponse, PageError> {
    let caller = office.0;
    let branch = caller.branch;
    let shared = state.clone();
    let (name, newest, found, drafts) = blocking(move || {
        shared.store.read(|conn| {
            let name = branches::find(conn, branch)?.name.clone();
            let newest = runs::newest(conn, branch, RunKind::Rehearsal)?;
            let filter = PlanFilter { state: Some(PlanState::Draft), ..PlanFilter::default() };
            let drafts = plans::list(conn, branch, &filter, Page::everything())?;
            Ok::<_, AppError>((name, newest, rehearsal::latest(conn, branch)?, drafts))
        })
    })
    .await?;
    let standing = newest.as_ref().map(|run| background::standing(&state, run));
    let shell =
        Shell::signed_in(&request, &caller, "Rehearsal of the season", &name, Some(REHEARSAL));
    let page = RehearsalPage {
        shell,
        running: newest.as_ref().zip(standing).and_then(|(run, at)| running(run, at)),
        ended: newest.as_ref().zip(standing).and_then(|(run, at)| ended(run, at)),
        found: found.as_ref().map(|(run, rehearsed)| view(run, rehearsed)),
        drafts: drafts.iter().rev().take(DRAFTS_OFFERED).map(draft).collect(),
        replicates: state.config.rehearsal.replicates,
        most: REPLICATES_MAX,
    };
    shell::show(StatusCode::OK, &page)
}

/// Starts another one.
pub(super) async fn start(
    state: web::Data<AppState>,
    office: Office,
    SessionForm(fields): SessionForm,
) -> Result<HttpResponse, PageError> {
    let told = |detail: String| PageError::told(StatusCode::UNPROCESSABLE_ENTITY, detail);
    let replicates = fields
        .text("replicates")
        .and_then(|text| text.parse().ok())
        .filter(|count| (1..=REPLICATES_MAX).contains(count))
        .ok_or_else(|| told(format!("Enter a number of seasons from 1 to {REPLICATES_MAX}.")))?;
    let drafts: Vec<PlanId> =
        fields.all("draft").filter_map(|text| text.parse().ok()).map(PlanId).collect();
    if drafts.len() > rehearsal::DRAFTS_MAX {
        return Err(told(format!("Choose at most {} drafts.", rehearsal::DRAFTS_MAX)));
    }
    let branch = office.0.branch;
    blocking(move || {
        let zone = state.store.read(|conn| branches::find(conn, branch))?.time_zone;
        let request = RehearsalRequest {
            as_of: local_day(state.now(), zone),
            drafts,
            replicates,
            seed: state.config.planning.seed,
        };
        rehearsal::start(&state, branch, request)
    })
    .await?;
    Ok(see_other(REHEARSAL.path))
}

/// Stops the one that runs.
pub(super) async fn stop(
    state: web::Data<AppState>,
    office: Office,
    run: web::Path<i64>,
    _: SessionForm,
) -> Result<HttpResponse, PageError> {
    let (branch, run) = (office.0.branch, RunId(run.into_inner()));
    blocking(move || background::stop(&state, branch, RunKind::Rehearsal, run)).await?;
    Ok(see_other(REHEARSAL.path))
}

fn running(run: &RunRecord, standing: Standing) -> Option<RunningView> {
    let percent = 100.0 * run.progress.unwrap_or(0.0);
    let said = match standing {
        Standing::Running => format!("A rehearsal is running; {percent:.0} % is done."),
        Standing::Stopping => "A rehearsal is stopping.".to_owned(),
        Standing::Ended(_) | Standing::Lost => return None,
    };
    Some(RunningView { run: run.id.0, said, percent: format!("{percent:.0}") })
}

fn ended(run: &RunRecord, standing: Standing) -> Option<String> {
    let why = || background::reason(run).unwrap_or_default();
    match standing {
        Standing::Ended(RunOutcome::Failed) => Some(format!("The last one failed: {}.", why())),
        Standing::Ended(RunOutcome::Stopped) => Some(format!("The last one was {}.", why())),
        Standing::Lost => Some("The last one ended with its process; start another.".to_owned()),
        _ => None,
    }
}

fn draft(plan: &PlanRecord) -> DraftView {
    DraftView {
        id: plan.id.0,
        name: format!(
            "draft {}: {} to {}",
            plan.id,
            words::date(plan.first_day),
            words::date(plan.last_day)
        ),
    }
}

fn band(band: &Band) -> String {
    format!("{:.0} ({:.0} to {:.0})", band.median, band.low, band.high)
}

fn view(run: &RunRecord, rehearsed: &Rehearsed) -> FoundView {
    let rehearsal = &rehearsed.rehearsal;
    let rows = rehearsal.plans.iter().enumerate().map(|(index, plan)| PlanRow {
        name: plan.name.clone(),
        calls: band(&plan.calls),
        avoided: rehearsal
            .difference(index, 0)
            .map_or_else(|| "–".to_owned(), |it| band(&it.calls_avoided)),
        over: band(&plan.days_over_capacity),
    });
    // What lies between the visits as placed and the drafts.
    let apart = rehearsal.differences.iter().filter(|it| it.against > 0).filter_map(|it| {
        let (plan, against) = (rehearsal.plans.get(it.plan)?, rehearsal.plans.get(it.against)?);
        Some(format!(
            "«{}» has {:.1} calls less than «{}» in the mean ({:.0} to {:.0}), and fewer in {:.0} % \
             of the seasons.",
            plan.name,
            it.calls_avoided.mean,
            against.name,
            it.calls_avoided.low,
            it.calls_avoided.high,
            100.0 * it.share_with_fewer_calls
        ))
    });
    FoundView {
        lead: lead(rehearsed),
        last_day: words::date(rehearsed.last_day),
        rows: rows.collect(),
        apart: apart.collect(),
        picture: calls_svg(rehearsed),
        grounds: grounds(run, rehearsed),
    }
}

/// The two counts in a sentence.
pub(super) fn lead(rehearsed: &Rehearsed) -> String {
    let last = words::date(rehearsed.last_day);
    match (rehearsed.as_placed(), rehearsed.rehearsal.plans.first()) {
        (Some((placed, spared)), Some(without)) => format!(
            "Without visits {:.0} no-cool calls are to be expected until {last}; with the visits as \
             placed {:.0}, which is {:.1} fewer.",
            without.calls.mean, placed.calls.mean, spared.calls_avoided.mean
        ),
        (None, Some(without)) => format!(
            "No visit has a day: {:.0} no-cool calls are to be expected until {last}.",
            without.calls.mean
        ),
        (_, None) => String::new(),
    }
}

fn grounds(run: &RunRecord, rehearsed: &Rehearsed) -> String {
    let settings = &rehearsed.settings;
    format!(
        "Run {}: {} seasons drawn over the weather of {} past years, {} parts at homes under \
         agreement, life model of run {}, seed {}. From the settings: a reading shows {:.0} % of a \
         capacitor's coming failures, a look {:.0} % of other parts'; a technician serves {} calls \
         a day, on days off {} can be served. A part likelier than not to fail is replaced at its \
         visit.",
        run.id,
        rehearsed.rehearsal.replicates,
        rehearsed.weather_paths,
        rehearsed.parts,
        rehearsed.model_run,
        rehearsed.rehearsal.seed,
        100.0 * settings.found_by_reading,
        100.0 * settings.found_by_eye,
        settings.calls_per_technician_day,
        settings.calls_on_day_off,
    )
}
