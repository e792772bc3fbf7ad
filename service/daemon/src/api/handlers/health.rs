//! Whether the service lives and is ready, for whoever supervises it.

use actix_web::{HttpResponse, get, web};
use serde::Serialize;
use utoipa::ToSchema;

use crate::api::error::ApiError;
use crate::api::transact::run;
use crate::state::AppState;

/// How the service is.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub(crate) struct HealthView {
    /// `ok`.
    #[schema(example = "ok")]
    status: &'static str,
    /// Version of the program.
    #[schema(example = "0.1.0")]
    version: &'static str,
}

const WELL: HealthView = HealthView { status: "ok", version: env!("CARGO_PKG_VERSION") };

/// Lives
///
/// Answers as long as the process serves requests, whatever the database does.
#[utoipa::path(
    tag = "health",
    responses((status = 200, description = "The process serves requests", body = HealthView))
)]
#[get("/livez")]
pub(crate) async fn livez() -> HttpResponse {
    HttpResponse::Ok().json(WELL)
}

/// Is ready
///
/// The database answers and its schema is up to date.
#[utoipa::path(
    tag = "health",
    responses(
        (status = 200, description = "Requests will be served", body = HealthView),
        (status = 503, description = "The database does not answer or is being migrated",
            body = crate::api::problem::Problem, content_type = "application/problem+json")
    )
)]
#[get("/readyz")]
pub(crate) async fn readyz(state: web::Data<AppState>) -> Result<HttpResponse, ApiError> {
    let store = state.store.clone();
    run(move || store.ready()).await?;
    Ok(HttpResponse::Ok().json(WELL))
}
