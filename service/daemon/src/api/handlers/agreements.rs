//! Agreements: list, read, create, change.

use actix_web::{HttpRequest, HttpResponse, get, post, put, web};
use chrono::NaiveDate;
use chrono::{DateTime, Utc};
use hotspell_domain::DateRange;
use hotspell_store::agreements::{self as rows, AgreementFilter, AgreementRecord};
use hotspell_store::words::Resource;
use hotspell_store::{AnyConnection, Page};

use crate::api::body::Body;
use crate::api::caller::Caller;
use crate::api::checks::site_exists;
use crate::api::crud::{self, Editable};
use crate::api::error::ApiError;
use crate::api::page::{PageView, Paged as _, list_query};
use crate::api::types::agreements::{AgreementInput, AgreementView};
use crate::api::visibility;
use crate::state::AppState;

list_query! {
    /// Which agreements are listed.
    AgreementQuery {
        /// Number of the site.
        site_id: i64,
        /// In force on this day.
        in_force_on: NaiveDate,
        /// Ends on this day or earlier, and not before today: renewals that are due.
        ends_by: NaiveDate,
        /// Changed after this instant.
        updated_after: DateTime<Utc>,
    }
}

/// Agreements.
pub(crate) struct Agreements;

impl Editable for Agreements {
    const KIND: Resource = Resource::Agreement;
    const PATH: &'static str = "/agreements";
    type Input = AgreementInput;
    type Record = AgreementRecord;
    type View = AgreementView;
    type Filter = AgreementFilter;

    fn id(record: &AgreementRecord) -> i64 {
        record.id.0
    }

    fn version(record: &AgreementRecord) -> i64 {
        record.version
    }

    fn view(_: &mut AnyConnection, record: AgreementRecord) -> Result<AgreementView, ApiError> {
        let input = (&record.fields).into();
        Ok(AgreementView::of(&record, input))
    }

    fn list(
        conn: &mut AnyConnection,
        caller: &Caller,
        filter: &AgreementFilter,
        page: Page,
    ) -> Result<Vec<AgreementRecord>, ApiError> {
        Ok(rows::list(conn, caller.branch, filter, page)?)
    }

    fn find(
        conn: &mut AnyConnection,
        caller: &Caller,
        id: i64,
    ) -> Result<AgreementRecord, ApiError> {
        Ok(rows::find(conn, caller.branch, id.into())?)
    }

    fn visible(
        conn: &mut AnyConnection,
        caller: &Caller,
        record: &AgreementRecord,
    ) -> Result<bool, ApiError> {
        visibility::site(conn, caller, record.site_id)
    }

    fn create(
        conn: &mut AnyConnection,
        caller: &Caller,
        input: &AgreementInput,
        now: DateTime<Utc>,
    ) -> Result<AgreementRecord, ApiError> {
        let fields = input.fields()?;
        site_exists(conn, caller.branch, fields.site_id)?;
        Ok(rows::insert(conn, caller.branch, &fields, now)?)
    }

    fn change(
        conn: &mut AnyConnection,
        caller: &Caller,
        before: &AgreementRecord,
        input: &AgreementInput,
        now: DateTime<Utc>,
    ) -> Result<AgreementRecord, ApiError> {
        let fields = input.fields()?;
        site_exists(conn, caller.branch, fields.site_id)?;
        Ok(rows::update(conn, caller.branch, before.id, before.version, &fields, now)?)
    }
}

/// Lists agreements
///
/// Agreements of the branch that meet every filter, in the order of their numbers.
#[utoipa::path(
    tag = "agreements",
    params(AgreementQuery),
    responses((status = 200, description = "One page", body = PageView<AgreementView>))
)]
#[get("/agreements")]
pub(crate) async fn list_agreements(
    state: web::Data<AppState>,
    caller: Caller,
    request: HttpRequest,
    query: web::Query<AgreementQuery>,
) -> Result<HttpResponse, ApiError> {
    let page = query.page();
    let query = query.into_inner();
    let filter = AgreementFilter {
        site: query.site_id.map(Into::into),
        in_force: query.in_force_on.and_then(|day| DateRange::new(day, day)),
        ends_within: query.ends_by.and_then(|day| DateRange::new(state.now().date_naive(), day)),
        updated_after: query.updated_after,
    };
    crud::list::<Agreements>(&state, caller, &request, filter, page).await
}

/// Reads an agreement
///
/// With its version as the ETag; `If-None-Match` with that ETag gets 304 and no body.
#[utoipa::path(
    tag = "agreements",
    params(("agreement_id" = i64, Path, description = "Number of the agreement")),
    responses((status = 200, description = "The agreement", body = AgreementView))
)]
#[get("/agreements/{agreement_id}")]
pub(crate) async fn find_agreement(
    state: web::Data<AppState>,
    caller: Caller,
    request: HttpRequest,
    id: web::Path<i64>,
) -> Result<HttpResponse, ApiError> {
    crud::find::<Agreements>(&state, caller, &request, id.into_inner()).await
}

/// Creates an agreement
///
/// The key must be new in the branch. `Location` names the place of the new record.
#[utoipa::path(
    tag = "agreements",
    request_body = AgreementInput,
    responses((status = 201, description = "The new agreement", body = AgreementView))
)]
#[post("/agreements")]
pub(crate) async fn create_agreement(
    state: web::Data<AppState>,
    caller: Caller,
    body: Body<AgreementInput>,
) -> Result<HttpResponse, ApiError> {
    crud::create::<Agreements>(&state, caller, body).await
}

/// Changes an agreement
///
/// Replaces all members that can be changed; a member left out gets its default.
#[utoipa::path(
    tag = "agreements",
    params(("agreement_id" = i64, Path, description = "Number of the agreement")),
    request_body = AgreementInput,
    responses((status = 200, description = "The changed agreement", body = AgreementView))
)]
#[put("/agreements/{agreement_id}")]
pub(crate) async fn update_agreement(
    state: web::Data<AppState>,
    caller: Caller,
    request: HttpRequest,
    id: web::Path<i64>,
    body: Body<AgreementInput>,
) -> Result<HttpResponse, ApiError> {
    crud::change::<Agreements>(&state, caller, &request, id.into_inner(), body).await
}
