//! The four operations that every editable resource has, written once.
//!
//! A handler names its resource and calls these; what differs between resources stands in the
//! resource's [`Editable`].

use actix_web::http::header;
use actix_web::{HttpRequest, HttpResponse};
use chrono::{DateTime, Utc};
use hotspell_store::words::Resource;
use hotspell_store::{AnyConnection, Placed, SortKey, SortedPage};
use serde::Serialize;

use super::audit::{self, Deed};
use super::body::Body;
use super::caller::Caller;
use super::error::ApiError;
use super::etag;
use super::middleware::idempotency;
use super::page::PageView;
use super::transact::{read, write};
use crate::state::AppState;

/// A resource that is listed, read, created and changed as a whole.
pub(crate) trait Editable: 'static {
    /// Its word in audit and change feed.
    const KIND: Resource;
    /// Path of its list, without the `/api/v1` before it.
    const PATH: &'static str;
    /// What is sent to create or change one.
    type Input: Send + 'static;
    /// What is stored.
    type Record: Placed<Self::Sort> + Send + 'static;
    /// What is answered.
    type View: Serialize + Send + 'static;
    /// What a list can be sorted by.
    type Sort: SortKey;
    /// What narrows a list.
    type Filter: Send + 'static;

    /// Version of a record.
    fn version(record: &Self::Record) -> i64;

    /// The record with its lists, as it is answered.
    fn view(conn: &mut AnyConnection, record: Self::Record) -> Result<Self::View, ApiError>;

    /// A page of the records that the filter lets through.
    fn list(
        conn: &mut AnyConnection,
        caller: &Caller,
        filter: &Self::Filter,
        page: SortedPage<Self::Sort>,
    ) -> Result<Vec<Self::Record>, ApiError>;

    /// The record with this number.
    fn find(conn: &mut AnyConnection, caller: &Caller, id: i64) -> Result<Self::Record, ApiError>;

    /// Whether the caller's role reaches the record.
    fn visible(
        conn: &mut AnyConnection,
        caller: &Caller,
        record: &Self::Record,
    ) -> Result<bool, ApiError>;

    /// Stores a new record.
    fn create(
        conn: &mut AnyConnection,
        caller: &Caller,
        input: &Self::Input,
        now: DateTime<Utc>,
    ) -> Result<Self::Record, ApiError>;

    /// Changes a stored record that still has the version of `before`.
    fn change(
        conn: &mut AnyConnection,
        caller: &Caller,
        before: &Self::Record,
        input: &Self::Input,
        now: DateTime<Utc>,
    ) -> Result<Self::Record, ApiError>;
}

/// The word for the record in refusals.
fn missing<R: Editable>(id: i64) -> ApiError {
    ApiError::not_found(R::KIND.as_str(), id)
}

/// Finds a record that the caller's role reaches; what it does not reach is not there.
///
/// # Errors
/// 404.
pub(crate) fn reach<R: Editable>(
    conn: &mut AnyConnection,
    caller: &Caller,
    id: i64,
) -> Result<R::Record, ApiError> {
    let record = R::find(conn, caller, id)?;
    if caller.is_office() || R::visible(conn, caller, &record)? {
        Ok(record)
    } else {
        Err(missing::<R>(id))
    }
}

/// One page of a list.
///
/// # Errors
/// 422 for a wrong page.
pub(crate) async fn list<R: Editable>(
    state: &AppState,
    caller: Caller,
    request: &HttpRequest,
    filter: R::Filter,
    page: Result<SortedPage<R::Sort>, ApiError>,
) -> Result<HttpResponse, ApiError> {
    let work = move |conn: &mut AnyConnection, page| R::list(conn, &caller, &filter, page);
    rows(state, request, page, work, R::view).await
}

/// One record, with its version as the entity tag; 304 when the client has that version.
///
/// # Errors
/// 404.
pub(crate) async fn find<R: Editable>(
    state: &AppState,
    caller: Caller,
    request: &HttpRequest,
    id: i64,
) -> Result<HttpResponse, ApiError> {
    let (version, view) = read(state, move |conn| {
        let record = reach::<R>(conn, &caller, id)?;
        Ok((R::version(&record), R::view(conn, record)?))
    })
    .await?;
    let mut answer = if etag::known(request, version) {
        HttpResponse::NotModified()
    } else {
        HttpResponse::Ok()
    };
    answer.insert_header(etag::tag(version));
    Ok(if etag::known(request, version) { answer.finish() } else { answer.json(view) })
}

/// Creates a record: 201 with its place and version.
///
/// # Errors
/// 422 for wrong fields, 409 when a unique value is taken.
pub(crate) async fn create<R: Editable>(
    state: &AppState,
    caller: Caller,
    body: Body<R::Input>,
) -> Result<HttpResponse, ApiError> {
    let input = body.value()?;
    let now = state.now();
    let ticket = idempotency::ticket();
    let (place, version, view) = write(state, move |conn| {
        let (id, version, view) = add::<R>(conn, &caller, &input, now)?;
        let place = format!("/api/v1{}/{id}", R::PATH);
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

/// Stores a new record and keeps who did it; its number, its version and the record as it is answered.
///
/// # Errors
/// 422 for wrong fields, 409 when a unique value is taken.
pub(crate) fn add<R: Editable>(
    conn: &mut AnyConnection,
    caller: &Caller,
    input: &R::Input,
    now: DateTime<Utc>,
) -> Result<(i64, i64, R::View), ApiError> {
    let record = R::create(conn, caller, input, now)?;
    let (id, version) = (record.number(), R::version(&record));
    let view = R::view(conn, record)?;
    let deed = Deed { action: "create", kind: R::KIND, id };
    audit::record(conn, caller, deed, None::<&R::View>, Some(&view), now)?;
    Ok((id, version, view))
}

/// Replaces what can be edited of a record, if the client has seen its present version.
///
/// # Errors
/// In this order: 404, 428 without If-Match, 412 for another version, 422 for wrong fields.
pub(crate) async fn change<R: Editable>(
    state: &AppState,
    caller: Caller,
    request: &HttpRequest,
    id: i64,
    body: Body<R::Input>,
) -> Result<HttpResponse, ApiError> {
    let (expected, input, now) = (etag::expected(request), body.value(), state.now());
    let (version, view) = write(state, move |conn| {
        let before = reach::<R>(conn, &caller, id)?;
        expected?.check(R::version(&before))?;
        replace::<R>(conn, &caller, before, &input?, now)
    })
    .await?;
    Ok(HttpResponse::Ok().insert_header(etag::tag(version)).json(view))
}

/// Replaces what can be edited of a record and keeps who did it; the new version and the record as
/// it is answered.
///
/// # Errors
/// 422 for wrong fields, 409 when a unique value is taken.
pub(crate) fn replace<R: Editable>(
    conn: &mut AnyConnection,
    caller: &Caller,
    before: R::Record,
    input: &R::Input,
    now: DateTime<Utc>,
) -> Result<(i64, R::View), ApiError> {
    let after = R::change(conn, caller, &before, input, now)?;
    let (id, version) = (after.number(), R::version(&after));
    let (before, after) = (R::view(conn, before)?, R::view(conn, after)?);
    let deed = Deed { action: "change", kind: R::KIND, id };
    audit::record(conn, caller, deed, Some(&before), Some(&after), now)?;
    Ok((version, after))
}

/// One page of rows, each as it is answered.
///
/// # Errors
/// 422 for a wrong page, and the work's own.
pub(crate) async fn rows<K: SortKey, T: Placed<K>, V: Serialize + Send + 'static>(
    state: &AppState,
    request: &HttpRequest,
    page: Result<SortedPage<K>, ApiError>,
    work: impl FnOnce(&mut AnyConnection, SortedPage<K>) -> Result<Vec<T>, ApiError> + Send + 'static,
    view: impl Fn(&mut AnyConnection, T) -> Result<V, ApiError> + Send + 'static,
) -> Result<HttpResponse, ApiError> {
    let page = page?;
    let (order, limit) = (page.order, page.limit);
    let views = read(state, move |conn| {
        // One more, to see whether there is a next page.
        work(conn, SortedPage { limit: limit + 1, ..page })?
            .into_iter()
            .map(|row| Ok((row.place(order), view(conn, row)?)))
            .collect::<Result<Vec<_>, ApiError>>()
    })
    .await?;
    Ok(PageView::of_placed(views, order, limit).answer(request.path(), request.query_string()))
}
