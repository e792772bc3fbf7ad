//! Technicians: list, read, create, change.

use actix_web::{HttpRequest, HttpResponse, get, post, put, web};
use chrono::NaiveDate;
use chrono::{DateTime, Utc};
use hotspell_store::technicians::{self as rows, TechnicianFilter, TechnicianRecord};
use hotspell_store::words::Resource;
use hotspell_store::{AnyConnection, SortedPage};

use crate::api::body::Body;
use crate::api::caller::Caller;
use crate::api::crud::{self, Editable};
use crate::api::error::ApiError;
use crate::api::page::{PageView, Paged as _, list_query};
use crate::api::query::Query;
use crate::api::types::technicians::{TechnicianInput, TechnicianLists, TechnicianView};
use crate::state::AppState;

list_query! {
    /// Which technicians are listed.
    TechnicianQuery sorted by rows::TechnicianSort {
        /// At work on this day by first and last day of work.
        active_on: NaiveDate,
        /// Changed after this instant.
        updated_after: DateTime<Utc>,
    }
}

/// Technicians.
pub(crate) struct Technicians;

impl Editable for Technicians {
    const KIND: Resource = Resource::Technician;
    const PATH: &'static str = "/technicians";
    type Input = TechnicianInput;
    type Record = TechnicianRecord;
    type View = TechnicianView;
    type Sort = rows::TechnicianSort;
    type Filter = TechnicianFilter;

    fn version(record: &TechnicianRecord) -> i64 {
        record.version
    }

    fn view(
        conn: &mut AnyConnection,
        record: TechnicianRecord,
    ) -> Result<TechnicianView, ApiError> {
        let (branch, id) = (record.branch_id, record.id);
        let lists = TechnicianLists {
            skills: rows::skills(conn, branch, Some(id))?.remove(&id).unwrap_or_default(),
            shifts: rows::shifts(conn, branch, Some(id))?.remove(&id).unwrap_or_default(),
            absences: rows::absences(conn, branch, Some(id))?.remove(&id).unwrap_or_default(),
        };
        let input = TechnicianInput::of(&record, lists);
        Ok(TechnicianView::of(&record, input))
    }

    fn list(
        conn: &mut AnyConnection,
        caller: &Caller,
        filter: &TechnicianFilter,
        page: SortedPage<rows::TechnicianSort>,
    ) -> Result<Vec<TechnicianRecord>, ApiError> {
        Ok(rows::list(conn, caller.branch, filter, page)?)
    }

    fn find(
        conn: &mut AnyConnection,
        caller: &Caller,
        id: i64,
    ) -> Result<TechnicianRecord, ApiError> {
        Ok(rows::find(conn, caller.branch, id.into())?)
    }

    fn visible(
        _: &mut AnyConnection,
        caller: &Caller,
        record: &TechnicianRecord,
    ) -> Result<bool, ApiError> {
        Ok(caller.technician == Some(record.id))
    }

    fn create(
        conn: &mut AnyConnection,
        caller: &Caller,
        input: &TechnicianInput,
        now: DateTime<Utc>,
    ) -> Result<TechnicianRecord, ApiError> {
        let (fields, lists) = input.fields()?;
        let record = rows::insert(conn, caller.branch, &fields, now)?;
        store_lists(conn, caller, &record, &lists)?;
        Ok(record)
    }

    fn change(
        conn: &mut AnyConnection,
        caller: &Caller,
        before: &TechnicianRecord,
        input: &TechnicianInput,
        now: DateTime<Utc>,
    ) -> Result<TechnicianRecord, ApiError> {
        let (fields, lists) = input.fields()?;
        let record = rows::update(conn, caller.branch, before.id, before.version, &fields, now)?;
        store_lists(conn, caller, &record, &lists)?;
        Ok(record)
    }
}

/// Lists technicians
///
/// Technicians of the branch that meet every filter, by number unless `sort` says otherwise.
#[utoipa::path(
    tag = "technicians",
    params(TechnicianQuery),
    responses((status = 200, description = "One page", body = PageView<TechnicianView>))
)]
#[get("/technicians")]
pub(crate) async fn list_technicians(
    state: web::Data<AppState>,
    caller: Caller,
    request: HttpRequest,
    query: Query<TechnicianQuery>,
) -> Result<HttpResponse, ApiError> {
    let page = query.page();
    let query = query.into_inner();
    let filter =
        TechnicianFilter { active_on: query.active_on, updated_after: query.updated_after };
    crud::list::<Technicians>(&state, caller, &request, filter, page).await
}

/// Reads a technician
///
/// With its version as the ETag; `If-None-Match` with that ETag gets 304 and no body.
#[utoipa::path(
    tag = "technicians",
    params(("technician_id" = i64, Path, description = "Number of the technician")),
    responses((status = 200, description = "The technician", body = TechnicianView))
)]
#[get("/technicians/{technician_id}")]
pub(crate) async fn find_technician(
    state: web::Data<AppState>,
    caller: Caller,
    request: HttpRequest,
    id: web::Path<i64>,
) -> Result<HttpResponse, ApiError> {
    crud::find::<Technicians>(&state, caller, &request, id.into_inner()).await
}

/// Creates a technician
///
/// The key must be new in the branch. `Location` names the place of the new record.
#[utoipa::path(
    tag = "technicians",
    request_body = TechnicianInput,
    responses((status = 201, description = "The new technician", body = TechnicianView))
)]
#[post("/technicians")]
pub(crate) async fn create_technician(
    state: web::Data<AppState>,
    caller: Caller,
    body: Body<TechnicianInput>,
) -> Result<HttpResponse, ApiError> {
    crud::create::<Technicians>(&state, caller, body).await
}

/// Changes a technician
///
/// Replaces all members that can be changed, with skills, shifts and absences. Somebody who leaves gets a last day (`active_until`).
#[utoipa::path(
    tag = "technicians",
    params(("technician_id" = i64, Path, description = "Number of the technician")),
    request_body = TechnicianInput,
    responses((status = 200, description = "The changed technician", body = TechnicianView))
)]
#[put("/technicians/{technician_id}")]
pub(crate) async fn update_technician(
    state: web::Data<AppState>,
    caller: Caller,
    request: HttpRequest,
    id: web::Path<i64>,
    body: Body<TechnicianInput>,
) -> Result<HttpResponse, ApiError> {
    crud::change::<Technicians>(&state, caller, &request, id.into_inner(), body).await
}

fn store_lists(
    conn: &mut AnyConnection,
    caller: &Caller,
    record: &TechnicianRecord,
    lists: &TechnicianLists,
) -> Result<(), ApiError> {
    rows::set_skills(conn, caller.branch, record.id, &lists.skills)?;
    rows::set_shifts(conn, caller.branch, record.id, &lists.shifts)?;
    rows::set_absences(conn, caller.branch, record.id, &lists.absences)?;
    Ok(())
}
