//! What is done with a plan: adopt it, discard it, have it repaired.

use actix_web::http::StatusCode;
use actix_web::{HttpResponse, web};
use hotspell_domain::{PlanId, TechnicianId};
use hotspell_store::plans;
use hotspell_store::words::{PlanState, Resource};
use serde_json::json;

use super::list::days;
use crate::api::audit::{Deed, noted};
use crate::app::adopt;
use crate::app::repair::{self, Happened, RepairRequest};
use crate::pages::forms::{Fields, SessionForm};
use crate::pages::refusal::{PageError, blocking};
use crate::pages::shell::{PLANS, see_other};
use crate::pages::visitor::Office;
use crate::state::AppState;

/// The version that the reader saw.
fn version(fields: &Fields) -> Result<i64, PageError> {
    fields.text("version").and_then(|text| text.parse().ok()).ok_or_else(|| {
        PageError::told(StatusCode::UNPROCESSABLE_ENTITY, "Send the form of the plan's page.")
    })
}

/// Adopts a draft.
pub(super) async fn adopt(
    state: web::Data<AppState>,
    office: Office,
    plan: web::Path<i64>,
    SessionForm(fields): SessionForm,
) -> Result<HttpResponse, PageError> {
    let (caller, plan) = (office.0, PlanId(plan.into_inner()));
    let version = version(&fields)?;
    let shared = state.clone();
    let adopted =
        blocking(move || adopt::adopt(&shared, caller.branch, plan, version, &caller.who()))
            .await?;
    let outcome = json!({ "placed": adopted.placed, "routes": adopted.routes });
    let deed = Deed { action: "adopt", kind: Resource::Plan, id: plan.0 };
    noted(&state, caller, deed, outcome).await?;
    Ok(see_other(&format!("{}/{plan}", PLANS.path)))
}

/// Discards a draft.
pub(super) async fn discard(
    state: web::Data<AppState>,
    office: Office,
    plan: web::Path<i64>,
    SessionForm(fields): SessionForm,
) -> Result<HttpResponse, PageError> {
    let (caller, plan) = (office.0, PlanId(plan.into_inner()));
    let version = version(&fields)?;
    let shared = state.clone();
    blocking(move || {
        let now = shared.now();
        shared.store.write(|conn| {
            let discarded = PlanState::Discarded;
            plans::set_state(conn, caller.branch, plan, version, discarded, now)
        })
    })
    .await?;
    let deed = Deed { action: "discard", kind: Resource::Plan, id: plan.0 };
    noted(&state, caller, deed, json!({ "state": "discarded" })).await?;
    Ok(see_other(PLANS.path))
}

/// Has the plan in force repaired around somebody who is away.
pub(super) async fn repair(
    state: web::Data<AppState>,
    office: Office,
    SessionForm(fields): SessionForm,
) -> Result<HttpResponse, PageError> {
    let away = days(&fields)?;
    let technician_id =
        fields.text("technician").and_then(|text| text.parse().ok()).map(TechnicianId).ok_or_else(
            || PageError::told(StatusCode::UNPROCESSABLE_ENTITY, "Choose who is away."),
        )?;
    let absent =
        Happened::TechnicianAbsent { technician_id, first_day: away.first, last_day: away.last };
    let seed = state.config.planning.seed;
    let request = RepairRequest { events: vec![absent], days: None, seed };
    let (caller, shared) = (office.0, state.clone());
    let draft = blocking(move || repair::mend(&shared, caller.branch, &request)).await?;
    let outcome = json!({ "run_id": draft.run });
    let deed = Deed { action: "repair", kind: Resource::Plan, id: draft.plan.0 };
    noted(&state, caller, deed, outcome).await?;
    Ok(see_other(&format!("{}/{}", PLANS.path, draft.plan)))
}
