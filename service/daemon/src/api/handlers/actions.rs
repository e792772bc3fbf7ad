//! What starts the engine: scoring, planning, adoption, results, load lists, notices. Each calls
//! one use case.

use actix_web::http::header;
use actix_web::{HttpRequest, HttpResponse, post, web};
use chrono::NaiveDate;
use hotspell_domain::local_time::local_day;
use hotspell_domain::{BranchId, DateRange, PlanId, Role, RunId};
use hotspell_store::words::Resource;
use hotspell_store::{branches, plans, runs};
use serde::Serialize;

use super::visits::reach as reach_visit;
use crate::api::audit::{self, Deed};
use crate::api::body::Body;
use crate::api::caller::Caller;
use crate::api::checks::Checks;
use crate::api::error::ApiError;
use crate::api::etag;
use crate::api::prefer;
use crate::api::transact::{read, run};
use crate::api::types::actions::{
    AdoptionView, CompositionView, DeliveryInput, DeliveryView, LoadListsInput, LoadListsView,
    PlanInput, RecordedView, ScoringRunInput, ScoringRunView, VisitResultInput, check_stretch,
};
use crate::api::types::plans::PlanView;
use crate::api::types::runs::RunView;
use crate::api::visibility;
use crate::app::season_plan::PlanRequest;
use crate::app::{
    AppError, adopt, delivery, loads, notices, results, scoring, scoring_run, season_plan,
};
use crate::state::AppState;

/// Notices delivered in one round unless the request says otherwise.
const DELIVERIES: u32 = 100;

/// The branch's calendar day.
pub(super) fn today(state: &AppState, branch: BranchId) -> Result<NaiveDate, AppError> {
    let record = state.store.read(|conn| branches::find(conn, branch))?;
    Ok(local_day(state.now(), record.time_zone))
}

/// Keeps in the audit that somebody started the engine.
pub(super) async fn noted(
    state: &AppState,
    caller: Caller,
    action: &'static str,
    kind: Resource,
    id: i64,
    outcome: serde_json::Value,
) -> Result<(), ApiError> {
    audit::noted(state, caller, Deed { action, kind, id }, outcome).await
}

/// Computes something of the branch as of a day that has come, today if none is named.
pub(super) async fn run_as_of<T: Send + 'static>(
    state: &web::Data<AppState>,
    caller: Caller,
    as_of: Option<NaiveDate>,
    compute: fn(&AppState, BranchId, NaiveDate) -> Result<T, AppError>,
) -> Result<T, ApiError> {
    let mut checks = Checks::default();
    checks.past_day("/as_of", as_of, state.now());
    checks.finish()?;
    let shared = state.clone();
    run(move || {
        let as_of = as_of.map_or_else(|| today(&shared, caller.branch), Ok)?;
        compute(&shared, caller.branch, as_of)
    })
    .await
}

/// Starts a scoring beside the requests, and keeps who did.
pub(crate) async fn start_scoring(
    state: &web::Data<AppState>,
    caller: Caller,
    as_of: Option<NaiveDate>,
) -> Result<RunId, ApiError> {
    let id = run_as_of(state, caller, as_of, scoring_run::start).await?;
    let outcome = serde_json::json!({ "run_id": id });
    noted(state, caller, "score", Resource::Branch, caller.branch.0, outcome).await?;
    Ok(id)
}

/// The answer to work that goes on beside the requests, and who started it.
async fn accepted_run(
    state: &AppState,
    caller: Caller,
    action: &'static str,
    id: RunId,
) -> Result<HttpResponse, ApiError> {
    let outcome = serde_json::json!({ "run_id": id });
    noted(state, caller, action, Resource::Branch, caller.branch.0, outcome).await?;
    accepted(state, caller, id).await
}

async fn accepted(state: &AppState, caller: Caller, id: RunId) -> Result<HttpResponse, ApiError> {
    let record = read(state, move |conn| Ok(runs::find(conn, caller.branch, id)?)).await?;
    let view = RunView::of(record, state);
    Ok(HttpResponse::Accepted()
        .insert_header((header::LOCATION, format!("/api/v1/runs/{id}")))
        .insert_header((prefer::APPLIED, prefer::RESPOND_ASYNC))
        .json(view))
}

/// The answer to a run that has ended.
pub(super) fn finished_run(run: RunId, view: &impl Serialize) -> HttpResponse {
    let place = format!("/api/v1/runs/{run}");
    HttpResponse::Created().insert_header((header::LOCATION, place)).json(view)
}

/// Starts a scoring run
///
/// Fits the life model to the branch's own failures and scores every part in service: weather to
/// heat age to risk. Answers when it has ended, or at once with `Prefer: respond-async`; the run is
/// recorded with its inputs.
#[utoipa::path(
    tag = "scores",
    params(("Prefer" = Option<String>, Header, description = prefer::DESCRIPTION)),
    request_body = ScoringRunInput,
    responses(
        (status = 201, description = "The finished run", body = ScoringRunView),
        (status = 202, description = "It goes on beside the requests: read the run to see how far it is",
            body = RunView,
            headers(
                ("Location" = String, description = "Where the run is read."),
                ("Preference-Applied" = String, description = "`respond-async`.")
            ))
    )
)]
#[post("/scoring-runs")]
pub(crate) async fn create_scoring_run(
    state: web::Data<AppState>,
    caller: Caller,
    request: HttpRequest,
    body: Body<ScoringRunInput>,
) -> Result<HttpResponse, ApiError> {
    let as_of = body.value()?.as_of;
    if prefer::asynchronous(&request) {
        let id = start_scoring(&state, caller, as_of).await?;
        return accepted(&state, caller, id).await;
    }
    let view = run_as_of(&state, caller, as_of, scoring::score_branch).await?;
    let view = ScoringRunView::from(view);
    let outcome = serde_json::json!({ "run_id": view.run_id, "as_of": view.as_of });
    noted(&state, caller, "score", Resource::Branch, caller.branch.0, outcome).await?;
    Ok(finished_run(view.run_id, &view))
}

/// Composes a plan
///
/// A draft of the season plan: the visits that agreements owe in the stretch, on days and
/// technicians, weighed by risk. Answers when the search has ended, or at once with
/// `Prefer: respond-async`: then the detail of the run names the draft as `plan` once it has
/// succeeded, and a stopped run leaves none. Adopt the draft to place the visits.
#[utoipa::path(
    tag = "plans",
    params(("Prefer" = Option<String>, Header, description = prefer::DESCRIPTION)),
    request_body = PlanInput,
    responses(
        (status = 201, description = "The draft", body = PlanView),
        (status = 202, description = "It goes on beside the requests: read the run to see how far it is",
            body = RunView,
            headers(
                ("Location" = String, description = "Where the run is read."),
                ("Preference-Applied" = String, description = "`respond-async`.")
            ))
    )
)]
#[post("/plans")]
pub(crate) async fn create_plan(
    state: web::Data<AppState>,
    caller: Caller,
    request: HttpRequest,
    body: Body<PlanInput>,
) -> Result<HttpResponse, ApiError> {
    let input = body.value()?;
    input.check()?;
    let settings = &state.config.planning;
    let asked = PlanRequest {
        horizon: DateRange { first: input.first_day, last: input.last_day },
        seed: input.seed.map_or(settings.seed, u64::from),
        iterations_per_visit: input
            .iterations_per_visit
            .map_or(settings.iterations_per_visit, u64::from),
    };
    let shared = state.clone();
    if prefer::asynchronous(&request) {
        let id = run(move || season_plan::start(&shared, caller.branch, asked)).await?;
        return accepted_run(&state, caller, "compose", id).await;
    }
    let composed =
        run(move || season_plan::compose(&shared, caller.branch, asked, &|_| {})).await?;
    let id = composed.plan;
    let plan = read(&state, move |conn| Ok(plans::find(conn, caller.branch, id)?)).await?;
    let view = PlanView::from(plan);
    let outcome = serde_json::json!({ "run_id": view.run_id, "figures": view.figures });
    noted(&state, caller, "compose", Resource::Plan, id.0, outcome).await?;
    Ok(HttpResponse::Created()
        .insert_header((header::LOCATION, format!("/api/v1/plans/{id}")))
        .insert_header(etag::tag(view.version))
        .json(view))
}

/// Adopts a plan
///
/// Its visits get their places and the technicians their routes; an earlier adopted plan is
/// discarded. All or nothing. The version may be given with `If-Match`.
#[utoipa::path(
    tag = "plans",
    params(("plan_id" = i64, Path, description = "Number of the plan")),
    responses((status = 200, description = "What became of it", body = AdoptionView))
)]
#[post("/plans/{plan_id}/adoption")]
pub(crate) async fn adopt_plan(
    state: web::Data<AppState>,
    caller: Caller,
    request: HttpRequest,
    id: web::Path<i64>,
) -> Result<HttpResponse, ApiError> {
    let (id, expected) = (PlanId(id.into_inner()), etag::expected_if_sent(&request));
    let plan = read(&state, move |conn| Ok(plans::find(conn, caller.branch, id)?)).await?;
    let version = expected?.check(plan.version)?;
    let shared = state.clone();
    let adopted =
        run(move || adopt::adopt(&shared, caller.branch, id, version, &caller.who())).await?;
    let view = AdoptionView::from(adopted);
    let outcome = serde_json::json!({ "placed": view.placed, "routes": view.routes });
    noted(&state, caller, "adopt", Resource::Plan, id.0, outcome).await?;
    Ok(HttpResponse::Ok().json(view))
}

/// Writes load lists
///
/// For every route in force in the stretch that has none yet, so that the chance of missing a
/// part stays under the setting's bound.
#[utoipa::path(
    tag = "routes",
    request_body = LoadListsInput,
    responses((status = 200, description = "How many were written", body = LoadListsView))
)]
#[post("/load-lists")]
pub(crate) async fn write_load_lists(
    state: web::Data<AppState>,
    caller: Caller,
    body: Body<LoadListsInput>,
) -> Result<HttpResponse, ApiError> {
    let input = body.value()?;
    let mut checks = Checks::default();
    check_stretch(&mut checks, input.first_day, input.last_day);
    checks.finish()?;
    let days = DateRange { first: input.first_day, last: input.last_day };
    let shared = state.clone();
    let written = run(move || {
        let as_of = today(&shared, caller.branch)?;
        loads::write_load_lists(&shared, caller.branch, days, as_of)
    })
    .await?;
    let outcome = serde_json::json!({ "written": written, "days": days });
    noted(&state, caller, "write load lists", Resource::Branch, caller.branch.0, outcome).await?;
    Ok(HttpResponse::Ok().json(LoadListsView { written }))
}

/// Sends in a result
///
/// Readings, what was seen, what was replaced with what, and whether the visit is finished. The
/// home is scored again at once. The same submission twice counts once; partial ones are kept.
#[utoipa::path(
    tag = "visits",
    params(("visit_id" = i64, Path, description = "Number of the visit")),
    request_body = VisitResultInput,
    responses((status = 201, description = "What became of it", body = RecordedView))
)]
#[post("/visits/{visit_id}/results")]
pub(crate) async fn create_visit_result(
    state: web::Data<AppState>,
    caller: Caller,
    id: web::Path<i64>,
    body: Body<VisitResultInput>,
) -> Result<HttpResponse, ApiError> {
    let id = id.into_inner();
    let visit = read(&state, move |conn| reach_visit(conn, &caller, id)).await?;
    if !visibility::may_enter(&caller, &visit) {
        return Err(ApiError::not_found("visit", id));
    }
    let mut result = body.value()?.into_result()?;
    if caller.role == Role::Technician {
        if result.technician.is_some_and(|named| Some(named) != caller.technician) {
            return Err(ApiError::field("/technician_id", "a technician sends own results"));
        }
        result.technician = caller.technician;
    }
    let shared = state.clone();
    let recorded = run(move || {
        let (branch, office) = (caller.branch, caller.is_office());
        results::record(&shared, branch, visit.id, &result, &caller.who(), office)
    })
    .await?;
    if recorded.new {
        let outcome = results::audit_of(&recorded);
        noted(&state, caller, "send result", Resource::Visit, id, outcome).await?;
    }
    let place = format!("/api/v1/visits/{id}/results");
    Ok(HttpResponse::Created()
        .insert_header((header::LOCATION, place))
        .json(RecordedView::try_from(recorded)?))
}

/// Writes the notices that are due
///
/// Reminders, the day before, the office's digest. Safe to ask again: one event and person make
/// one message.
#[utoipa::path(
    tag = "notices",
    responses((status = 200, description = "How many were written", body = CompositionView))
)]
#[post("/notices/composition")]
pub(crate) async fn compose_notices(
    state: web::Data<AppState>,
    caller: Caller,
) -> Result<HttpResponse, ApiError> {
    let shared = state.clone();
    let written = run(move || notices::write_due(&shared, caller.branch)).await?;
    let outcome = serde_json::json!(written);
    noted(&state, caller, "compose notices", Resource::Branch, caller.branch.0, outcome).await?;
    Ok(HttpResponse::Ok().json(CompositionView::from(written)))
}

/// Delivers notices that are due
///
/// By the configured channel, as the job does each minute. A notice that cannot be delivered is
/// tried again, or shown as refused. Within a minute no more are begun than `mail.per_minute` in the
/// settings, by this and the job together; the rest stays due.
#[utoipa::path(
    tag = "notices",
    request_body = DeliveryInput,
    responses((status = 200, description = "How the round ended", body = DeliveryView))
)]
#[post("/notices/delivery")]
pub(crate) async fn deliver_notices(
    state: web::Data<AppState>,
    caller: Caller,
    body: Body<DeliveryInput>,
) -> Result<HttpResponse, ApiError> {
    let limit = body.value()?.limit.unwrap_or(DELIVERIES);
    if !(1..=1_000).contains(&limit) {
        return Err(ApiError::field("/limit", format!("{limit} is outside 1 to 1000")));
    }
    let channel = delivery::channel(&state.config)?;
    let worker = format!("request-{}", uuid::Uuid::new_v4());
    let delivered = delivery::deliver_due(&state, &channel, &worker, i64::from(limit)).await?;
    let outcome = serde_json::json!(delivered);
    noted(&state, caller, "deliver notices", Resource::Branch, caller.branch.0, outcome).await?;
    Ok(HttpResponse::Ok().json(DeliveryView::from(delivered)))
}
