//! Units: list, read, create, change.

use actix_web::{HttpRequest, HttpResponse, get, post, put, web};
use chrono::NaiveDate;
use chrono::{DateTime, Utc};
use hotspell_domain::UnitKind;
use hotspell_store::units::{self as rows, UnitFilter, UnitRecord};
use hotspell_store::words::Resource;
use hotspell_store::{AnyConnection, SortedPage};

use crate::api::body::Body;
use crate::api::caller::Caller;
use crate::api::checks::site_exists;
use crate::api::crud::{self, Editable};
use crate::api::error::ApiError;
use crate::api::page::{PageView, Paged as _, list_query};
use crate::api::query::Query;
use crate::api::types::units::{UnitInput, UnitView};
use crate::api::visibility;
use crate::state::AppState;

list_query! {
    /// Which units are listed.
    UnitQuery sorted by rows::UnitSort {
        /// Number of the site.
        site_id: i64,
        /// What it is.
        kind: UnitKind,
        /// Still there on this day.
        present_on: NaiveDate,
        /// Changed after this instant.
        updated_after: DateTime<Utc>,
    }
}

/// Units.
pub(crate) struct Units;

impl Editable for Units {
    const KIND: Resource = Resource::Unit;
    const PATH: &'static str = "/units";
    type Input = UnitInput;
    type Record = UnitRecord;
    type View = UnitView;
    type Sort = rows::UnitSort;
    type Filter = UnitFilter;

    fn version(record: &UnitRecord) -> i64 {
        record.version
    }

    fn view(_: &mut AnyConnection, record: UnitRecord) -> Result<UnitView, ApiError> {
        let input = (&record.fields).into();
        Ok(UnitView::of(&record, input))
    }

    fn list(
        conn: &mut AnyConnection,
        caller: &Caller,
        filter: &UnitFilter,
        page: SortedPage<rows::UnitSort>,
    ) -> Result<Vec<UnitRecord>, ApiError> {
        Ok(rows::list(conn, caller.branch, filter, page)?)
    }

    fn find(conn: &mut AnyConnection, caller: &Caller, id: i64) -> Result<UnitRecord, ApiError> {
        Ok(rows::find(conn, caller.branch, id.into())?)
    }

    fn visible(
        conn: &mut AnyConnection,
        caller: &Caller,
        record: &UnitRecord,
    ) -> Result<bool, ApiError> {
        visibility::site(conn, caller, record.site_id)
    }

    fn create(
        conn: &mut AnyConnection,
        caller: &Caller,
        input: &UnitInput,
        now: DateTime<Utc>,
    ) -> Result<UnitRecord, ApiError> {
        let fields = input.fields(now)?;
        site_exists(conn, caller.branch, fields.site_id)?;
        Ok(rows::insert(conn, caller.branch, &fields, now)?)
    }

    fn change(
        conn: &mut AnyConnection,
        caller: &Caller,
        before: &UnitRecord,
        input: &UnitInput,
        now: DateTime<Utc>,
    ) -> Result<UnitRecord, ApiError> {
        let fields = input.fields(now)?;
        if fields.site_id != before.site_id {
            return Err(ApiError::field("/site_id", "a unit stays at its site; create another"));
        }
        Ok(rows::update(conn, caller.branch, before.id, before.version, &fields, now)?)
    }
}

/// Lists units
///
/// Units that meet every filter, by number unless `sort` says otherwise. A technician must name a site with `site_id`.
#[utoipa::path(
    tag = "units",
    params(UnitQuery),
    responses((status = 200, description = "One page", body = PageView<UnitView>))
)]
#[get("/units")]
pub(crate) async fn list_units(
    state: web::Data<AppState>,
    caller: Caller,
    request: HttpRequest,
    query: Query<UnitQuery>,
) -> Result<HttpResponse, ApiError> {
    let page = query.page();
    let query = query.into_inner();
    visibility::listed_site(&state, &caller, query.site_id).await?;
    let filter = UnitFilter {
        site: query.site_id.map(Into::into),
        kind: query.kind,
        present_on: query.present_on,
        updated_after: query.updated_after,
        ..UnitFilter::default()
    };
    crud::list::<Units>(&state, caller, &request, filter, page).await
}

/// Reads a unit
///
/// With its version as the ETag; `If-None-Match` with that ETag gets 304 and no body.
#[utoipa::path(
    tag = "units",
    params(("unit_id" = i64, Path, description = "Number of the unit")),
    responses((status = 200, description = "The unit", body = UnitView))
)]
#[get("/units/{unit_id}")]
pub(crate) async fn find_unit(
    state: web::Data<AppState>,
    caller: Caller,
    request: HttpRequest,
    id: web::Path<i64>,
) -> Result<HttpResponse, ApiError> {
    crud::find::<Units>(&state, caller, &request, id.into_inner()).await
}

/// Creates a unit
///
/// The key must be new in the branch. `Location` names the place of the new record.
#[utoipa::path(
    tag = "units",
    request_body = UnitInput,
    responses((status = 201, description = "The new unit", body = UnitView))
)]
#[post("/units")]
pub(crate) async fn create_unit(
    state: web::Data<AppState>,
    caller: Caller,
    body: Body<UnitInput>,
) -> Result<HttpResponse, ApiError> {
    crud::create::<Units>(&state, caller, body).await
}

/// Changes a unit
///
/// Replaces all members that can be changed; a member left out gets its default.
#[utoipa::path(
    tag = "units",
    params(("unit_id" = i64, Path, description = "Number of the unit")),
    request_body = UnitInput,
    responses((status = 200, description = "The changed unit", body = UnitView))
)]
#[put("/units/{unit_id}")]
pub(crate) async fn update_unit(
    state: web::Data<AppState>,
    caller: Caller,
    request: HttpRequest,
    id: web::Path<i64>,
    body: Body<UnitInput>,
) -> Result<HttpResponse, ApiError> {
    crud::change::<Units>(&state, caller, &request, id.into_inner(), body).await
}
