//! Readings: list, read, create, change.

use actix_web::{HttpRequest, HttpResponse, get, post, put, web};
use chrono::NaiveDate;
use chrono::{DateTime, Utc};
use hotspell_domain::{ComponentClass, DateRange};
use hotspell_store::readings::{self as rows, ReadingFields, ReadingFilter, ReadingRecord};
use hotspell_store::words::{Resource, Section};
use hotspell_store::{AnyConnection, SortedPage, StoreError, components};

use crate::api::body::Body;
use crate::api::caller::Caller;
use crate::api::checks::{Checks, refer};
use crate::api::crud::{self, Editable};
use crate::api::error::ApiError;
use crate::api::page::{PageView, Paged as _, list_query};
use crate::api::query::Query;
use crate::api::types::readings::{ReadingInput, ReadingView};
use crate::api::visibility;
use crate::state::AppState;

list_query! {
    /// Which readings are listed.
    ReadingQuery sorted by rows::ReadingSort {
        /// Number of the component.
        component_id: i64,
        /// Number of the unit.
        unit_id: i64,
        /// Number of the site.
        site_id: i64,
        /// Number of the technician who measured.
        technician_id: i64,
        /// Taken on this day or later; only together with `taken_until`.
        taken_from: NaiveDate,
        /// Taken on this day or earlier.
        taken_until: NaiveDate,
        /// Changed after this instant.
        updated_after: DateTime<Utc>,
    }
}

/// Readings.
pub(crate) struct Readings;

impl Editable for Readings {
    const KIND: Resource = Resource::Reading;
    const PATH: &'static str = "/readings";
    type Input = ReadingInput;
    type Record = ReadingRecord;
    type View = ReadingView;
    type Sort = rows::ReadingSort;
    type Filter = ReadingFilter;

    fn version(record: &ReadingRecord) -> i64 {
        record.version
    }

    fn view(_: &mut AnyConnection, record: ReadingRecord) -> Result<ReadingView, ApiError> {
        let input = (&record.fields).into();
        Ok(ReadingView::of(&record, input))
    }

    fn list(
        conn: &mut AnyConnection,
        caller: &Caller,
        filter: &ReadingFilter,
        page: SortedPage<rows::ReadingSort>,
    ) -> Result<Vec<ReadingRecord>, ApiError> {
        Ok(rows::list(conn, caller.branch, filter, page)?)
    }

    fn find(conn: &mut AnyConnection, caller: &Caller, id: i64) -> Result<ReadingRecord, ApiError> {
        Ok(rows::find(conn, caller.branch, id.into())?)
    }

    fn visible(
        conn: &mut AnyConnection,
        caller: &Caller,
        record: &ReadingRecord,
    ) -> Result<bool, ApiError> {
        visibility::component(conn, caller, record.component_id)
    }

    fn create(
        conn: &mut AnyConnection,
        caller: &Caller,
        input: &ReadingInput,
        now: DateTime<Utc>,
    ) -> Result<ReadingRecord, ApiError> {
        let fields = input.fields(now)?;
        check_part(conn, caller, &fields)?;
        Ok(rows::insert(conn, caller.branch, &fields, now)?)
    }

    fn change(
        conn: &mut AnyConnection,
        caller: &Caller,
        before: &ReadingRecord,
        input: &ReadingInput,
        now: DateTime<Utc>,
    ) -> Result<ReadingRecord, ApiError> {
        let fields = input.fields(now)?;
        check_part(conn, caller, &fields)?;
        Ok(rows::update(conn, caller.branch, before.id, before.version, &fields, now)?)
    }
}

/// Lists readings
///
/// Measurements that meet every filter, by number unless `sort` says otherwise. A technician must name a site with `site_id`.
#[utoipa::path(
    tag = "readings",
    params(ReadingQuery),
    responses((status = 200, description = "One page", body = PageView<ReadingView>))
)]
#[get("/readings")]
pub(crate) async fn list_readings(
    state: web::Data<AppState>,
    caller: Caller,
    request: HttpRequest,
    query: Query<ReadingQuery>,
) -> Result<HttpResponse, ApiError> {
    let page = query.page();
    let query = query.into_inner();
    visibility::listed_site(&state, &caller, query.site_id).await?;
    let filter = ReadingFilter {
        component: query.component_id.map(Into::into),
        unit: query.unit_id.map(Into::into),
        site: query.site_id.map(Into::into),
        technician: query.technician_id.map(Into::into),
        taken: taken(&query)?,
        updated_after: query.updated_after,
        ..ReadingFilter::default()
    };
    crud::list::<Readings>(&state, caller, &request, filter, page).await
}

/// Reads a reading
///
/// With its version as the ETag; `If-None-Match` with that ETag gets 304 and no body.
#[utoipa::path(
    tag = "readings",
    params(("reading_id" = i64, Path, description = "Number of the reading")),
    responses((status = 200, description = "The reading", body = ReadingView))
)]
#[get("/readings/{reading_id}")]
pub(crate) async fn find_reading(
    state: web::Data<AppState>,
    caller: Caller,
    request: HttpRequest,
    id: web::Path<i64>,
) -> Result<HttpResponse, ApiError> {
    crud::find::<Readings>(&state, caller, &request, id.into_inner()).await
}

/// Creates a reading
///
/// The key is made by whoever measured: a second reading with the same key is refused, so that the same submission counts once.
#[utoipa::path(
    tag = "readings",
    request_body = ReadingInput,
    responses((status = 201, description = "The new reading", body = ReadingView))
)]
#[post("/readings")]
pub(crate) async fn create_reading(
    state: web::Data<AppState>,
    caller: Caller,
    body: Body<ReadingInput>,
) -> Result<HttpResponse, ApiError> {
    crud::create::<Readings>(&state, caller, body).await
}

/// Changes a reading
///
/// Replaces all members that can be changed; a member left out gets its default.
#[utoipa::path(
    tag = "readings",
    params(("reading_id" = i64, Path, description = "Number of the reading")),
    request_body = ReadingInput,
    responses((status = 200, description = "The changed reading", body = ReadingView))
)]
#[put("/readings/{reading_id}")]
pub(crate) async fn update_reading(
    state: web::Data<AppState>,
    caller: Caller,
    request: HttpRequest,
    id: web::Path<i64>,
    body: Body<ReadingInput>,
) -> Result<HttpResponse, ApiError> {
    crud::change::<Readings>(&state, caller, &request, id.into_inner(), body).await
}

fn taken(query: &ReadingQuery) -> Result<Option<DateRange>, ApiError> {
    match (query.taken_from, query.taken_until) {
        (None, None) => Ok(None),
        (Some(first), Some(last)) => DateRange::new(first, last)
            .map(Some)
            .ok_or_else(|| ApiError::field("taken_until", format!("{last} comes before {first}"))),
        _ => Err(ApiError::field("taken_until", "give taken_from and taken_until, or neither")),
    }
}

/// A reading belongs to the life of its part, and a fan section to a dual run capacitor.
fn check_part(
    conn: &mut AnyConnection,
    caller: &Caller,
    fields: &ReadingFields,
) -> Result<(), ApiError> {
    let part = components::find(conn, caller.branch, fields.component_id)
        .map_err(|error| refer("/component_id", error))?;
    if !visibility::component(conn, caller, part.id)? {
        return Err(refer("/component_id", StoreError::NotFound("component")));
    }
    let mut checks = Checks::default();
    if !caller.is_office() && fields.technician_id != caller.technician {
        checks.refuse("/technician_id", "a technician records own readings");
    }
    checks.order("/taken_on", part.installed_earliest, Some(fields.taken_on));
    checks.order("/taken_on", Some(fields.taken_on), part.ended_on);
    if fields.section == Section::Fan && part.class != ComponentClass::RunCapacitorDual {
        checks.refuse("/section", format!("a {} has no fan section", part.class));
    }
    checks.finish()
}
