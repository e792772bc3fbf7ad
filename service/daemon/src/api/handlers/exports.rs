//! Taking your own data out as CSV.

use actix_web::http::header::{CONTENT_DISPOSITION, CONTENT_TYPE};
use actix_web::{HttpResponse, get, web};
use hotspell_imports::ImportKind;

use crate::api::caller::Caller;
use crate::api::error::ApiError;
use crate::api::file_body::FileBody;
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
    Ok(HttpResponse::Ok()
        .insert_header((CONTENT_TYPE, "text/csv; charset=utf-8; header=present"))
        .insert_header((CONTENT_DISPOSITION, format!("attachment; filename=\"{kind}.csv\"")))
        .body(FileBody::new(file.file, file.bytes)))
}
