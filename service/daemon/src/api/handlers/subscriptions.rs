//! Programs that are told of changes: list, read, create, change, another secret, deliver now.

use actix_web::http::header;
use actix_web::{HttpRequest, HttpResponse, get, post, put, web};
use hotspell_store::subscriptions::{self as rows, SubscriptionFilter, SubscriptionRecord};
use hotspell_store::words::{Resource, SubscriptionId};
use hotspell_store::{AnyConnection, changes};

use crate::api::audit::{self, Deed};
use crate::api::body::Body;
use crate::api::caller::Caller;
use crate::api::crud;
use crate::api::error::ApiError;
use crate::api::etag;
use crate::api::page::{PageView, Paged as _, list_query};
use crate::api::query::Query;
use crate::api::transact::{read, run, write};
use crate::api::types::subscriptions::{
    SubscriptionInput, SubscriptionSecretView, SubscriptionView,
};
use crate::app::subscriptions::{self, new_secret, reach};
use crate::state::AppState;

list_query! {
    /// Which subscriptions are listed.
    SubscriptionQuery sorted by rows::SubscriptionSort {
        /// Those that are told, or those that are not.
        active: bool,
    }
}

fn view(
    conn: &mut AnyConnection,
    record: SubscriptionRecord,
) -> Result<SubscriptionView, ApiError> {
    let position = rows::position(conn, record.branch_id, record.id)?;
    Ok(SubscriptionView::of(record, position))
}

/// Lists subscriptions
///
/// Programs that are told of changes, with how far each has come, by number unless `sort` says otherwise; never
/// their secrets.
#[utoipa::path(
    tag = "changes",
    params(SubscriptionQuery),
    responses((status = 200, description = "One page", body = PageView<SubscriptionView>))
)]
#[get("/subscriptions")]
pub(crate) async fn list_subscriptions(
    state: web::Data<AppState>,
    caller: Caller,
    request: HttpRequest,
    query: Query<SubscriptionQuery>,
) -> Result<HttpResponse, ApiError> {
    let page = query.page();
    let filter = SubscriptionFilter { active: query.active };
    let work =
        move |conn: &mut AnyConnection, page| Ok(rows::list(conn, caller.branch, &filter, page)?);
    crud::rows(&state, &request, page, work, view).await
}

/// Reads a subscription
///
/// With its version as the ETag; how far it has come moves without a new version, so that `If-None-Match`
/// is not looked at.
#[utoipa::path(
    tag = "changes",
    params(("subscription_id" = i64, Path, description = "Number of the subscription")),
    responses((status = 200, description = "The subscription", body = SubscriptionView))
)]
#[get("/subscriptions/{subscription_id}")]
pub(crate) async fn find_subscription(
    state: web::Data<AppState>,
    caller: Caller,
    id: web::Path<i64>,
) -> Result<HttpResponse, ApiError> {
    let view = read(&state, move |conn| {
        let record = rows::find(conn, caller.branch, id.into_inner().into())?;
        view(conn, record)
    })
    .await?;
    Ok(HttpResponse::Ok().insert_header(etag::tag(view.version)).json(view))
}

/// Creates a subscription
///
/// Every change after this moment is posted to it, one after the other in the order of the feed, as the
/// feed gives it and with the `branch_id`: within about a minute of the change. The answer shows the
/// secret that signs the calls, once. Calls are signed by the Standard Webhooks specification: headers
/// `webhook-id` (the change's number, the same at each attempt: drop what you have), `webhook-timestamp`
/// and `webhook-signature`. Any 2xx takes the change. Anything else, a redirect too, is tried again after
/// 1, 2, 4 minutes and so on up to four hours, each between half and all of that; after
/// `webhooks.attempts` failures (30 unless set otherwise: about four days) the subscription is given up
/// where it stands.
#[utoipa::path(
    tag = "changes",
    request_body = SubscriptionInput,
    responses(
        (status = 201, description = "The new subscription", body = SubscriptionSecretView)
    )
)]
#[post("/subscriptions")]
pub(crate) async fn create_subscription(
    state: web::Data<AppState>,
    caller: Caller,
    body: Body<SubscriptionInput>,
) -> Result<HttpResponse, ApiError> {
    let fields = body.value()?.fields(reach(&state.config.webhooks))?;
    let now = state.now();
    let secret = new_secret().map_err(ApiError::internal)?;
    let (store, branch) = (state.store.clone(), caller.branch);
    let last = run(move || store.read_settled(|conn| changes::last_number(conn, branch))).await?;
    let kept = secret.clone();
    let stored = write(&state, move |conn| {
        let record = rows::insert(conn, caller.branch, &fields, now)?;
        rows::begin(conn, caller.branch, record.id, &kept, last, now)?;
        let view = view(conn, record)?;
        let deed = Deed { action: "create", kind: Resource::Subscription, id: view.id.0 };
        audit::record(conn, &caller, deed, None::<&SubscriptionView>, Some(&view), now)?;
        Ok(view)
    })
    .await?;
    Ok(HttpResponse::Created()
        .insert_header((header::LOCATION, format!("/api/v1/subscriptions/{}", stored.id)))
        .insert_header((header::CACHE_CONTROL, "no-store"))
        .insert_header(etag::tag(stored.version))
        .json(SubscriptionSecretView { id: stored.id, secret, stored }))
}

/// Changes a subscription
///
/// Replaces all members that can be changed; a member left out gets its default. One that waits or was
/// given up is called again at once, from where it stands.
#[utoipa::path(
    tag = "changes",
    params(("subscription_id" = i64, Path, description = "Number of the subscription")),
    request_body = SubscriptionInput,
    responses((status = 200, description = "The changed subscription", body = SubscriptionView))
)]
#[put("/subscriptions/{subscription_id}")]
pub(crate) async fn update_subscription(
    state: web::Data<AppState>,
    caller: Caller,
    request: HttpRequest,
    id: web::Path<i64>,
    body: Body<SubscriptionInput>,
) -> Result<HttpResponse, ApiError> {
    let (expected, now) = (etag::expected(&request), state.now());
    let reach = reach(&state.config.webhooks);
    let input = body.value();
    let id = SubscriptionId(id.into_inner());
    let stored = write(&state, move |conn| {
        let before = rows::find(conn, caller.branch, id)?;
        expected?.check(before.version)?;
        let fields = input?.fields(reach)?;
        let after = rows::update(conn, caller.branch, id, before.version, &fields, now)?;
        rows::call_again(conn, caller.branch, id, now)?;
        let (before, after) = (view(conn, before)?, view(conn, after)?);
        let deed = Deed { action: "change", kind: Resource::Subscription, id: id.0 };
        audit::record(conn, &caller, deed, Some(&before), Some(&after), now)?;
        Ok(after)
    })
    .await?;
    Ok(HttpResponse::Ok().insert_header(etag::tag(stored.version)).json(stored))
}

/// Replaces the secret of a subscription
///
/// The answer shows the new one, once; the old one signs no call that begins later.
#[utoipa::path(
    tag = "changes",
    params(("subscription_id" = i64, Path, description = "Number of the subscription")),
    responses((status = 200, description = "With the new secret", body = SubscriptionSecretView))
)]
#[post("/subscriptions/{subscription_id}/secret")]
pub(crate) async fn replace_subscription_secret(
    state: web::Data<AppState>,
    caller: Caller,
    id: web::Path<i64>,
) -> Result<HttpResponse, ApiError> {
    let now = state.now();
    let secret = new_secret().map_err(ApiError::internal)?;
    let (id, kept) = (SubscriptionId(id.into_inner()), secret.clone());
    let stored = write(&state, move |conn| {
        let record = rows::find(conn, caller.branch, id)?;
        rows::replace_secret(conn, caller.branch, id, &kept)?;
        let view = view(conn, record)?;
        let deed = Deed { action: "replace secret", kind: Resource::Subscription, id: id.0 };
        audit::record(conn, &caller, deed, None::<&SubscriptionView>, Some(&view), now)?;
        Ok(view)
    })
    .await?;
    Ok(HttpResponse::Ok()
        .insert_header((header::CACHE_CONTROL, "no-store"))
        .json(SubscriptionSecretView { id, secret, stored }))
}

/// Delivers to a subscription now
///
/// Whatever wait it is in, and also if it was given up: at most 100 changes, until one is not taken. The
/// answer says how far it came.
#[utoipa::path(
    tag = "changes",
    params(("subscription_id" = i64, Path, description = "Number of the subscription")),
    responses((status = 200, description = "How far it has come", body = SubscriptionView))
)]
#[post("/subscriptions/{subscription_id}/delivery")]
pub(crate) async fn deliver_subscription(
    state: web::Data<AppState>,
    caller: Caller,
    id: web::Path<i64>,
) -> Result<HttpResponse, ApiError> {
    let id = SubscriptionId(id.into_inner());
    subscriptions::tell_now(&state, caller.branch, id).await?;
    let now = state.now();
    let stored = write(&state, move |conn| {
        let record = rows::find(conn, caller.branch, id)?;
        let view = view(conn, record)?;
        let deed = Deed { action: "deliver", kind: Resource::Subscription, id: id.0 };
        audit::record(conn, &caller, deed, None::<&SubscriptionView>, Some(&view), now)?;
        Ok::<_, ApiError>(view)
    })
    .await?;
    Ok(HttpResponse::Ok().json(stored))
}
