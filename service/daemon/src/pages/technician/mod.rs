//! The technician's pages: today, the check of one visit, and what it said.

mod check;
mod day;
mod entry;
mod photo;
mod result;

pub(super) use day::asked_day;

use actix_web::http::StatusCode;
use actix_web::web;
use hotspell_domain::{BranchId, VisitId};
use hotspell_store::visits::{self, VisitRecord};
use hotspell_store::{AnyConnection, StoreError};

use super::assets;
use super::refusal::PageError;
use crate::api::caller::Caller;
use crate::api::visibility;

pub(super) fn routes(config: &mut web::ServiceConfig) {
    config
        .service(web::resource("/technician/worker.js").route(web::get().to(assets::worker)))
        .service(web::resource("/technician/today").route(web::get().to(day::show)))
        .service(
            web::resource("/technician/visit/{visit}")
                .route(web::get().to(check::form))
                .route(web::post().to(check::record)),
        )
        .service(
            web::resource("/technician/visit/{visit}/result").route(web::get().to(result::show)),
        )
        .service(
            web::resource("/technician/visit/{visit}/photos").route(web::post().to(photo::take)),
        )
        .service(
            web::resource("/technician/visit/{visit}/photos/form")
                .route(web::post().to(photo::take_form)),
        )
        .service(
            web::resource("/technician/visit/{visit}/photos/{photo}")
                .route(web::get().to(photo::show)),
        );
}

/// The number of a visit in an address.
fn visit_id(text: &str) -> Result<VisitId, PageError> {
    text.parse().map(VisitId).map_err(|_| PageError::nothing("visit"))
}

/// A visit at which the caller may enter what was found: the API's rule, told to a person.
fn own(
    conn: &mut AnyConnection,
    branch: BranchId,
    caller: &Caller,
    id: VisitId,
) -> Result<VisitRecord, PageError> {
    let visit = reached(conn, branch, caller, id)?;
    if visibility::may_enter(caller, &visit) {
        return Ok(visit);
    }
    Err(PageError::told(
        StatusCode::NOT_FOUND,
        "This visit is not yours, or not yours any more. Who visits, or the office, enters what was \
         found: tell the office what you have.",
    ))
}

/// A visit that the caller may open: as in the API, what is out of reach is not there.
fn reached(
    conn: &mut AnyConnection,
    branch: BranchId,
    caller: &Caller,
    id: VisitId,
) -> Result<VisitRecord, PageError> {
    let visit = visits::find(conn, branch, id).map_err(|error| match error {
        StoreError::NotFound(_) => PageError::nothing("visit"),
        other => other.into(),
    })?;
    if visibility::visit(conn, caller, &visit)? {
        Ok(visit)
    } else {
        Err(PageError::told(StatusCode::NOT_FOUND, "There is no such visit on your days."))
    }
}
