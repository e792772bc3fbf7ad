//! The season plan in the scheduler's hands.
//!
//! What the reader must decide: is a new plan needed, is a draft better than what is in force, can
//! the crew do it day by day, what about those who are left out, and who has to be told again? So
//! the list holds the drafts against the plan in force by the same figures; one plan is days by
//! people; a visit is moved with its cost before its eyes; two plans are compared in sentences.

mod compare;
mod day;
mod deeds;
mod figures;
mod grid;
mod list;
mod plan;
mod visit;

use actix_web::web;
use hotspell_store::plans::PlanRecord;
use hotspell_store::words::PlanState;

use crate::pages::words;

pub(super) fn routes(config: &mut web::ServiceConfig) {
    config
        .service(
            web::resource("/office/plans")
                .route(web::get().to(list::show))
                .route(web::post().to(list::compose)),
        )
        .service(web::resource("/office/plans/runs/{run}/stop").route(web::post().to(list::stop)))
        .service(web::resource("/office/plans/comparison").route(web::get().to(compare::show)))
        .service(web::resource("/office/plans/repair").route(web::post().to(deeds::repair)))
        .service(web::resource("/office/plans/{plan}").route(web::get().to(plan::show)))
        .service(web::resource("/office/plans/{plan}/adopt").route(web::post().to(deeds::adopt)))
        .service(
            web::resource("/office/plans/{plan}/discard").route(web::post().to(deeds::discard)),
        )
        .service(web::resource("/office/plans/{plan}/days/{day}").route(web::get().to(day::show)))
        .service(
            web::resource("/office/plans/{plan}/visits/{visit}")
                .route(web::get().to(visit::show))
                .route(web::post().to(visit::keep)),
        );
}

/// Where a plan is shown.
fn address(plan: &PlanRecord) -> String {
    format!("/office/plans/{}", plan.id)
}

/// What a plan is called.
fn name(plan: &PlanRecord) -> String {
    match plan.state {
        PlanState::Adopted => format!("Plan {}, in force", plan.id),
        PlanState::Draft => format!("Draft {}", plan.id),
        PlanState::Discarded => format!("Plan {}, discarded", plan.id),
    }
}

/// The days that it covers.
fn stretch(plan: &PlanRecord) -> String {
    format!("{} to {}", words::date(plan.first_day), words::date(plan.last_day))
}
