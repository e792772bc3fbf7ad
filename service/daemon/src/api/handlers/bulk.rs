//! Many rows at once where the office has many: each goes the way of the single call, in one
//! transaction.

use std::collections::BTreeSet;

use actix_web::{HttpResponse, post, web};
use serde::Serialize;

use super::agreements::renew_one;
use super::readings::Readings;
use super::visits::{Moved, move_one};
use crate::api::body::Body;
use crate::api::bulk::{self, Places};
use crate::api::caller::Caller;
use crate::api::crud;
use crate::api::error::ApiError;
use crate::api::etag::Expected;
use crate::api::middleware::idempotency::{self, Ticket};
use crate::api::transact::{run, write};
use crate::api::types::agreements::RenewalInput;
use crate::api::types::bulk::{
    AgreementRenewals, ChangedVisits, CreatedReadings, READINGS_MAX, RENEWALS_MAX, ReadingInputs,
    RenewedAgreements, VISITS_MAX, VisitStateChanges,
};
use crate::app::day_routes;
use crate::state::AppState;

/// Keeps the answer in the transaction of the changes, so that no crash comes between them.
fn keep(
    conn: &mut hotspell_store::AnyConnection,
    ticket: Option<&Ticket>,
    body: &impl Serialize,
) -> Result<(), ApiError> {
    ticket.map_or(Ok(()), |ticket| ticket.keep_done(conn, body))
}

/// Moves many visits to other states
///
/// Each as a single change does, with its version if one is given, its household told and its route
/// following; in the order of the request, all of them or none. Up to 200 visits, each once. A refusal
/// (422) names every row that is wrong by a JSON pointer such as `/items/3/change/day`.
#[utoipa::path(
    tag = "visits",
    request_body = VisitStateChanges,
    responses((status = 200, description = "The moved visits", body = ChangedVisits))
)]
#[post("/bulk/visit-state-changes")]
pub(crate) async fn change_visit_states(
    state: web::Data<AppState>,
    caller: Caller,
    body: Body<VisitStateChanges>,
) -> Result<HttpResponse, ApiError> {
    let (rows, now) = (body.value()?.items, state.now());
    bulk::check_number(rows.len(), VISITS_MAX)?;
    bulk::check_once(rows.iter().map(|row| row.visit_id), "visit_id")?;
    let (ticket, shared) = (idempotency::ticket(), state.clone());
    let places = Places { record: "visit_id", version: "version", body: "change" };
    let (changed, moved) = write(&state, move |conn| {
        let moved: Vec<Moved> = bulk::each(conn, &rows, places, |conn, row| {
            let expected = row.version.map_or(Expected::Any, |it| Expected::OneOf(vec![it]));
            move_one(conn, &shared, &caller, row.visit_id.0, &expected, &row.change, now)
        })?;
        let items = moved.iter().map(|moved| moved.view.clone()).collect();
        let changed = ChangedVisits { items };
        keep(conn, ticket.as_ref(), &changed)?;
        Ok((changed, moved))
    })
    .await?;
    // Each day's parts to carry once, however many of its visits moved.
    run(move || {
        let days: BTreeSet<_> = moved.iter().flat_map(|moved| moved.days).flatten().collect();
        let Some(branch) = moved.first().map(|moved| &moved.branch) else { return Ok(()) };
        days.into_iter().try_for_each(|day| day_routes::load(&state, branch, Some(day), None))
    })
    .await?;
    Ok(HttpResponse::Ok().json(changed))
}

/// Creates many readings
///
/// Each as a single reading, in the order of the request, all of them or none. Up to 1,000, each key
/// once. A refusal (422) names every row that is wrong by a JSON pointer such as
/// `/items/3/microfarads`.
#[utoipa::path(
    tag = "readings",
    request_body = ReadingInputs,
    responses((status = 200, description = "The new readings", body = CreatedReadings))
)]
#[post("/bulk/readings")]
pub(crate) async fn create_readings(
    state: web::Data<AppState>,
    caller: Caller,
    body: Body<ReadingInputs>,
) -> Result<HttpResponse, ApiError> {
    let (rows, now) = (body.value()?.items, state.now());
    bulk::check_number(rows.len(), READINGS_MAX)?;
    bulk::check_once(rows.iter().map(|row| row.key.trim()), "key")?;
    let ticket = idempotency::ticket();
    let places = Places { record: "component_id", version: "", body: "" };
    let created = write(&state, move |conn| {
        let items = bulk::each(conn, &rows, places, |conn, row| {
            crud::add::<Readings>(conn, &caller, row, now).map(|(_, _, view)| view)
        })?;
        let created = CreatedReadings { items };
        keep(conn, ticket.as_ref(), &created)?;
        Ok(created)
    })
    .await?;
    Ok(HttpResponse::Ok().json(created))
}

/// Renews many agreements
///
/// Each as a single renewal, all of them or none. Up to 500, each once. A refusal (422) names every
/// row that is wrong by a JSON pointer such as `/items/3/renewal/last_day`.
#[utoipa::path(
    tag = "agreements",
    request_body = AgreementRenewals,
    responses((status = 200, description = "The agreements of the next terms", body = RenewedAgreements))
)]
#[post("/bulk/renewals")]
pub(crate) async fn renew_agreements(
    state: web::Data<AppState>,
    caller: Caller,
    body: Body<AgreementRenewals>,
) -> Result<HttpResponse, ApiError> {
    let (rows, now) = (body.value()?.items, state.now());
    bulk::check_number(rows.len(), RENEWALS_MAX)?;
    bulk::check_once(rows.iter().map(|row| row.agreement_id), "agreement_id")?;
    let ticket = idempotency::ticket();
    let places = Places { record: "agreement_id", version: "", body: "renewal" };
    let renewed = write(&state, move |conn| {
        let items = bulk::each(conn, &rows, places, |conn, row| {
            let nothing_else = RenewalInput { key: None, last_day: None, visits: None };
            let input = row.renewal.as_ref().unwrap_or(&nothing_else);
            renew_one(conn, &caller, row.agreement_id.0, input, now).map(|(_, view)| view)
        })?;
        let renewed = RenewedAgreements { items };
        keep(conn, ticket.as_ref(), &renewed)?;
        Ok(renewed)
    })
    .await?;
    Ok(HttpResponse::Ok().json(renewed))
}
