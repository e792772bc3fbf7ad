//! Notices in the outbox, and what households answered.

use actix_web::{HttpRequest, HttpResponse, get, web};
use chrono::{DateTime, Utc};
use hotspell_domain::{NoticeId, NoticeKind};
use hotspell_store::AnyConnection;
use hotspell_store::answers::{self, AnswerFilter, AnswerRecord};
use hotspell_store::notices::{self as rows, NoticeFilter, NoticeRecord};
use hotspell_store::words::NoticeState;

use crate::api::caller::Caller;
use crate::api::crud;
use crate::api::error::ApiError;
use crate::api::page::{PageView, Paged as _, list_query};
use crate::api::query::Query;
use crate::api::transact::read;
use crate::api::types::notices::{AnswerView, NoticeTextView, NoticeView};
use crate::state::AppState;

list_query! {
    /// Which notices are listed.
    NoticeQuery sorted by rows::NoticeSort {
        /// Where they stand.
        state: NoticeState,
        /// What they are about.
        kind: NoticeKind,
        /// Number of the visit.
        visit_id: i64,
        /// Number of the contact.
        contact_id: i64,
        /// Number of the technician.
        technician_id: i64,
        /// Composed at or after this instant.
        created_from: DateTime<Utc>,
        /// Changed after this instant.
        updated_after: DateTime<Utc>,
    }
}

list_query! {
    /// Which answers are listed.
    AnswerQuery sorted by answers::AnswerSort {
        /// Number of the visit.
        visit_id: i64,
        /// Number of the contact.
        contact_id: i64,
        /// At or after this instant.
        from: DateTime<Utc>,
    }
}

/// Lists notices
///
/// Messages in the outbox that meet every filter, without their texts; by number
/// unless `sort` says otherwise.
#[utoipa::path(
    tag = "notices",
    params(NoticeQuery),
    responses((status = 200, description = "One page", body = PageView<NoticeView>))
)]
#[get("/notices")]
pub(crate) async fn list_notices(
    state: web::Data<AppState>,
    caller: Caller,
    request: HttpRequest,
    query: Query<NoticeQuery>,
) -> Result<HttpResponse, ApiError> {
    let filter = NoticeFilter {
        states: query.state.map(|state| vec![state]),
        kind: query.kind,
        visit: query.visit_id.map(Into::into),
        contact: query.contact_id.map(Into::into),
        technician: query.technician_id.map(Into::into),
        created_from: query.created_from,
        updated_after: query.updated_after,
    };
    let work =
        move |conn: &mut AnyConnection, page| Ok(rows::list(conn, caller.branch, &filter, page)?);
    let from = state.config.mail.from.clone();
    let view =
        move |_: &mut AnyConnection, record: NoticeRecord| Ok(NoticeView::of(&record, &from));
    crud::rows(&state, &request, query.page(), work, view).await
}

/// Reads a notice
///
/// With its texts and calendar part as they were composed; they are never composed again.
#[utoipa::path(
    tag = "notices",
    params(("notice_id" = i64, Path, description = "Number of the notice")),
    responses((status = 200, description = "The notice", body = NoticeTextView))
)]
#[get("/notices/{notice_id}")]
pub(crate) async fn find_notice(
    state: web::Data<AppState>,
    caller: Caller,
    id: web::Path<i64>,
) -> Result<HttpResponse, ApiError> {
    let id = NoticeId(id.into_inner());
    let record = read(&state, move |conn| Ok(rows::find(conn, caller.branch, id)?)).await?;
    Ok(HttpResponse::Ok().json(NoticeTextView::of(record, &state.config.mail.from)))
}

/// Lists answers
///
/// What households answered, in the order in which it came unless `sort` says otherwise.
#[utoipa::path(
    tag = "answers",
    params(AnswerQuery),
    responses((status = 200, description = "One page", body = PageView<AnswerView>))
)]
#[get("/answers")]
pub(crate) async fn list_answers(
    state: web::Data<AppState>,
    caller: Caller,
    request: HttpRequest,
    query: Query<AnswerQuery>,
) -> Result<HttpResponse, ApiError> {
    let filter = AnswerFilter {
        visit: query.visit_id.map(Into::into),
        contact: query.contact_id.map(Into::into),
        from: query.from,
    };
    let work = move |conn: &mut AnyConnection, page| {
        Ok(answers::list(conn, caller.branch, &filter, page)?)
    };
    let view = |_: &mut AnyConnection, record: AnswerRecord| Ok(AnswerView::from(record));
    crud::rows(&state, &request, query.page(), work, view).await
}
