//! Agreements: list, read, create, change.

use actix_web::http::header;
use actix_web::{HttpRequest, HttpResponse, get, post, put, web};
use chrono::{DateTime, Days, NaiveDate, Utc};
use hotspell_domain::DateRange;
use hotspell_domain::local_time::local_day;
use hotspell_store::agreements::{self as rows, AgreementFilter, AgreementRecord};
use hotspell_store::words::Resource;
use hotspell_store::{AnyConnection, SortedPage, branches};

use crate::api::audit::{self, Deed};
use crate::api::body::Body;
use crate::api::caller::Caller;
use crate::api::checks::site_exists;
use crate::api::crud::{self, Editable};
use crate::api::error::ApiError;
use crate::api::middleware::idempotency;
use crate::api::page::{PageView, Paged as _, list_query};
use crate::api::query::Query;
use crate::api::transact::{read, write};
use crate::api::types::agreements::{AgreementInput, AgreementView, RenewalInput};
use crate::api::{etag, visibility};
use crate::app::{owed, renewal};
use crate::state::AppState;

/// Longest look ahead, in days.
const DAYS_MAX: u32 = 3_660;

list_query! {
    /// Which agreements are listed.
    AgreementQuery sorted by rows::AgreementSort {
        /// Number of the site.
        site_id: i64,
        /// In force on this day.
        in_force_on: NaiveDate,
        /// Ends on this day or earlier, and not before today: renewals that are due.
        ends_by: NaiveDate,
        /// Ends within so many days from the branch's today, 0 to 3660; with `renewed=false`, the
        /// renewals that are due.
        #[param(minimum = 0, maximum = 3660)]
        ends_within_days: u32,
        /// Whether the home has an agreement that begins after this one's last day.
        renewed: bool,
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
    type Sort = rows::AgreementSort;
    type Filter = AgreementFilter;

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
        page: SortedPage<rows::AgreementSort>,
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
        let after = rows::update(conn, caller.branch, before.id, before.version, &fields, now)?;
        owed::follow_agreement(conn, caller.branch, &after, now)?;
        Ok(after)
    }
}

/// Lists agreements
///
/// Agreements of the branch that meet every filter, by number unless `sort` says otherwise.
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
    query: Query<AgreementQuery>,
) -> Result<HttpResponse, ApiError> {
    let page = query.page();
    let query = query.into_inner();
    let ends_within = ends_within(&state, caller, &query).await?;
    let filter = AgreementFilter {
        site: query.site_id.map(Into::into),
        in_force: query.in_force_on.and_then(|day| DateRange::new(day, day)),
        ends_within,
        renewed: query.renewed,
        updated_after: query.updated_after,
    };
    crud::list::<Agreements>(&state, caller, &request, filter, page).await
}

/// The days on which the listed agreements end.
async fn ends_within(
    state: &AppState,
    caller: Caller,
    query: &AgreementQuery,
) -> Result<Option<DateRange>, ApiError> {
    if query.ends_by.is_none() && query.ends_within_days.is_none() {
        return Ok(None);
    }
    let now = state.now();
    let office = read(state, move |conn| Ok(branches::find(conn, caller.branch)?)).await?;
    let today = local_day(now, office.time_zone);
    let days = query.ends_within_days;
    if days.is_some_and(|days| days > DAYS_MAX) {
        let detail = format!("expected 0 to {DAYS_MAX} days");
        return Err(ApiError::field("ends_within_days", detail));
    }
    let by_days = days.and_then(|days| today.checked_add_days(Days::new(days.into())));
    let last = [query.ends_by, by_days].into_iter().flatten().min().unwrap_or(today);
    // A last day before today leaves a range of which no agreement ends on a day.
    Ok(Some(DateRange { first: today, last }))
}

/// Renews an agreement
///
/// Makes the agreement of the next term: it begins on the day after the old one's last day, is as
/// long (in calendar months if the old term has whole ones) and owes the same, unless the body says
/// otherwise. Refused while the agreement runs on without an end, and when the home has a later one.
#[utoipa::path(
    tag = "agreements",
    params(("agreement_id" = i64, Path, description = "Number of the agreement that ends")),
    request_body = RenewalInput,
    responses((status = 201, description = "The new agreement", body = AgreementView))
)]
#[post("/agreements/{agreement_id}/renewal")]
pub(crate) async fn renew_agreement(
    state: web::Data<AppState>,
    caller: Caller,
    id: web::Path<i64>,
    body: Body<RenewalInput>,
) -> Result<HttpResponse, ApiError> {
    let (input, now) = (body.value(), state.now());
    let ticket = idempotency::ticket();
    let (place, version, view) = write(&state, move |conn| {
        let old = id.into_inner();
        crud::reach::<Agreements>(conn, &caller, old)?;
        let (record, view) = renew_one(conn, &caller, old, &input?, now)?;
        let version = record.version;
        let place = format!("/api/v1/agreements/{}", record.id);
        if let Some(ticket) = ticket {
            ticket.keep_created(conn, &place, Some(version), &view)?;
        }
        Ok((place, version, view))
    })
    .await?;
    Ok(HttpResponse::Created()
        .insert_header((header::LOCATION, place))
        .insert_header(etag::tag(version))
        .json(view))
}

/// Makes the agreement of the next term and keeps who did it.
pub(super) fn renew_one(
    conn: &mut AnyConnection,
    caller: &Caller,
    old: i64,
    input: &RenewalInput,
    now: DateTime<Utc>,
) -> Result<(AgreementRecord, AgreementView), ApiError> {
    let old = crud::reach::<Agreements>(conn, caller, old)?;
    let record = renewal::renew(conn, caller.branch, &old, &input.checked()?, now)?;
    let view = Agreements::view(conn, record.clone())?;
    let deed = Deed { action: "renew", kind: Resource::Agreement, id: record.id.0 };
    audit::record(conn, caller, deed, None::<&AgreementView>, Some(&view), now)?;
    Ok((record, view))
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
/// Replaces all members that can be changed; a member left out gets its default. Visits that are owed and
/// have no place yet follow: their days, or that they are owed no longer.
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
