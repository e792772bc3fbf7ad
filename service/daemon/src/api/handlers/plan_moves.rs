//! One visit of a plan on another day or with another person.

use actix_web::http::header;
use actix_web::{HttpResponse, post, web};
use hotspell_domain::PlanId;
use hotspell_store::words::Resource;

use crate::api::audit::{self, Deed};
use crate::api::body::Body;
use crate::api::caller::Caller;
use crate::api::error::ApiError;
use crate::api::transact::run;
use crate::api::types::plan_changes::{MoveInput, MoveView};
use crate::app::plan_move::{self, MoveRequest};
use crate::state::AppState;

/// Moves a visit of a plan
///
/// To the best time of another technician-day; nobody else changes day or person. Without `keep` it
/// tells what that costs and changes nothing. With it the plan with the move is a new draft, and a
/// draft that it was made from is discarded. 409 when it does not fit there, with the reason.
#[utoipa::path(
    tag = "plans",
    params(("plan_id" = i64, Path, description = "Number of the plan, a draft or the adopted one")),
    request_body = MoveInput,
    responses(
        (status = 200, description = "What it costs", body = MoveView),
        (status = 201, description = "The draft with the move", body = MoveView,
            headers(("Location" = String, description = "Where the draft is read.")))
    )
)]
#[post("/plans/{plan_id}/moves")]
pub(crate) async fn move_plan_visit(
    state: web::Data<AppState>,
    caller: Caller,
    id: web::Path<i64>,
    body: Body<MoveInput>,
) -> Result<HttpResponse, ApiError> {
    let input = body.value()?;
    let request = MoveRequest {
        plan: PlanId(id.into_inner()),
        visit: input.visit_id,
        day: input.day,
        technician: input.technician_id,
    };
    let shared = state.clone();
    if !input.keep {
        let tried = run(move || plan_move::look(&shared, caller.branch, &request, None)).await?;
        return Ok(HttpResponse::Ok().json(MoveView::new(tried, None)));
    }
    let (draft, tried) = run(move || plan_move::keep(&shared, caller.branch, &request)).await?;
    let outcome = serde_json::json!({ "run_id": draft.run, "visit_id": input.visit_id });
    let deed = Deed { action: "move visit", kind: Resource::Plan, id: draft.plan.0 };
    audit::noted(&state, caller, deed, outcome).await?;
    Ok(HttpResponse::Created()
        .insert_header((header::LOCATION, format!("/api/v1/plans/{}", draft.plan)))
        .json(MoveView::new(tried, Some(draft.plan))))
}
