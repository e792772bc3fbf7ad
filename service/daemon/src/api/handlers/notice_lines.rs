//! A branch's own lines in its mail to households: list, read, change.

use actix_web::{HttpRequest, HttpResponse, get, put, web};
use chrono::{DateTime, Utc};
use hotspell_domain::{Language, NoticeKind};
use hotspell_notices::compose::OwnLines;
use hotspell_notices::message::is_for_household;
use hotspell_store::words::Resource;
use hotspell_store::{AnyConnection, notice_wordings};

use crate::api::audit::{self, Deed};
use crate::api::body::Body;
use crate::api::caller::Caller;
use crate::api::error::ApiError;
use crate::api::etag;
use crate::api::page::PageView;
use crate::api::transact::{read, write};
use crate::api::types::notice_lines::{NoticeLinesInput, NoticeLinesView};
use crate::app::wording::{self, Wording};
use crate::state::AppState;

/// Keeps lines and who did it, if nobody changed them since the expected version.
pub(crate) fn word(
    conn: &mut AnyConnection,
    caller: &Caller,
    (kind, language): (NoticeKind, Language),
    lines: &OwnLines,
    expected_version: i64,
    now: DateTime<Utc>,
) -> Result<Wording, ApiError> {
    let before = wording::of(conn, caller.branch, kind, language)?.text(kind, language);
    let place = (kind, language);
    let kept = wording::put(conn, caller.branch, place, lines, expected_version, now)?;
    let id = kept.id.unwrap_or(caller.branch.0);
    let deed = Deed { action: "change", kind: Resource::NoticeLines, id };
    let after = kept.text(kind, language);
    audit::record(conn, caller, deed, Some(&before), Some(&after), now)?;
    Ok(kept)
}

fn own_branch(caller: &Caller, id: i64) -> Result<(), ApiError> {
    if id == caller.branch.0 { Ok(()) } else { Err(ApiError::not_found("branch", id)) }
}

/// Kind and language from the address; what carries no lines is not there.
fn place(
    caller: &Caller,
    (branch, kind, language): &(i64, String, String),
) -> Result<(NoticeKind, Language), ApiError> {
    own_branch(caller, *branch)?;
    let known = kind.parse().ok().filter(|kind| is_for_household(*kind));
    known.zip(language.parse().ok()).ok_or_else(|| {
        let kinds: Vec<&str> = NoticeKind::ALL
            .iter()
            .filter(|kind| is_for_household(**kind))
            .map(|kind| kind.as_str())
            .collect();
        let languages: Vec<&str> = Language::ALL.iter().map(|it| it.as_str()).collect();
        ApiError::not_found("lines under", format!("{kind}/{language}")).with_detail(format!(
            "Only mail to households carries lines of the branch: {}; in the languages {}",
            kinds.join(", "),
            languages.join(", ")
        ))
    })
}

/// Lists a branch's own lines
///
/// Those that were ever kept, in the order of their numbers. Not paged.
#[utoipa::path(
    tag = "notices",
    params(("branch_id" = i64, Path, description = "Number of the branch")),
    responses((status = 200, description = "The lines", body = PageView<NoticeLinesView>))
)]
#[get("/branches/{branch_id}/notice-lines")]
pub(crate) async fn list_notice_lines(
    state: web::Data<AppState>,
    caller: Caller,
    request: HttpRequest,
    id: web::Path<i64>,
) -> Result<HttpResponse, ApiError> {
    let id = id.into_inner();
    let items: Vec<NoticeLinesView> = read(&state, move |conn| {
        own_branch(&caller, id)?;
        let kept = notice_wordings::list(conn, caller.branch)?;
        Ok(kept.into_iter().map(Into::into).collect())
    })
    .await?;
    Ok(PageView { items, next: None }.answer(request.path(), request.query_string()))
}

/// Reads a branch's own lines in one kind of mail
///
/// With their version as the ETag, which is 0 while none were ever kept.
#[utoipa::path(
    tag = "notices",
    params(
        ("branch_id" = i64, Path, description = "Number of the branch"),
        ("kind" = NoticeKind, Path, description = "The kind of mail, one to households"),
        ("language" = Language, Path, description = "The language of the mail")
    ),
    responses((status = 200, description = "The lines", body = NoticeLinesView))
)]
#[get("/branches/{branch_id}/notice-lines/{kind}/{language}")]
pub(crate) async fn find_notice_lines(
    state: web::Data<AppState>,
    caller: Caller,
    address: web::Path<(i64, String, String)>,
) -> Result<HttpResponse, ApiError> {
    let place = place(&caller, &address)?;
    let wording =
        read(&state, move |conn| Ok(wording::of(conn, caller.branch, place.0, place.1)?)).await?;
    Ok(HttpResponse::Ok()
        .insert_header(etag::tag(wording.version))
        .json(NoticeLinesView::new(place, &wording)))
}

/// Changes a branch's own lines in one kind of mail
///
/// Replaces both; a line left out is taken back. They stand in every mail of the kind and language that
/// is written from now on.
#[utoipa::path(
    tag = "notices",
    params(
        ("branch_id" = i64, Path, description = "Number of the branch"),
        ("kind" = NoticeKind, Path, description = "The kind of mail, one to households"),
        ("language" = Language, Path, description = "The language of the mail")
    ),
    request_body = NoticeLinesInput,
    responses((status = 200, description = "The lines as they stand now", body = NoticeLinesView))
)]
#[put("/branches/{branch_id}/notice-lines/{kind}/{language}")]
pub(crate) async fn put_notice_lines(
    state: web::Data<AppState>,
    caller: Caller,
    request: HttpRequest,
    address: web::Path<(i64, String, String)>,
    body: Body<NoticeLinesInput>,
) -> Result<HttpResponse, ApiError> {
    let place = place(&caller, &address)?;
    let (expected, input, now) = (etag::expected(&request), body.value(), state.now());
    let kept = write(&state, move |conn| {
        let before = wording::of(conn, caller.branch, place.0, place.1)?;
        let version = expected?.check(before.version)?;
        word(conn, &caller, place, &input?.lines()?, version, now)
    })
    .await?;
    Ok(HttpResponse::Ok()
        .insert_header(etag::tag(kept.version))
        .json(NoticeLinesView::new(place, &kept)))
}
