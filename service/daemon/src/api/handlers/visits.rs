//! Visits: list, read, add by hand, change, move through their states.

use actix_web::http::header;
use actix_web::{HttpRequest, HttpResponse, get, post, put, web};
use chrono::{DateTime, NaiveDate, Utc};
use hotspell_domain::{DateRange, Role, SiteId, VisitKind, VisitState};
use hotspell_notices::compose::ChangeCause;
use hotspell_store::branches::BranchRecord;
use hotspell_store::visits::{
    self as rows, Cause, VisitEventFilter, VisitFilter, VisitRecord, VisitResultFilter,
};
use hotspell_store::words::Resource;
use hotspell_store::{AnyConnection, branches, sites, technicians};

use crate::api::audit::{self, Deed};
use crate::api::body::Body;
use crate::api::caller::Caller;
use crate::api::checks::refer;
use crate::api::crud;
use crate::api::error::ApiError;
use crate::api::middleware::idempotency;
use crate::api::page::{PageView, Paged as _, list_query};
use crate::api::query::Query;
use crate::api::transact::{read, run, write};
use crate::api::types::visits::{
    StateChangeInput, VisitEventView, VisitInput, VisitResultView, VisitUpdate, VisitView,
};
use crate::api::{etag, visibility};
use crate::app::day_routes;
use crate::app::telling::{self, Why};
use crate::app::training;
use crate::state::AppState;

list_query! {
    /// Which visits are listed.
    VisitQuery sorted by rows::VisitSort {
        /// Number of the site.
        site_id: i64,
        /// Number of the agreement.
        agreement_id: i64,
        /// What it is for.
        kind: VisitKind,
        /// Where it stands.
        state: VisitState,
        /// Number of the technician who comes.
        technician_id: i64,
        /// On this day or later; only together with `day_until`.
        day_from: NaiveDate,
        /// On this day or earlier.
        day_until: NaiveDate,
        /// Changed after this instant.
        updated_after: DateTime<Utc>,
    }
}

list_query! {
    /// Which changes of a visit are listed.
    VisitEventQuery sorted by rows::VisitEventSort {}
}

list_query! {
    /// Which submissions about a visit are listed.
    VisitResultQuery sorted by rows::VisitResultSort {}
}

impl VisitQuery {
    fn filter(self) -> Result<VisitFilter, ApiError> {
        let days = match (self.day_from, self.day_until) {
            (None, None) => None,
            (Some(first), Some(last)) => Some(DateRange::new(first, last).ok_or_else(|| {
                ApiError::field("day_until", format!("{last} comes before {first}"))
            })?),
            _ => {
                return Err(ApiError::field("day_until", "give day_from and day_until or neither"));
            }
        };
        Ok(VisitFilter {
            site: self.site_id.map(Into::into),
            agreement: self.agreement_id.map(Into::into),
            kind: self.kind,
            states: self.state.map(|state| vec![state]),
            technician: self.technician_id.map(Into::into),
            days,
            updated_after: self.updated_after,
            ..VisitFilter::default()
        })
    }
}

/// The filter with what the role adds: a technician sees the own visits, or those of a site of
/// theirs; a homeowner those of the own home.
fn narrowed(
    conn: &mut AnyConnection,
    caller: &Caller,
    mut filter: VisitFilter,
) -> Result<VisitFilter, ApiError> {
    match caller.role {
        Role::Office => {}
        Role::Technician => {
            let is_own_site = filter
                .site
                .is_some_and(|site| visibility::site(conn, caller, site).unwrap_or(false));
            if !is_own_site {
                filter.technician = caller.technician;
            }
        }
        Role::Homeowner => {
            // No site has the number 0, so a homeowner without a home sees none.
            filter.site = Some(visibility::own_site(conn, caller)?.unwrap_or(SiteId(0)));
        }
    }
    Ok(filter)
}

/// A visit that the caller's role reaches; what it does not reach is not there.
pub(super) fn reach(
    conn: &mut AnyConnection,
    caller: &Caller,
    id: i64,
) -> Result<VisitRecord, ApiError> {
    let visit = rows::find(conn, caller.branch, id.into())?;
    if visibility::visit(conn, caller, &visit)? {
        Ok(visit)
    } else {
        Err(ApiError::not_found("visit", id))
    }
}

/// Lists visits
///
/// Visits that meet every filter, by number unless `sort` says otherwise. A technician sees the own ones,
/// or all of a site of theirs with `site_id`; a homeowner those of the own home.
#[utoipa::path(
    tag = "visits",
    params(VisitQuery),
    responses((status = 200, description = "One page", body = PageView<VisitView>))
)]
#[get("/visits")]
pub(crate) async fn list_visits(
    state: web::Data<AppState>,
    caller: Caller,
    request: HttpRequest,
    query: Query<VisitQuery>,
) -> Result<HttpResponse, ApiError> {
    let page = query.page();
    let filter = query.into_inner().filter()?;
    let work = move |conn: &mut AnyConnection, page| {
        let filter = narrowed(conn, &caller, filter)?;
        Ok(rows::list(conn, caller.branch, &filter, page)?)
    };
    let view = |_: &mut AnyConnection, visit: VisitRecord| Ok(VisitView::from(visit));
    crud::rows(&state, &request, page, work, view).await
}

/// Reads a visit
///
/// With its version as the ETag; `If-None-Match` with that ETag gets 304 and no body.
#[utoipa::path(
    tag = "visits",
    params(("visit_id" = i64, Path, description = "Number of the visit")),
    responses((status = 200, description = "The visit", body = VisitView))
)]
#[get("/visits/{visit_id}")]
pub(crate) async fn find_visit(
    state: web::Data<AppState>,
    caller: Caller,
    request: HttpRequest,
    id: web::Path<i64>,
) -> Result<HttpResponse, ApiError> {
    let visit = read(&state, move |conn| reach(conn, &caller, id.into_inner())).await?;
    let version = visit.version;
    if etag::known(&request, version) {
        return Ok(HttpResponse::NotModified().insert_header(etag::tag(version)).finish());
    }
    Ok(HttpResponse::Ok().insert_header(etag::tag(version)).json(VisitView::from(visit)))
}

/// Adds a visit
///
/// For calls and return visits; what an agreement owes comes by itself. It begins as owed.
#[utoipa::path(
    tag = "visits",
    request_body = VisitInput,
    responses((status = 201, description = "The new visit", body = VisitView))
)]
#[post("/visits")]
pub(crate) async fn create_visit(
    state: web::Data<AppState>,
    caller: Caller,
    body: Body<VisitInput>,
) -> Result<HttpResponse, ApiError> {
    let (input, now) = (body.value()?, state.now());
    let ticket = idempotency::ticket();
    let (place, view) = write(&state, move |conn| {
        let fields = input.fields()?;
        sites::find(conn, caller.branch, fields.site_id)
            .map_err(|error| refer("/site_id", error))?;
        let who = caller.who();
        let cause = Cause { who: &who, why: fields.reason.as_deref() };
        let visit = rows::insert_once(conn, caller.branch, &fields, cause, now)?
            .ok_or_else(|| ApiError::internal("a visit without agreement was there already"))?;
        let deed = Deed { action: "create", kind: Resource::Visit, id: visit.id.0 };
        let view = VisitView::from(visit);
        audit::record(conn, &caller, deed, None::<&VisitView>, Some(&view), now)?;
        let place = format!("/api/v1/visits/{}", view.id);
        if let Some(ticket) = ticket {
            ticket.keep_created(conn, &place, Some(view.version), &view)?;
        }
        Ok((place, view))
    })
    .await?;
    Ok(HttpResponse::Created()
        .insert_header((header::LOCATION, place))
        .insert_header(etag::tag(view.version))
        .json(view))
}

/// Changes a visit
///
/// Its terms: when it may happen, how long it takes, how urgent it is. To move it, change its
/// state.
#[utoipa::path(
    tag = "visits",
    params(("visit_id" = i64, Path, description = "Number of the visit")),
    request_body = VisitUpdate,
    responses((status = 200, description = "The changed visit", body = VisitView))
)]
#[put("/visits/{visit_id}")]
pub(crate) async fn update_visit(
    state: web::Data<AppState>,
    caller: Caller,
    request: HttpRequest,
    id: web::Path<i64>,
    body: Body<VisitUpdate>,
) -> Result<HttpResponse, ApiError> {
    let (expected, input, now) = (etag::expected(&request), body.value(), state.now());
    let view = write(&state, move |conn| {
        let before = reach(conn, &caller, id.into_inner())?;
        expected?.check(before.version)?;
        let fields = input?.fields(&before.fields)?;
        let after = rows::update(conn, caller.branch, before.id, before.version, &fields, now)?;
        changed(conn, &caller, "change", before, after, now)
    })
    .await?;
    Ok(HttpResponse::Ok().insert_header(etag::tag(view.version)).json(view))
}

fn changed(
    conn: &mut AnyConnection,
    caller: &Caller,
    action: &str,
    before: VisitRecord,
    after: VisitRecord,
    now: DateTime<Utc>,
) -> Result<VisitView, ApiError> {
    let deed = Deed { action, kind: Resource::Visit, id: after.id.0 };
    let (before, after) = (VisitView::from(before), VisitView::from(after));
    audit::record(conn, caller, deed, Some(&before), Some(&after), now)?;
    Ok(after)
}

/// Moves a visit to another state
///
/// Places it, takes it away again, or ends it; the change is kept with who, when and why. A
/// change that is not allowed is refused and names the ones that are. A household that was told
/// of a slot that changes is written to, with the calendar update, and the moved visit is announced
/// anew; without a mail that may and can reach it in time the visit stays placed. The routes of the days
/// follow, from today on; where it does not fit between the others' stops it is refused (409) with the
/// times that are free. Somebody who is not trained for the home's machines is refused (422) with who
/// could go on that day. The version may be given with `If-Match`; without it the present one is meant.
#[utoipa::path(
    tag = "visits",
    params(("visit_id" = i64, Path, description = "Number of the visit")),
    request_body = StateChangeInput,
    responses((status = 200, description = "The moved visit", body = VisitView))
)]
#[post("/visits/{visit_id}/state-changes")]
pub(crate) async fn change_visit_state(
    state: web::Data<AppState>,
    caller: Caller,
    request: HttpRequest,
    id: web::Path<i64>,
    body: Body<StateChangeInput>,
) -> Result<HttpResponse, ApiError> {
    let expected = etag::expected_if_sent(&request);
    let (input, now, shared) = (body.value(), state.now(), state.clone());
    let moved = write(&state, move |conn| {
        let id = id.into_inner();
        let before = reach(conn, &caller, id)?;
        let expected = expected?;
        expected.check(before.version)?;
        move_one(conn, &shared, &caller, id, &expected, &input?, now)
    })
    .await?;
    let (shared, Moved { view, branch, days: [before, after] }) = (state.clone(), moved);
    run(move || day_routes::load(&shared, &branch, before, after)).await?;
    Ok(HttpResponse::Ok().insert_header(etag::tag(view.version)).json(view))
}

/// A visit that was moved, and the days whose parts to carry are to be counted anew.
pub(super) struct Moved {
    pub(super) view: VisitView,
    pub(super) branch: BranchRecord,
    /// Its day before and after.
    pub(super) days: [Option<NaiveDate>; 2],
}

/// Moves a visit to another state in the caller's transaction: the household is told, the routes
/// follow, and the audit keeps who did it.
pub(super) fn move_one(
    conn: &mut AnyConnection,
    state: &AppState,
    caller: &Caller,
    id: i64,
    expected: &etag::Expected,
    input: &StateChangeInput,
    now: DateTime<Utc>,
) -> Result<Moved, ApiError> {
    let before = reach(conn, caller, id)?;
    let version = expected.check(before.version)?;
    let (change, why) = input.change()?;
    if let Some((_, technician)) = change.place {
        technicians::find(conn, caller.branch, technician)
            .map_err(|error| refer("/technician_id", error))?;
    }
    let branch = branches::find(conn, caller.branch)?;
    let elsewhere = change.place != before.day.zip(before.technician_id);
    if let (true, Some((day, technician))) =
        (elsewhere && change.state.holds_a_place(), change.place)
    {
        training::check(conn, &branch, &before, day, technician)?;
    }
    let who = caller.who();
    let cause = Cause { who: &who, why: why.as_deref() };
    let after = rows::change(conn, caller.branch, before.id, version, change, cause, now)?;
    let told_as = Why::Changed(input.told_as.map_or(ChangeCause::OfficeDecision, Into::into));
    let (after, _) = telling::of_change(conn, state, &branch, &before, after, told_as)?;
    day_routes::follow(conn, state, &branch, &before, &after)?;
    let days = [before.day, after.day];
    let view = changed(conn, caller, "move", before, after, now)?;
    Ok(Moved { view, branch, days })
}

/// Lists what happened to a visit
///
/// Every change with who, when and why, oldest first.
#[utoipa::path(
    tag = "visits",
    params(("visit_id" = i64, Path, description = "Number of the visit"), VisitEventQuery),
    responses((status = 200, description = "One page", body = PageView<VisitEventView>))
)]
#[get("/visits/{visit_id}/events")]
pub(crate) async fn list_visit_events(
    state: web::Data<AppState>,
    caller: Caller,
    request: HttpRequest,
    id: web::Path<i64>,
    query: Query<VisitEventQuery>,
) -> Result<HttpResponse, ApiError> {
    let work = move |conn: &mut AnyConnection, page| {
        let visit = reach(conn, &caller, id.into_inner())?;
        let filter = VisitEventFilter { visit: Some(visit.id), ..VisitEventFilter::default() };
        Ok(rows::list_events(conn, caller.branch, &filter, page)?)
    };
    let view =
        |_: &mut AnyConnection, event: rows::VisitEventRecord| Ok(VisitEventView::from(event));
    crud::rows(&state, &request, query.page(), work, view).await
}

/// Lists what was sent in about a visit
///
/// Technicians' submissions as they came, oldest first.
#[utoipa::path(
    tag = "visits",
    params(("visit_id" = i64, Path, description = "Number of the visit"), VisitResultQuery),
    responses((status = 200, description = "One page", body = PageView<VisitResultView>))
)]
#[get("/visits/{visit_id}/results")]
pub(crate) async fn list_visit_results(
    state: web::Data<AppState>,
    caller: Caller,
    request: HttpRequest,
    id: web::Path<i64>,
    query: Query<VisitResultQuery>,
) -> Result<HttpResponse, ApiError> {
    let work = move |conn: &mut AnyConnection, page| {
        let visit = reach(conn, &caller, id.into_inner())?;
        let filter = VisitResultFilter { visit: Some(visit.id) };
        Ok(rows::list_results(conn, caller.branch, &filter, page)?)
    };
    let view =
        |_: &mut AnyConnection, result: rows::VisitResultRecord| Ok(VisitResultView::from(result));
    crud::rows(&state, &request, query.page(), work, view).await
}
