//! Taking your own data out as CSV.

use actix_web::{HttpResponse, get, web};
use chrono::{DateTime, Utc};
use hotspell_imports::ImportKind;

use crate::api::caller::Caller;
use crate::api::error::ApiError;
use crate::api::file_body::csv_file;
use crate::api::query::Query;
use crate::api::transact::run;
use crate::app::exports;
use crate::state::AppState;

/// Exports a kind of record
///
/// A CSV file (RFC 4180, UTF-8, lines ended by CRLF) of every record of the branch, with the
/// columns that the import of this kind reads, all of them, in the order of its documentation:
/// imported into an empty branch and exported again it is the same, byte for byte. Text that
/// begins with `=`, `+`, `-` or `@` gets an apostrophe before it, so that no spreadsheet takes it
/// for a formula; the import takes it away. `replacements` are the ends of parts in the order of
/// time. An import takes 500,000 rows and 32 MiB at once: cut a larger file.
#[utoipa::path(
    tag = "imports",
    params(("kind" = ImportKind, Path, description = "Which records")),
    responses((
        status = 200, description = "The file, headers in the first row",
        body = String, content_type = "text/csv"
    ))
)]
#[get("/exports/{kind}")]
pub(crate) async fn find_export(
    state: web::Data<AppState>,
    caller: Caller,
    kind: web::Path<ImportKind>,
) -> Result<HttpResponse, ApiError> {
    let kind = kind.into_inner();
    let file = run(move || exports::export(&state, caller.branch, kind)).await?;
    Ok(csv_file(file, &kind.to_string()))
}

/// Which stretch of time.
#[derive(Debug, Clone, serde::Deserialize, utoipa::IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub(crate) struct AuditFileQuery {
    /// At or after this instant; absent: from the first entry on.
    #[param(required = false, nullable = false)]
    from: Option<DateTime<Utc>>,
    /// Before this instant; absent: to the newest entry.
    #[param(required = false, nullable = false)]
    until: Option<DateTime<Utc>>,
}

/// Exports the audit
///
/// A CSV file (RFC 4180, UTF-8, lines ended by CRLF) of every change by somebody, oldest first:
/// number, instant (RFC 3339, UTC), number and name of the account, what was done, to what kind of
/// record and to which, and the record before and after as JSON. Text that begins with `=`, `+`, `-`
/// or `@` gets an apostrophe before it, so that no spreadsheet takes it for a formula.
#[utoipa::path(
    tag = "audit",
    params(AuditFileQuery),
    responses((
        status = 200, description = "The file, headers in the first row",
        body = String, content_type = "text/csv"
    ))
)]
#[get("/audit/export")]
pub(crate) async fn export_audit(
    state: web::Data<AppState>,
    caller: Caller,
    query: Query<AuditFileQuery>,
) -> Result<HttpResponse, ApiError> {
    let AuditFileQuery { from, until } = query.into_inner();
    let file = run(move || exports::export_audit(&state, caller.branch, from, until)).await?;
    Ok(csv_file(file, "audit"))
}
