//! Components: list, read, create, change.

use actix_web::http::header;
use actix_web::{HttpRequest, HttpResponse, get, post, put, web};
use chrono::{DateTime, Utc};
use hotspell_domain::{ComponentClass, ComponentEnd};
use hotspell_store::components::{self as rows, ComponentFilter, ComponentRecord};
use hotspell_store::words::Resource;
use hotspell_store::{AnyConnection, SortedPage, sightings, units};

use super::actions::today;
use crate::api::audit::{self, Deed};
use crate::api::body::Body;
use crate::api::caller::Caller;
use crate::api::checks::refer;
use crate::api::crud::{self, Editable};
use crate::api::error::ApiError;
use crate::api::middleware::idempotency;
use crate::api::page::{PageView, Paged as _, list_query};
use crate::api::query::Query;
use crate::api::transact::{read, run, write};
use crate::api::types::components::{
    ComponentInput, ComponentView, ReplacementInput, ReplacementView,
};
use crate::api::types::decisions::DecisionView;
use crate::api::visibility;
use crate::app::decision;
use crate::state::AppState;

list_query! {
    /// Which components are listed.
    ComponentQuery sorted by rows::ComponentSort {
        /// Number of the unit.
        unit_id: i64,
        /// Number of the site.
        site_id: i64,
        /// What it is.
        class: ComponentClass,
        /// Your name of the place in the machine.
        position: String,
        /// In service (true) or ended (false).
        in_service: bool,
        /// Ended so.
        end_kind: ComponentEnd,
        /// Changed after this instant.
        updated_after: DateTime<Utc>,
    }
}

/// Components.
pub(crate) struct Components;

impl Editable for Components {
    const KIND: Resource = Resource::Component;
    const PATH: &'static str = "/components";
    type Input = ComponentInput;
    type Record = ComponentRecord;
    type View = ComponentView;
    type Sort = rows::ComponentSort;
    type Filter = ComponentFilter;

    fn version(record: &ComponentRecord) -> i64 {
        record.version
    }

    fn view(_: &mut AnyConnection, record: ComponentRecord) -> Result<ComponentView, ApiError> {
        Ok(ComponentView::of(&record))
    }

    fn list(
        conn: &mut AnyConnection,
        caller: &Caller,
        filter: &ComponentFilter,
        page: SortedPage<rows::ComponentSort>,
    ) -> Result<Vec<ComponentRecord>, ApiError> {
        Ok(rows::list(conn, caller.branch, filter, page)?)
    }

    fn find(
        conn: &mut AnyConnection,
        caller: &Caller,
        id: i64,
    ) -> Result<ComponentRecord, ApiError> {
        Ok(rows::find(conn, caller.branch, id.into())?)
    }

    fn visible(
        conn: &mut AnyConnection,
        caller: &Caller,
        record: &ComponentRecord,
    ) -> Result<bool, ApiError> {
        visibility::unit(conn, caller, record.unit_id)
    }

    fn create(
        conn: &mut AnyConnection,
        caller: &Caller,
        input: &ComponentInput,
        now: DateTime<Utc>,
    ) -> Result<ComponentRecord, ApiError> {
        let fields = input.fields(None, now)?;
        units::find(conn, caller.branch, fields.unit_id)
            .map_err(|error| refer("/unit_id", error))?;
        Ok(rows::insert(conn, caller.branch, &fields, now)?)
    }

    fn change(
        conn: &mut AnyConnection,
        caller: &Caller,
        before: &ComponentRecord,
        input: &ComponentInput,
        now: DateTime<Utc>,
    ) -> Result<ComponentRecord, ApiError> {
        let fields = input.fields(Some(&before.fields), now)?;
        // A later day adds to what was seen before; an earlier one corrects it.
        if let Some(seen) = before.last_seen_good_on
            && fields.last_seen_good_on.is_some_and(|later| later > seen)
        {
            sightings::keep(conn, caller.branch, &[(before.id, seen)])?;
        }
        Ok(rows::update(conn, caller.branch, before.id, before.version, &fields, now)?)
    }
}

/// Lists components
///
/// Parts that meet every filter, by number unless `sort` says otherwise. A technician must name a site with `site_id`.
#[utoipa::path(
    tag = "components",
    params(ComponentQuery),
    responses((status = 200, description = "One page", body = PageView<ComponentView>))
)]
#[get("/components")]
pub(crate) async fn list_components(
    state: web::Data<AppState>,
    caller: Caller,
    request: HttpRequest,
    query: Query<ComponentQuery>,
) -> Result<HttpResponse, ApiError> {
    let page = query.page();
    let query = query.into_inner();
    visibility::listed_site(&state, &caller, query.site_id).await?;
    let filter = ComponentFilter {
        unit: query.unit_id.map(Into::into),
        site: query.site_id.map(Into::into),
        class: query.class,
        position: query.position,
        living: query.in_service,
        end_kind: query.end_kind,
        updated_after: query.updated_after,
        ..ComponentFilter::default()
    };
    crud::list::<Components>(&state, caller, &request, filter, page).await
}

/// Reads a component
///
/// With its version as the ETag; `If-None-Match` with that ETag gets 304 and no body.
#[utoipa::path(
    tag = "components",
    params(("component_id" = i64, Path, description = "Number of the component")),
    responses((status = 200, description = "The component", body = ComponentView))
)]
#[get("/components/{component_id}")]
pub(crate) async fn find_component(
    state: web::Data<AppState>,
    caller: Caller,
    request: HttpRequest,
    id: web::Path<i64>,
) -> Result<HttpResponse, ApiError> {
    crud::find::<Components>(&state, caller, &request, id.into_inner()).await
}

/// Reads the advice about a component
///
/// Replace it on the next visit or wait, its sisters too or not, and by when to check it again;
/// with every cost, age and probability that was weighed. Weighed anew at each request. 409 for a
/// part that has left service, and before the first scoring run.
#[utoipa::path(
    tag = "components",
    params(("component_id" = i64, Path, description = "Number of the component")),
    responses((status = 200, description = "The advice", body = DecisionView))
)]
#[get("/components/{component_id}/decision")]
pub(crate) async fn find_decision(
    state: web::Data<AppState>,
    caller: Caller,
    id: web::Path<i64>,
) -> Result<HttpResponse, ApiError> {
    let id = id.into_inner();
    let part = read(&state, move |conn| crud::reach::<Components>(conn, &caller, id)).await?;
    let advice = run(move || {
        let as_of = today(&state, caller.branch)?;
        decision::decide(&state, caller.branch, part.id, as_of)
    })
    .await?;
    Ok(HttpResponse::Ok().json(DecisionView::from(advice)))
}

/// Creates a component
///
/// The key must be new in the branch. `Location` names the place of the new record.
#[utoipa::path(
    tag = "components",
    request_body = ComponentInput,
    responses((status = 201, description = "The new component", body = ComponentView))
)]
#[post("/components")]
pub(crate) async fn create_component(
    state: web::Data<AppState>,
    caller: Caller,
    body: Body<ComponentInput>,
) -> Result<HttpResponse, ApiError> {
    crud::create::<Components>(&state, caller, body).await
}

/// Changes a component
///
/// Corrects what is recorded. To end a part and start its successor, create a replacement.
#[utoipa::path(
    tag = "components",
    params(("component_id" = i64, Path, description = "Number of the component")),
    request_body = ComponentInput,
    responses((status = 200, description = "The changed component", body = ComponentView))
)]
#[put("/components/{component_id}")]
pub(crate) async fn update_component(
    state: web::Data<AppState>,
    caller: Caller,
    request: HttpRequest,
    id: web::Path<i64>,
    body: Body<ComponentInput>,
) -> Result<HttpResponse, ApiError> {
    crud::change::<Components>(&state, caller, &request, id.into_inner(), body).await
}

/// Replaces a component
///
/// Ends the part that is in service and starts its successor in the same position on the same
/// day; the old record stays. Heat age starts anew with the new part.
#[utoipa::path(
    tag = "components",
    params(("component_id" = i64, Path, description = "Number of the component that ends")),
    request_body = ReplacementInput,
    responses((status = 201, description = "The old part and the new one", body = ReplacementView))
)]
#[post("/components/{component_id}/replacements")]
pub(crate) async fn create_replacement(
    state: web::Data<AppState>,
    caller: Caller,
    id: web::Path<i64>,
    body: Body<ReplacementInput>,
) -> Result<HttpResponse, ApiError> {
    let (id, now, input) = (id.into_inner(), state.now(), body.value());
    let ticket = idempotency::ticket();
    let (place, view) = write(&state, move |conn| {
        let before = crud::reach::<Components>(conn, &caller, id)?;
        let input = input?;
        let (ending, successor) = input.checked(&before.fields, now)?;
        let (ended, started) =
            rows::replace(conn, caller.branch, before.id, before.version, ending, successor, now)?;
        let view = ReplacementView {
            ended: ComponentView::of(&ended),
            started: ComponentView::of(&started),
        };
        let kept = serde_json::json!({ "asked": input, "done": view });
        let deed = Deed { action: "replace", kind: Resource::Component, id };
        audit::record(conn, &caller, deed, None::<&()>, Some(&kept), now)?;
        let place = format!("/api/v1/components/{}", view.started.stored.id);
        if let Some(ticket) = ticket {
            ticket.keep_created(conn, &place, None, &view)?;
        }
        Ok((place, view))
    })
    .await?;
    Ok(HttpResponse::Created().insert_header((header::LOCATION, place)).json(view))
}
