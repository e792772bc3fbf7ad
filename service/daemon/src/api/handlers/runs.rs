//! Recorded computations, and the latest risk of every part.

use actix_web::http::header;
use actix_web::{HttpRequest, HttpResponse, get, post, web};
use chrono::{DateTime, NaiveDate, Utc};
use hotspell_domain::{ComponentClass, RunId};
use hotspell_store::runs::{self as rows, RunFilter, RunRecord};
use hotspell_store::scores::{self, Coming, Ranked, RankingFilter, ScoreSort, Scoring};
use hotspell_store::words::{Resource, RunKind, RunOutcome};
use hotspell_store::{AnyConnection, Order, StoreError};

use super::run_events;
use crate::api::audit::{self, Deed};
use crate::api::caller::Caller;
use crate::api::crud;
use crate::api::error::ApiError;
use crate::api::page::{self, PageView, Paged as _, list_query};
use crate::api::query::Query;
use crate::api::transact::{read, run};
use crate::api::types::runs::{RunView, ScoreView};
use crate::api::visibility;
use crate::app::background;
use crate::state::AppState;

list_query! {
    /// Which runs are listed.
    RunQuery sorted by rows::RunSort {
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
    ScoreQuery sorted by ScoreSort {
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
        /// Surely in service on this day already.
        installed_by: NaiveDate,
        /// Number of the technician by whom an open visit at the home is placed.
        technician_id: i64,
    }
}

/// Lists runs
///
/// Recorded computations that meet every filter, by number unless `sort` says otherwise.
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
    query: Query<RunQuery>,
) -> Result<HttpResponse, ApiError> {
    let filter =
        RunFilter { kind: query.kind, outcome: query.outcome, started_from: query.started_from };
    let work =
        move |conn: &mut AnyConnection, page| Ok(rows::list(conn, caller.branch, &filter, page)?);
    let now = state.clone();
    let view = move |_: &mut AnyConnection, record: RunRecord| Ok(RunView::of(record, &now));
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

/// The order of scores when none is asked for.
const MOST_LIKELY_FIRST: Order<ScoreSort> = Order { key: ScoreSort::PSeason, falling: true };

/// Lists scores
///
/// The newest score of each part in service, or those of one run, with the reasons; most likely to
/// fail first unless `sort` says otherwise. No scoring run yet: an empty list. A technician must name a site with `site_id`.
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
    query: Query<ScoreQuery>,
) -> Result<HttpResponse, ApiError> {
    let order = query.sort.map_or(MOST_LIKELY_FIRST, |sorting| sorting.0);
    let page = page::resolve(Some(order), query.cursor.as_deref(), query.limit);
    if query.p_season_from.is_some_and(|p| !(0.0..=1.0).contains(&p)) {
        return Err(ApiError::field("p_season_from", "expected a number from 0 to 1"));
    }
    visibility::listed_site(&state, &caller, query.site_id).await?;
    let filter = RankingFilter {
        class: query.class,
        sites: query.site_id.map(|site| vec![site.into()]),
        component: query.component_id.map(Into::into),
        p_season_from: query.p_season_from,
        installed_by: query.installed_by,
        coming: query.technician_id.map(|id| Coming::By(id.into())),
    };
    let asked = query.run_id.map(RunId);
    let work = move |conn: &mut AnyConnection, page| {
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
        Ok(scores::ranking(conn, caller.branch, scoring, &filter, page)?)
    };
    let view = |_: &mut AnyConnection, row: Ranked| Ok(ScoreView::from(row));
    crud::rows(&state, &request, page, work, view).await
}
