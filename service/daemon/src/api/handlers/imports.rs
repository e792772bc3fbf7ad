//! Bringing the user's own data as CSV.

use actix_web::http::header::CONTENT_TYPE;
use actix_web::{HttpRequest, HttpResponse, post, web};
use hotspell_domain::local_time::local_day;
use hotspell_imports::{Finding, ImportKind, ImportRefusal, ImportReport, Mode, import};
use hotspell_store::branches;
use hotspell_store::words::Resource;

use crate::api::audit::{self, Deed};
use crate::api::body::too_large;
use crate::api::caller::Caller;
use crate::api::error::ApiError;
use crate::api::problem::{FieldError, ProblemKind};
use crate::api::transact::{run, write};
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
/// answer says what the file left open and what is assumed.
#[utoipa::path(
    tag = "imports",
    params(ImportQuery),
    request_body(
        content = String, content_type = "text/csv",
        description = "The file: headers in the first row, in any order"
    ),
    responses((status = 200, description = "What was done", body = ImportReport))
)]
#[post("/imports")]
pub(crate) async fn create_import(
    state: web::Data<AppState>,
    caller: Caller,
    request: HttpRequest,
    query: web::Query<ImportQuery>,
    body: Result<web::Bytes, actix_web::Error>,
) -> actix_web::Result<HttpResponse> {
    if !is_csv(&request) {
        let detail = "Send the file as text/csv";
        return Err(ApiError::new(ProblemKind::UnsupportedMediaType, detail).into());
    }
    let body = body.map_err(|error| too_large(error, &request))?;
    let (kind, now) = (query.kind, state.now());
    let mode = if query.dry_run { Mode::DryRun } else { Mode::Keep };
    let shared = state.clone();
    let report = run(move || {
        let branch = shared.store.read(|conn| branches::find(conn, caller.branch))?;
        let today = local_day(now, branch.time_zone);
        import(&shared.store, caller.branch, kind, body.as_ref(), mode, now, today)
            .map_err(ApiError::from)
    })
    .await?;
    if mode == Mode::Keep {
        let kept = report.clone();
        write(&state, move |conn| {
            let deed = Deed { action: "import", kind: Resource::Branch, id: caller.branch.0 };
            audit::record(conn, &caller, deed, None::<&()>, Some(&kept), now)
        })
        .await?;
    }
    Ok(HttpResponse::Ok().json(report))
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
            | ImportRefusal::Empty(_)
            | ImportRefusal::OpenQuote { .. } => Self::new(ProblemKind::MalformedRequest, detail),
            ImportRefusal::TooLarge | ImportRefusal::TooManyRows => {
                Self::new(ProblemKind::PayloadTooLarge, detail)
            }
            ImportRefusal::Headers { .. } => Self::field("/rows/1", detail),
            ImportRefusal::Rows { findings, .. } => {
                Self::fields(findings.into_iter().map(field).collect()).with_detail(detail)
            }
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
