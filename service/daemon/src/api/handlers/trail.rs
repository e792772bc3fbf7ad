//! Who changed what, and the change feed.

use actix_web::{HttpRequest, HttpResponse, get, web};
use chrono::{DateTime, Utc};
use hotspell_store::audit::{self as rows, AuditFilter, AuditRecord};
use hotspell_store::{AnyConnection, Page, changes};

use crate::api::caller::Caller;
use crate::api::crud;
use crate::api::error::ApiError;
use crate::api::page::{self, PageView, Paged as _, list_query};
use crate::api::query::Query;
use crate::api::types::trail::{AuditView, ChangeView};
use crate::state::AppState;

list_query! {
    /// Which entries are listed.
    AuditQuery sorted by rows::AuditSort {
        /// Number of the account.
        account_id: i64,
        /// Kind of record, such as `site`.
        subject_kind: String,
        /// Number of the record; only together with its kind.
        subject_id: i64,
        /// At or after this instant.
        from: DateTime<Utc>,
        /// Before this instant.
        until: DateTime<Utc>,
    }
}

/// Which changes are listed.
#[derive(Debug, Clone, serde::Deserialize, utoipa::IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub(crate) struct ChangeQuery {
    /// Number of the last change that was seen; 0 or absent: from the first on.
    #[param(required = false, nullable = false, minimum = 0, example = 0)]
    after: Option<i64>,
    /// Rows in the answer, 1 to 500; 50 if absent.
    #[param(required = false, nullable = false, minimum = 1, maximum = 500, example = 50)]
    limit: Option<u32>,
}

/// Lists the audit
///
/// Every change by somebody with the record before and after it, oldest first unless `sort` says
/// otherwise. Append only.
#[utoipa::path(
    tag = "audit",
    params(AuditQuery),
    responses((status = 200, description = "One page", body = PageView<AuditView>))
)]
#[get("/audit")]
pub(crate) async fn list_audit(
    state: web::Data<AppState>,
    caller: Caller,
    request: HttpRequest,
    query: Query<AuditQuery>,
) -> Result<HttpResponse, ApiError> {
    let page = query.page();
    let query = query.into_inner();
    if query.subject_id.is_some() && query.subject_kind.is_none() {
        return Err(ApiError::field("subject_kind", "subject_id needs its kind"));
    }
    let filter = AuditFilter {
        account: query.account_id.map(Into::into),
        subject_kind: query.subject_kind,
        subject_id: query.subject_id,
        from: query.from,
        until: query.until,
    };
    let work =
        move |conn: &mut AnyConnection, page| Ok(rows::list(conn, caller.branch, &filter, page)?);
    let view = |_: &mut AnyConnection, record: AuditRecord| Ok(AuditView::from(record));
    crud::rows(&state, &request, page, work, view).await
}

/// Lists changes
///
/// Which records changed after the change with number `after`, in the order of commits: ask
/// again with the last number seen, then read the records. No change is skipped or told twice.
#[utoipa::path(
    tag = "changes",
    params(ChangeQuery),
    responses((status = 200, description = "The next changes", body = Vec<ChangeView>))
)]
#[get("/changes")]
pub(crate) async fn list_changes(
    state: web::Data<AppState>,
    caller: Caller,
    query: Query<ChangeQuery>,
) -> Result<HttpResponse, ApiError> {
    let limit = page::rows(query.limit)?;
    let after = query.after.unwrap_or(0);
    if after < 0 {
        return Err(ApiError::field("after", format!("{after} is below 0")));
    }
    let store = state.store.clone();
    let changes = crate::api::transact::run(move || {
        store.read_settled(|conn| changes::list(conn, caller.branch, Page::after(after, limit)))
    })
    .await?;
    let views: Vec<ChangeView> = changes.into_iter().map(ChangeView::from).collect();
    Ok(HttpResponse::Ok().json(views))
}
