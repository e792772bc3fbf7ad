//! Recorded computations, and the latest risk of every part.

use actix_web::http::header;
use actix_web::{HttpRequest, HttpResponse, get, post, web};
use chrono::{DateTime, Utc};
use hotspell_domain::{ComponentClass, ComponentId, RunId};
use hotspell_store::StoreError;
use hotspell_store::runs::{self as rows, RunFilter, RunRecord};
use hotspell_store::scores::{self, Ranked, RankingFilter, Scoring};
use hotspell_store::words::{Resource, RunKind, RunOutcome};

use super::run_events;
use crate::api::audit::{self, Deed};
use crate::api::caller::Caller;
use crate::api::crud;
use crate::api::error::ApiError;
use crate::api::page::{PageView, Paged as _, decode_rank, encode_rank, list_query};
use crate::api::transact::{read, run};
use crate::api::types::runs::{RunView, ScoreView};
use crate::api::visibility;
use crate::app::background;
use crate::state::AppState;

list_query! {
    /// Which runs are listed.
    RunQuery {
        /// What they compute.
        kind: RunKind,
        /// How they ended.
        outcome: RunOutcome,
        /// Begun at or after this instant.
        started_from: DateTime<Utc>,
    }
}

list_query! {
    /// Which scores are listed.
    ScoreQuery {
        /// Number of a scoring run; the scores in force if absent.
        run_id: i64,
        /// What the part is.
        class: ComponentClass,
        /// Number of the site.
        site_id: i64,
        /// Number of the component.
        component_id: i64,
        /// At least so likely to fail until the end of the season, 0 to 1 (no unit).
        p_season_from: f64,
    }
}

/// Lists runs
///
/// Recorded computations that meet every filter, in the order of their numbers.
#[utoipa::path(
    tag = "runs",
    params(RunQuery),
    responses((status = 200, description = "One page", body = PageView<RunView>))
)]
#[get("/runs")]
pub(crate) async fn list_runs(
    state: web::Data<AppState>,
    caller: Caller,
    request: HttpRequest,
    query: web::Query<RunQuery>,
) -> Result<HttpResponse, ApiError> {
    let filter =
        RunFilter { kind: query.kind, outcome: query.outcome, started_from: query.started_from };
    let work = move |conn: &mut hotspell_store::AnyConnection, page| {
        Ok(rows::list(conn, caller.branch, &filter, page)?)
    };
    let now = state.clone();
    let view = move |record: RunRecord| (record.id.0, RunView::of(record, &now));
    crud::rows(&state, &request, query.page(), work, view).await
}

/// Reads a run
///
/// Its inputs, version and outcome: what a result was based on.
#[utoipa::path(
    tag = "runs",
    params(("run_id" = i64, Path, description = "Number of the run")),
    responses((status = 200, description = "The run", body = RunView))
)]
#[get("/runs/{run_id}")]
pub(crate) async fn find_run(
    state: web::Data<AppState>,
    caller: Caller,
    id: web::Path<i64>,
) -> Result<HttpResponse, ApiError> {
    let id = RunId(id.into_inner());
    let record = read(&state, move |conn| Ok(rows::find(conn, caller.branch, id)?)).await?;
    Ok(HttpResponse::Ok().json(RunView::of(record, &state)))
}

/// Stops a run
///
/// Work that goes on beside the requests: a plan that is composed, a scoring, a rehearsal. It ends
/// soon and keeps no result. Again is harmless while it runs; 409 when it has ended, or when somebody
/// waits for its answer.
#[utoipa::path(
    tag = "runs",
    params(("run_id" = i64, Path, description = "Number of the run")),
    responses((status = 202, description = "It was asked to stop", body = RunView))
)]
#[post("/runs/{run_id}/stop")]
pub(crate) async fn stop_run(
    state: web::Data<AppState>,
    caller: Caller,
    id: web::Path<i64>,
) -> Result<HttpResponse, ApiError> {
    let id = RunId(id.into_inner());
    let shared = state.clone();
    let record = run(move || background::stop_any(&shared, caller.branch, id)).await?;
    let deed = Deed { action: "stop run", kind: Resource::Branch, id: caller.branch.0 };
    audit::noted(&state, caller, deed, serde_json::json!({ "run_id": id })).await?;
    Ok(HttpResponse::Accepted().json(RunView::of(record, &state)))
}

/// Follows a run
///
/// Server-sent events until it ends: `progress` with each look, then one `ended`; each with the
/// run's number, where it stands and how far it is. A run that has ended gives `ended` at once.
#[utoipa::path(
    tag = "runs",
    params(("run_id" = i64, Path, description = "Number of the run")),
    responses((status = 200, description = "Events, each with a RunEventView as its data",
        body = String, content_type = "text/event-stream"))
)]
#[get("/runs/{run_id}/events")]
pub(crate) async fn follow_run(
    state: web::Data<AppState>,
    caller: Caller,
    id: web::Path<i64>,
) -> Result<HttpResponse, ApiError> {
    let id = RunId(id.into_inner());
    read(&state, move |conn| Ok(rows::find(conn, caller.branch, id)?)).await?;
    Ok(HttpResponse::Ok()
        .content_type("text/event-stream")
        .insert_header((header::CACHE_CONTROL, "no-store"))
        .body(run_events::follow(state, caller.branch, id)))
}

/// Lists scores
///
/// The newest score of each part in service, or those of one run, most likely to fail first, with
/// the reasons. No scoring run yet: an empty list. A technician must name a site with `site_id`.
#[utoipa::path(
    tag = "scores",
    params(ScoreQuery),
    responses((status = 200, description = "One page", body = PageView<ScoreView>))
)]
#[get("/scores")]
pub(crate) async fn list_scores(
    state: web::Data<AppState>,
    caller: Caller,
    request: HttpRequest,
    query: web::Query<ScoreQuery>,
) -> Result<HttpResponse, ApiError> {
    let limit = query.page_query().rows()?;
    let after = query.cursor.as_deref().map(decode_rank).transpose()?;
    if query.p_season_from.is_some_and(|p| !(0.0..=1.0).contains(&p)) {
        return Err(ApiError::field("p_season_from", "expected a number from 0 to 1"));
    }
    visibility::listed_site(&state, &caller, query.site_id).await?;
    let filter = RankingFilter {
        class: query.class,
        site: query.site_id.map(Into::into),
        component: query.component_id.map(Into::into),
        p_season_from: query.p_season_from,
    };
    let asked = query.run_id.map(RunId);
    let mut ranked: Vec<Ranked> = read(&state, move |conn| {
        let scoring = match asked {
            Some(id) => match rows::find(conn, caller.branch, id) {
                Ok(run) => Scoring::Run(run.id),
                Err(StoreError::NotFound(_)) => {
                    return Err(ApiError::field("run_id", "there is no such run"));
                }
                Err(error) => return Err(error.into()),
            },
            None => match scores::in_force_since(conn, caller.branch)? {
                Some(run) => Scoring::InForceSince(run),
                None => return Ok(Vec::new()),
            },
        };
        let after = after.map(|(p, id)| (p, ComponentId(id)));
        Ok(scores::ranking(conn, caller.branch, scoring, &filter, after, limit + 1)?)
    })
    .await?;
    let rows_wanted = usize::try_from(limit).unwrap_or(usize::MAX);
    let more = ranked.len() > rows_wanted;
    ranked.truncate(rows_wanted);
    let next = ranked
        .last()
        .filter(|_| more)
        .map(|last| encode_rank(last.score.p_season, last.score.component_id.0));
    let items = ranked.into_iter().map(ScoreView::from).collect();
    Ok(PageView { items, next }.answer(request.path(), request.query_string()))
}
