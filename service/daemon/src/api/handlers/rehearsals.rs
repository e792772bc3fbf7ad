//! Rehearsals of the season: start, look, stop.

use actix_web::http::header;
use actix_web::{HttpResponse, get, post, web};
use hotspell_domain::RunId;
use hotspell_store::runs;
use hotspell_store::words::{Resource, RunKind};

use super::actions::{noted, today};
use crate::api::body::Body;
use crate::api::caller::Caller;
use crate::api::checks::Checks;
use crate::api::error::ApiError;
use crate::api::transact::{read, run};
use crate::api::types::rehearsals::{RehearsalInput, RehearsalView};
use crate::app::background;
use crate::app::rehearsal::{self, DRAFTS_MAX, RehearsalRequest};
use crate::config::REPLICATES_MAX;
use crate::state::AppState;

/// Starts a rehearsal
///
/// Draws many seasons of weather, life-model parameters and failures, and counts the no-cool
/// calls of each day: without any visit, with the visits as they are placed, and with drafts, all
/// on the same fate. Answers at once; read it to see how far it is.
#[utoipa::path(
    tag = "plans",
    request_body = RehearsalInput,
    responses((status = 202, description = "It runs", body = RehearsalView,
        headers(("Location" = String, description = "Where it is read."))))
)]
#[post("/rehearsals")]
pub(crate) async fn create_rehearsal(
    state: web::Data<AppState>,
    caller: Caller,
    body: Body<RehearsalInput>,
) -> Result<HttpResponse, ApiError> {
    let input = body.value()?;
    let mut checks = Checks::default();
    checks.past_day("/as_of", input.as_of, state.now());
    let replicates = input.replicates.unwrap_or(state.config.rehearsal.replicates);
    if !(1..=REPLICATES_MAX).contains(&replicates) {
        checks.refuse("/replicates", format!("{replicates} is outside 1 to {REPLICATES_MAX}"));
    }
    if input.draft_plan_ids.len() > DRAFTS_MAX {
        checks.refuse("/draft_plan_ids", format!("more than {DRAFTS_MAX} drafts"));
    }
    checks.finish()?;
    let seed = input.seed.map_or(state.config.planning.seed, u64::from);
    let shared = state.clone();
    let view = run(move || {
        let as_of = input.as_of.map_or_else(|| today(&shared, caller.branch), Ok)?;
        let drafts = input.draft_plan_ids;
        let request = RehearsalRequest { as_of, drafts, replicates, seed };
        let id = rehearsal::start(&shared, caller.branch, request)?;
        let record = shared.store.read(|conn| runs::find(conn, caller.branch, id))?;
        RehearsalView::of(&record, background::standing(&shared, &record))
    })
    .await?;
    let outcome = serde_json::json!({ "run_id": view.id });
    noted(&state, caller, "rehearse", Resource::Branch, caller.branch.0, outcome).await?;
    let place = format!("/api/v1/rehearsals/{}", view.id);
    Ok(HttpResponse::Accepted().insert_header((header::LOCATION, place)).json(view))
}

/// Reads a rehearsal
///
/// Where it stands, and what it found once it has ended. `GET /runs?kind=rehearsal` lists them.
#[utoipa::path(
    tag = "plans",
    params(("rehearsal_id" = i64, Path, description = "Number of its run")),
    responses((status = 200, description = "The rehearsal", body = RehearsalView))
)]
#[get("/rehearsals/{rehearsal_id}")]
pub(crate) async fn find_rehearsal(
    state: web::Data<AppState>,
    caller: Caller,
    id: web::Path<i64>,
) -> Result<HttpResponse, ApiError> {
    let id = RunId(id.into_inner());
    let record = read(&state, move |conn| Ok(runs::find(conn, caller.branch, id)?)).await?;
    let standing = background::standing(&state, &record);
    Ok(HttpResponse::Ok().json(RehearsalView::of(&record, standing)?))
}

/// Stops a rehearsal
///
/// It ends within a second and leaves no result. Again is harmless while it runs; 409 when it has
/// ended.
#[utoipa::path(
    tag = "plans",
    params(("rehearsal_id" = i64, Path, description = "Number of its run")),
    responses((status = 202, description = "It was asked to stop", body = RehearsalView))
)]
#[post("/rehearsals/{rehearsal_id}/stop")]
pub(crate) async fn stop_rehearsal(
    state: web::Data<AppState>,
    caller: Caller,
    id: web::Path<i64>,
) -> Result<HttpResponse, ApiError> {
    let id = RunId(id.into_inner());
    let shared = state.clone();
    let record =
        run(move || background::stop(&shared, caller.branch, RunKind::Rehearsal, id)).await?;
    let outcome = serde_json::json!({ "run_id": id });
    noted(&state, caller, "stop rehearsal", Resource::Branch, caller.branch.0, outcome).await?;
    let standing = background::standing(&state, &record);
    Ok(HttpResponse::Accepted().json(RehearsalView::of(&record, standing)?))
}
