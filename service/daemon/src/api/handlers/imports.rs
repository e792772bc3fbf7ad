//! Bringing the user's own data as CSV.

use std::ops::ControlFlow;

use actix_web::http::header::{CONTENT_TYPE, LOCATION};
use actix_web::{HttpRequest, HttpResponse, get, post, web};
use hotspell_domain::RunId;
use hotspell_imports::{Finding, ImportKind, ImportRefusal, ImportReport, Mode};
use hotspell_store::runs;

use crate::api::body::too_large;
use crate::api::caller::Caller;
use crate::api::error::ApiError;
use crate::api::prefer;
use crate::api::problem::{FieldError, ProblemKind};
use crate::api::query::Query;
use crate::api::transact::{read, run};
use crate::api::types::imports::ImportView;
use crate::app::imports::{self, Seal, SourceFile};
use crate::state::AppState;

/// What the file holds and whether it is kept.
#[derive(Debug, Clone, serde::Deserialize, utoipa::IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub(crate) struct ImportQuery {
    /// Which records the file holds.
    kind: ImportKind,
    /// Do everything but keep it.
    #[serde(default)]
    #[param(required = false, nullable = false, default = false)]
    dry_run: bool,
}

/// Imports a file
///
/// A CSV file (RFC 4180, UTF-8) is taken as a whole or not at all; every bad row is named as
/// `/rows/ROW/COLUMN`, the header being row 1. A key that is stored already is changed where the
/// file differs, and left alone where it does not: the same file again changes nothing. The
/// answer says what the file left open and what is assumed. Answers when it has ended, or at once
/// with `Prefer: respond-async`: then the import that the answer names says how far it is and what
/// came of it; it is followed and stopped as any run (`/runs/{run_id}/events`, `/runs/{run_id}/stop`),
/// and a branch has one such import at a time.
#[utoipa::path(
    tag = "imports",
    params(
        ImportQuery,
        ("Prefer" = Option<String>, Header, description = prefer::DESCRIPTION)
    ),
    request_body(
        content = String, content_type = "text/csv",
        description = "The file: headers in the first row, in any order"
    ),
    responses(
        (status = 200, description = "What was done", body = ImportReport),
        (status = 202, description = "It goes on beside the requests: read it to see how far it is",
            body = ImportView,
            headers(
                ("Location" = String, description = "Where the import is read."),
                ("Preference-Applied" = String, description = "`respond-async`.")
            ))
    )
)]
#[post("/imports")]
pub(crate) async fn create_import(
    state: web::Data<AppState>,
    caller: Caller,
    request: HttpRequest,
    query: Query<ImportQuery>,
    body: Result<web::Bytes, actix_web::Error>,
) -> actix_web::Result<HttpResponse> {
    if !is_csv(&request) {
        let detail = "Send the file as text/csv";
        return Err(ApiError::new(ProblemKind::UnsupportedMediaType, detail).into());
    }
    let content = body.map_err(|error| too_large(error, &request))?;
    let file = SourceFile { kind: query.kind, content };
    let mode = if query.dry_run { Mode::DryRun } else { Mode::Keep };
    let seal = imports::audited(caller.branch, Some(caller.account), state.now());
    if prefer::asynchronous(&request) {
        return Ok(begin(&state, caller, file, mode, seal).await?);
    }
    let reports = run(move || {
        let unwatched = |_| ControlFlow::Continue(());
        let at = (&state.store, state.now());
        imports::import_files(at, caller.branch, &[file], mode, &unwatched, seal)
    })
    .await?;
    Ok(HttpResponse::Ok().json(reports.first()))
}

/// Starts an import beside the requests and says where it is read.
async fn begin(
    state: &web::Data<AppState>,
    caller: Caller,
    file: SourceFile<web::Bytes>,
    mode: Mode,
    seal: Seal<'static>,
) -> Result<HttpResponse, ApiError> {
    let shared = state.clone();
    let view = run(move || {
        let id = imports::start(&shared, caller.branch, vec![file], mode, seal)?;
        let record = shared.store.read(|conn| runs::find(conn, caller.branch, id))?;
        ImportView::of(&record, &shared)
    })
    .await?;
    let place = format!("/api/v1/imports/{}", view.id);
    Ok(HttpResponse::Accepted()
        .insert_header((LOCATION, place))
        .insert_header((prefer::APPLIED, prefer::RESPOND_ASYNC))
        .json(view))
}

/// Reads an import
///
/// One that was asked for with `Prefer: respond-async`: where it stands, and what it did or every
/// bad row once it has ended. `GET /runs?kind=import` lists them. One that was stopped, or whose
/// process died, has kept nothing.
#[utoipa::path(
    tag = "imports",
    params(("import_id" = i64, Path, description = "Number of its run")),
    responses((status = 200, description = "The import", body = ImportView))
)]
#[get("/imports/{import_id}")]
pub(crate) async fn find_import(
    state: web::Data<AppState>,
    caller: Caller,
    id: web::Path<i64>,
) -> Result<HttpResponse, ApiError> {
    let id = RunId(id.into_inner());
    let record = read(&state, move |conn| Ok(runs::find(conn, caller.branch, id)?)).await?;
    Ok(HttpResponse::Ok().json(ImportView::of(&record, &state)?))
}

fn is_csv(request: &HttpRequest) -> bool {
    request
        .headers()
        .get(CONTENT_TYPE)
        .and_then(|value| value.to_str().ok())
        .and_then(|value| value.split(';').next())
        .is_some_and(|media_type| media_type.trim().eq_ignore_ascii_case("text/csv"))
}

impl From<ImportRefusal> for ApiError {
    fn from(refusal: ImportRefusal) -> Self {
        let detail = refusal.to_string();
        match refusal {
            ImportRefusal::Read(_)
            | ImportRefusal::NotUtf8 { .. }
            | ImportRefusal::Empty
            | ImportRefusal::OpenQuote { .. } => Self::new(ProblemKind::MalformedRequest, detail),
            ImportRefusal::TooLarge | ImportRefusal::TooManyRows => {
                Self::new(ProblemKind::PayloadTooLarge, detail)
            }
            ImportRefusal::Headers { .. } => Self::field("/rows/1", detail),
            ImportRefusal::Rows { findings, .. } => {
                Self::fields(findings.into_iter().map(field).collect()).with_detail(detail)
            }
            ImportRefusal::Stopped => Self::new(ProblemKind::Conflict, detail),
            ImportRefusal::Store(error) => error.into(),
        }
    }
}

fn field(finding: Finding) -> FieldError {
    let column = finding.column.map(|column| format!("/{column}")).unwrap_or_default();
    FieldError {
        pointer: format!("/rows/{}{column}", finding.row),
        detail: format!("«{}»; expected {}", finding.value, finding.expected),
    }
}
