//! Sites: list, read, create, change.

use actix_web::{HttpRequest, HttpResponse, get, post, put, web};
use chrono::{DateTime, Utc};
use hotspell_store::sites::{self as rows, SiteFilter, SiteRecord};
use hotspell_store::words::Resource;
use hotspell_store::{AnyConnection, SortedPage};

use crate::api::body::Body;
use crate::api::caller::Caller;
use crate::api::crud::{self, Editable};
use crate::api::error::ApiError;
use crate::api::page::{PageView, Paged as _, list_query};
use crate::api::query::Query;
use crate::api::types::sites::{SiteInput, SiteView};
use crate::api::visibility;
use crate::state::AppState;

list_query! {
    /// Which sites are listed.
    SiteQuery sorted by rows::SiteSort {
        /// In this city.
        city: String,
        /// With or without a position.
        has_position: bool,
        /// With or without a stated vulnerability.
        vulnerable: bool,
        /// Changed after this instant.
        updated_after: DateTime<Utc>,
    }
}

/// Sites.
pub(crate) struct Sites;

impl Editable for Sites {
    const KIND: Resource = Resource::Site;
    const PATH: &'static str = "/sites";
    type Input = SiteInput;
    type Record = SiteRecord;
    type View = SiteView;
    type Sort = rows::SiteSort;
    type Filter = SiteFilter;

    fn version(record: &SiteRecord) -> i64 {
        record.version
    }

    fn view(conn: &mut AnyConnection, record: SiteRecord) -> Result<SiteView, ApiError> {
        let absences = rows::absences(conn, record.branch_id, Some(record.id))?
            .remove(&record.id)
            .unwrap_or_default();
        let input = SiteInput::of(&record, absences);
        Ok(SiteView::of(&record, input))
    }

    fn list(
        conn: &mut AnyConnection,
        caller: &Caller,
        filter: &SiteFilter,
        page: SortedPage<rows::SiteSort>,
    ) -> Result<Vec<SiteRecord>, ApiError> {
        Ok(rows::list(conn, caller.branch, filter, page)?)
    }

    fn find(conn: &mut AnyConnection, caller: &Caller, id: i64) -> Result<SiteRecord, ApiError> {
        Ok(rows::find(conn, caller.branch, id.into())?)
    }

    fn visible(
        conn: &mut AnyConnection,
        caller: &Caller,
        record: &SiteRecord,
    ) -> Result<bool, ApiError> {
        visibility::site(conn, caller, record.id)
    }

    fn create(
        conn: &mut AnyConnection,
        caller: &Caller,
        input: &SiteInput,
        now: DateTime<Utc>,
    ) -> Result<SiteRecord, ApiError> {
        let (fields, absences) = input.fields()?;
        let record = rows::insert(conn, caller.branch, &fields, now)?;
        rows::set_absences(conn, caller.branch, record.id, &absences)?;
        Ok(record)
    }

    fn change(
        conn: &mut AnyConnection,
        caller: &Caller,
        before: &SiteRecord,
        input: &SiteInput,
        now: DateTime<Utc>,
    ) -> Result<SiteRecord, ApiError> {
        let (fields, absences) = input.fields()?;
        let record = rows::update(conn, caller.branch, before.id, before.version, &fields, now)?;
        rows::set_absences(conn, caller.branch, record.id, &absences)?;
        Ok(record)
    }
}

/// Lists sites
///
/// Sites of the branch that meet every filter, by number unless `sort` says otherwise.
#[utoipa::path(
    tag = "sites",
    params(SiteQuery),
    responses((status = 200, description = "One page", body = PageView<SiteView>))
)]
#[get("/sites")]
pub(crate) async fn list_sites(
    state: web::Data<AppState>,
    caller: Caller,
    request: HttpRequest,
    query: Query<SiteQuery>,
) -> Result<HttpResponse, ApiError> {
    let page = query.page();
    let query = query.into_inner();
    let filter = SiteFilter {
        ids: None,
        city: query.city,
        has_position: query.has_position,
        vulnerable: query.vulnerable,
        updated_after: query.updated_after,
    };
    crud::list::<Sites>(&state, caller, &request, filter, page).await
}

/// Reads a site
///
/// With its version as the ETag; `If-None-Match` with that ETag gets 304 and no body.
#[utoipa::path(
    tag = "sites",
    params(("site_id" = i64, Path, description = "Number of the site")),
    responses((status = 200, description = "The site", body = SiteView))
)]
#[get("/sites/{site_id}")]
pub(crate) async fn find_site(
    state: web::Data<AppState>,
    caller: Caller,
    request: HttpRequest,
    id: web::Path<i64>,
) -> Result<HttpResponse, ApiError> {
    crud::find::<Sites>(&state, caller, &request, id.into_inner()).await
}

/// Creates a site
///
/// The key must be new in the branch. `Location` names the place of the new record.
#[utoipa::path(
    tag = "sites",
    request_body = SiteInput,
    responses((status = 201, description = "The new site", body = SiteView))
)]
#[post("/sites")]
pub(crate) async fn create_site(
    state: web::Data<AppState>,
    caller: Caller,
    body: Body<SiteInput>,
) -> Result<HttpResponse, ApiError> {
    crud::create::<Sites>(&state, caller, body).await
}

/// Changes a site
///
/// Replaces all members that can be changed; a member left out gets its default.
#[utoipa::path(
    tag = "sites",
    params(("site_id" = i64, Path, description = "Number of the site")),
    request_body = SiteInput,
    responses((status = 200, description = "The changed site", body = SiteView))
)]
#[put("/sites/{site_id}")]
pub(crate) async fn update_site(
    state: web::Data<AppState>,
    caller: Caller,
    request: HttpRequest,
    id: web::Path<i64>,
    body: Body<SiteInput>,
) -> Result<HttpResponse, ApiError> {
    crud::change::<Sites>(&state, caller, &request, id.into_inner(), body).await
}
