//! Offices: list, read, create, change.

use actix_web::http::header;
use actix_web::{HttpRequest, HttpResponse, get, post, put, web};
use chrono::{DateTime, Utc};
use hotspell_store::accounts::{self as account_rows, AccountFields};
use hotspell_store::branches::{self as rows, BranchFields, BranchRecord, Holiday};
use hotspell_store::words::Resource;
use hotspell_store::{AnyConnection, SortedPage, weather};

use crate::api::audit::{self, Deed};
use crate::api::body::Body;
use crate::api::caller::Caller;
use crate::api::checks::refer;
use crate::api::crud::{self, Editable};
use crate::api::error::ApiError;
use crate::api::page::{PageView, Paged as _, list_query};
use crate::api::query::Query;
use crate::api::transact::write;
use crate::api::types::branches::{BranchInput, BranchView, NewBranchView};
use crate::app::{accounts, token};
use crate::state::AppState;

list_query! {
    /// Which branches are listed.
    BranchQuery sorted by rows::BranchSort {}
}

/// Offices.
pub(crate) struct Branches;

impl Editable for Branches {
    const KIND: Resource = Resource::Branch;
    const PATH: &'static str = "/branches";
    type Input = BranchInput;
    type Record = BranchRecord;
    type View = BranchView;
    type Sort = rows::BranchSort;
    type Filter = ();

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
        page: SortedPage<rows::BranchSort>,
    ) -> Result<Vec<BranchRecord>, ApiError> {
        Ok(rows::list(conn, Some(caller.branch), page)?)
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
        conn: &mut AnyConnection,
        _: &Caller,
        input: &BranchInput,
        now: DateTime<Utc>,
    ) -> Result<BranchRecord, ApiError> {
        let (fields, holidays) = checked(conn, input)?;
        let record = rows::insert(conn, &fields, now)?;
        rows::set_holidays(conn, record.id, &holidays, now)?;
        Ok(rows::find(conn, record.id)?)
    }

    fn change(
        conn: &mut AnyConnection,
        _: &Caller,
        before: &BranchRecord,
        input: &BranchInput,
        now: DateTime<Utc>,
    ) -> Result<BranchRecord, ApiError> {
        let (fields, holidays) = checked(conn, input)?;
        rows::update(conn, before.id, before.version, &fields, now)?;
        rows::set_holidays(conn, before.id, &holidays, now)?;
        Ok(rows::find(conn, before.id)?)
    }
}

/// What is stored of the input, if the station is there.
fn checked(
    conn: &mut AnyConnection,
    input: &BranchInput,
) -> Result<(BranchFields, Vec<Holiday>), ApiError> {
    let (fields, holidays) = input.fields()?;
    if let Some(station) = fields.station_id {
        weather::station(conn, station).map_err(|error| refer("/station_id", error))?;
    }
    Ok((fields, holidays))
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
    query: Query<BranchQuery>,
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

/// Creates a branch
///
/// A token reaches its own branch alone: the answer holds one, shown once, of an office account
/// that bears your name and mail address in the new branch.
#[utoipa::path(
    tag = "branches",
    request_body = BranchInput,
    responses((status = 201, description = "The new branch and its token", body = NewBranchView))
)]
#[post("/branches")]
pub(crate) async fn create_branch(
    state: web::Data<AppState>,
    caller: Caller,
    body: Body<BranchInput>,
) -> Result<HttpResponse, ApiError> {
    let (input, now) = (body.value()?, state.now());
    let token = token::generate().map_err(ApiError::internal)?;
    let view = write(&state, move |conn| {
        let record = Branches::create(conn, &caller, &input, now)?;
        let own = account_rows::find(conn, caller.branch, caller.account)?;
        let fields = AccountFields { password_hash: None, contact_id: None, ..own.fields.clone() };
        let named = ("made with the branch", token.as_str());
        accounts::open(conn, record.id, &fields, named, now)?;
        let stored = Branches::view(conn, record)?;
        let deed = Deed { action: "create", kind: Resource::Branch, id: stored.id.0 };
        audit::record(conn, &caller, deed, None::<&BranchView>, Some(&stored), now)?;
        Ok(NewBranchView { token, stored })
    })
    .await?;
    Ok(HttpResponse::Created()
        .insert_header((header::LOCATION, format!("/api/v1/branches/{}", view.stored.id)))
        .insert_header((header::CACHE_CONTROL, "no-store"))
        .json(view))
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
