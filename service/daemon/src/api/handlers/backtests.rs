//! The proof of the life model: past seasons predicted, and what came of it.

use actix_web::{HttpResponse, get, post, web};
use chrono::NaiveDate;
use hotspell_store::words::Resource;

use super::actions::{finished_run, noted, run_as_of};
use crate::api::body::Body;
use crate::api::caller::Caller;
use crate::api::error::ApiError;
use crate::api::problem::ProblemKind;
use crate::api::transact::run;
use crate::api::types::backtests::{BacktestInput, BacktestView};
use crate::app::proof;
use crate::state::AppState;

/// Starts a backtest
///
/// Fits the life model to what was known on the first day of each past season, predicts that
/// season and compares it with the record. While the verdict is `refuse`, scoring keeps the last
/// model and says so. Answers when it has ended; the run is recorded with its inputs.
#[utoipa::path(
    tag = "scores",
    request_body = BacktestInput,
    responses((status = 201, description = "What the seasons showed", body = BacktestView))
)]
#[post("/backtests")]
pub(crate) async fn create_backtest(
    state: web::Data<AppState>,
    caller: Caller,
    body: Body<BacktestInput>,
) -> Result<HttpResponse, ApiError> {
    let view = prove(&state, caller, body.value()?.as_of).await?;
    Ok(finished_run(view.run_id, &view))
}

/// Runs a backtest; as of today when no day is named.
pub(crate) async fn prove(
    state: &web::Data<AppState>,
    caller: Caller,
    as_of: Option<NaiveDate>,
) -> Result<BacktestView, ApiError> {
    let proof = run_as_of(state, caller, as_of, proof::prove).await?;
    let view = BacktestView::from(&proof);
    let outcome = serde_json::json!({ "run_id": view.run_id, "verdict": view.verdict });
    noted(state, caller, "backtest", Resource::Branch, caller.branch.0, outcome).await?;
    Ok(view)
}

/// Reads the last backtest
///
/// The one that scoring goes by.
#[utoipa::path(
    tag = "scores",
    responses((status = 200, description = "What the seasons showed", body = BacktestView))
)]
#[get("/backtest")]
pub(crate) async fn find_backtest(
    state: web::Data<AppState>,
    caller: Caller,
) -> Result<HttpResponse, ApiError> {
    let found = run(move || proof::latest(&state, caller.branch)).await?;
    let proof = found.ok_or_else(|| {
        ApiError::new(ProblemKind::NotFound, "There is no backtest yet; start one")
    })?;
    Ok(HttpResponse::Ok().json(BacktestView::from(&proof)))
}
