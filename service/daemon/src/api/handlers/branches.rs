//! Offices: list, read, change. A new one is made on the command line, together with its first
//! account, since a token reaches its own branch alone.

use actix_web::{HttpRequest, HttpResponse, get, put, web};
use chrono::{DateTime, Utc};
use hotspell_store::branches::{self as rows, BranchRecord};
use hotspell_store::words::Resource;
use hotspell_store::{AnyConnection, Page};

use crate::api::body::Body;
use crate::api::caller::Caller;
use crate::api::checks::refer;
use crate::api::crud::{self, Editable};
use crate::api::error::ApiError;
use crate::api::page::{PageView, Paged as _, list_query};
use crate::api::types::branches::{BranchInput, BranchView};
use crate::state::AppState;

list_query! {
    /// Which branches are listed.
    BranchQuery {}
}

/// Offices.
pub(crate) struct Branches;

impl Editable for Branches {
    const KIND: Resource = Resource::Branch;
    const PATH: &'static str = "/branches";
    type Input = BranchInput;
    type Record = BranchRecord;
    type View = BranchView;
    type Filter = ();

    fn id(record: &BranchRecord) -> i64 {
        record.id.0
    }

    fn version(record: &BranchRecord) -> i64 {
        record.version
    }

    fn view(conn: &mut AnyConnection, record: BranchRecord) -> Result<BranchView, ApiError> {
        let input = BranchInput::of(&record, rows::holidays(conn, record.id)?);
        Ok(BranchView::of(&record, input))
    }

    fn list(
        conn: &mut AnyConnection,
        caller: &Caller,
        (): &(),
        page: Page,
    ) -> Result<Vec<BranchRecord>, ApiError> {
        let own = rows::find(conn, caller.branch)?;
        Ok(if own.id.0 > page.after_id { vec![own] } else { Vec::new() })
    }

    fn find(conn: &mut AnyConnection, caller: &Caller, id: i64) -> Result<BranchRecord, ApiError> {
        if id != caller.branch.0 {
            return Err(ApiError::not_found("branch", id));
        }
        Ok(rows::find(conn, caller.branch)?)
    }

    fn visible(_: &mut AnyConnection, _: &Caller, _: &BranchRecord) -> Result<bool, ApiError> {
        Ok(true)
    }

    fn create(
        _: &mut AnyConnection,
        _: &Caller,
        _: &BranchInput,
        _: DateTime<Utc>,
    ) -> Result<BranchRecord, ApiError> {
        Err(ApiError::new(
            crate::api::problem::ProblemKind::Forbidden,
            "A branch is made on the command line: hotspell branch add",
        ))
    }

    fn change(
        conn: &mut AnyConnection,
        _: &Caller,
        before: &BranchRecord,
        input: &BranchInput,
        now: DateTime<Utc>,
    ) -> Result<BranchRecord, ApiError> {
        let (fields, holidays) = input.fields()?;
        if let Some(station) = fields.station_id {
            hotspell_store::weather::station(conn, station)
                .map_err(|error| refer("/station_id", error))?;
        }
        rows::update(conn, before.id, before.version, &fields, now)?;
        rows::set_holidays(conn, before.id, &holidays, now)?;
        Ok(rows::find(conn, before.id)?)
    }
}

/// Lists branches
///
/// The branch of the token: nothing outside it is reachable.
#[utoipa::path(
    tag = "branches",
    params(BranchQuery),
    responses((status = 200, description = "One page", body = PageView<BranchView>))
)]
#[get("/branches")]
pub(crate) async fn list_branches(
    state: web::Data<AppState>,
    caller: Caller,
    request: HttpRequest,
    query: web::Query<BranchQuery>,
) -> Result<HttpResponse, ApiError> {
    crud::list::<Branches>(&state, caller, &request, (), query.page()).await
}

/// Reads a branch
///
/// With its holidays, and its version as the ETag; `If-None-Match` with that ETag gets 304.
#[utoipa::path(
    tag = "branches",
    params(("branch_id" = i64, Path, description = "Number of the branch")),
    responses((status = 200, description = "The branch", body = BranchView))
)]
#[get("/branches/{branch_id}")]
pub(crate) async fn find_branch(
    state: web::Data<AppState>,
    caller: Caller,
    request: HttpRequest,
    id: web::Path<i64>,
) -> Result<HttpResponse, ApiError> {
    crud::find::<Branches>(&state, caller, &request, id.into_inner()).await
}

/// Changes a branch
///
/// Replaces all members that can be changed, with the holidays.
#[utoipa::path(
    tag = "branches",
    params(("branch_id" = i64, Path, description = "Number of the branch")),
    request_body = BranchInput,
    responses((status = 200, description = "The changed branch", body = BranchView))
)]
#[put("/branches/{branch_id}")]
pub(crate) async fn update_branch(
    state: web::Data<AppState>,
    caller: Caller,
    request: HttpRequest,
    id: web::Path<i64>,
    body: Body<BranchInput>,
) -> Result<HttpResponse, ApiError> {
    crud::change::<Branches>(&state, caller, &request, id.into_inner(), body).await
}
