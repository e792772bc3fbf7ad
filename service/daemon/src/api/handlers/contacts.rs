//! Contacts: list, read, create, change.

use actix_web::{HttpRequest, HttpResponse, get, post, put, web};
use chrono::{DateTime, Utc};
use hotspell_store::contacts::{self as rows, ContactFilter, ContactRecord};
use hotspell_store::words::Resource;
use hotspell_store::{AnyConnection, SortedPage, link_generations};

use crate::api::audit::{self, Deed};
use crate::api::body::Body;
use crate::api::caller::Caller;
use crate::api::checks::site_exists;
use crate::api::crud::{self, Editable};
use crate::api::error::ApiError;
use crate::api::page::{PageView, Paged as _, list_query};
use crate::api::query::Query;
use crate::api::transact::write;
use crate::api::types::contacts::{ContactInput, ContactView, LinkGenerationView};
use crate::api::visibility;
use crate::state::AppState;

list_query! {
    /// Which contacts are listed.
    ContactQuery sorted by rows::ContactSort {
        /// Number of the site.
        site_id: i64,
        /// Whom mail reaches, or not.
        reachable_by_mail: bool,
        /// Changed after this instant.
        updated_after: DateTime<Utc>,
    }
}

/// Contacts.
pub(crate) struct Contacts;

impl Editable for Contacts {
    const KIND: Resource = Resource::Contact;
    const PATH: &'static str = "/contacts";
    type Input = ContactInput;
    type Record = ContactRecord;
    type View = ContactView;
    type Sort = rows::ContactSort;
    type Filter = ContactFilter;

    fn version(record: &ContactRecord) -> i64 {
        record.version
    }

    fn view(_: &mut AnyConnection, record: ContactRecord) -> Result<ContactView, ApiError> {
        let input = (&record.fields).into();
        Ok(ContactView::of(&record, input))
    }

    fn list(
        conn: &mut AnyConnection,
        caller: &Caller,
        filter: &ContactFilter,
        page: SortedPage<rows::ContactSort>,
    ) -> Result<Vec<ContactRecord>, ApiError> {
        Ok(rows::list(conn, caller.branch, filter, page)?)
    }

    fn find(conn: &mut AnyConnection, caller: &Caller, id: i64) -> Result<ContactRecord, ApiError> {
        Ok(rows::find(conn, caller.branch, id.into())?)
    }

    fn visible(
        conn: &mut AnyConnection,
        caller: &Caller,
        record: &ContactRecord,
    ) -> Result<bool, ApiError> {
        visibility::site(conn, caller, record.site_id)
    }

    fn create(
        conn: &mut AnyConnection,
        caller: &Caller,
        input: &ContactInput,
        now: DateTime<Utc>,
    ) -> Result<ContactRecord, ApiError> {
        let fields = input.fields(None, now)?;
        site_exists(conn, caller.branch, fields.site_id)?;
        Ok(rows::insert(conn, caller.branch, &fields, now)?)
    }

    fn change(
        conn: &mut AnyConnection,
        caller: &Caller,
        before: &ContactRecord,
        input: &ContactInput,
        now: DateTime<Utc>,
    ) -> Result<ContactRecord, ApiError> {
        let fields = input.fields(Some(&before.fields), now)?;
        Ok(rows::update(conn, caller.branch, before.id, before.version, &fields, now)?)
    }
}

/// Lists contacts
///
/// People of homes that meet every filter, by number unless `sort` says otherwise. A technician must name a site with `site_id`.
#[utoipa::path(
    tag = "contacts",
    params(ContactQuery),
    responses((status = 200, description = "One page", body = PageView<ContactView>))
)]
#[get("/contacts")]
pub(crate) async fn list_contacts(
    state: web::Data<AppState>,
    caller: Caller,
    request: HttpRequest,
    query: Query<ContactQuery>,
) -> Result<HttpResponse, ApiError> {
    let page = query.page();
    let query = query.into_inner();
    visibility::listed_site(&state, &caller, query.site_id).await?;
    let filter = ContactFilter {
        site: query.site_id.map(Into::into),
        sites: None,
        reachable_by_mail: query.reachable_by_mail,
        updated_after: query.updated_after,
    };
    crud::list::<Contacts>(&state, caller, &request, filter, page).await
}

/// Reads a contact
///
/// With its version as the ETag; `If-None-Match` with that ETag gets 304 and no body.
#[utoipa::path(
    tag = "contacts",
    params(("contact_id" = i64, Path, description = "Number of the contact")),
    responses((status = 200, description = "The contact", body = ContactView))
)]
#[get("/contacts/{contact_id}")]
pub(crate) async fn find_contact(
    state: web::Data<AppState>,
    caller: Caller,
    request: HttpRequest,
    id: web::Path<i64>,
) -> Result<HttpResponse, ApiError> {
    crud::find::<Contacts>(&state, caller, &request, id.into_inner()).await
}

/// Creates a contact
///
/// The key must be new in the branch. `Location` names the place of the new record.
#[utoipa::path(
    tag = "contacts",
    request_body = ContactInput,
    responses((status = 201, description = "The new contact", body = ContactView))
)]
#[post("/contacts")]
pub(crate) async fn create_contact(
    state: web::Data<AppState>,
    caller: Caller,
    body: Body<ContactInput>,
) -> Result<HttpResponse, ApiError> {
    crud::create::<Contacts>(&state, caller, body).await
}

/// Changes a contact
///
/// Replaces all members that can be changed; a member left out gets its default.
#[utoipa::path(
    tag = "contacts",
    params(("contact_id" = i64, Path, description = "Number of the contact")),
    request_body = ContactInput,
    responses((status = 200, description = "The changed contact", body = ContactView))
)]
#[put("/contacts/{contact_id}")]
pub(crate) async fn update_contact(
    state: web::Data<AppState>,
    caller: Caller,
    request: HttpRequest,
    id: web::Path<i64>,
    body: Body<ContactInput>,
) -> Result<HttpResponse, ApiError> {
    crud::change::<Contacts>(&state, caller, &request, id.into_inner(), body).await
}

/// Takes back the links of a contact
///
/// Every link that this person was sent to answer about a visit or an agreement stops working at once, such
/// as after a mail was passed on. Later mail has links that work. Links that stop the mail are not taken
/// back: they must go on working.
#[utoipa::path(
    tag = "contacts",
    params(("contact_id" = i64, Path, description = "Number of the contact")),
    responses((status = 200, description = "Which links count now", body = LinkGenerationView))
)]
#[post("/contacts/{contact_id}/link-revocation")]
pub(crate) async fn revoke_contact_links(
    state: web::Data<AppState>,
    caller: Caller,
    id: web::Path<i64>,
) -> Result<HttpResponse, ApiError> {
    let now = state.now();
    let view = write(&state, move |conn| {
        let contact = rows::find(conn, caller.branch, id.into_inner().into())?;
        let generation = link_generations::raise(conn, caller.branch, contact.id, now)?;
        let view = LinkGenerationView { contact_id: contact.id, generation };
        let deed = Deed { action: "take back links", kind: Resource::Contact, id: contact.id.0 };
        audit::record(conn, &caller, deed, None::<&()>, Some(&view), now)?;
        Ok(view)
    })
    .await?;
    Ok(HttpResponse::Ok().json(view))
}
