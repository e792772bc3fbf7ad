//! Photos of a visit: add, list, fetch.

use actix_web::http::header::{CONTENT_TYPE, ETAG, EntityTag, LOCATION};
use actix_web::{HttpRequest, HttpResponse, get, post, web};
use hotspell_store::photos as rows;
use hotspell_store::visits::VisitRecord;
use hotspell_store::words::{PhotoId, Resource};
use hotspell_store::{AnyConnection, photos::PhotoRecord};

use crate::api::audit::{self, Deed};
use crate::api::body::too_large;
use crate::api::caller::Caller;
use crate::api::checks::{Checks, LINE_MAX};
use crate::api::crud;
use crate::api::error::ApiError;
use crate::api::page::{PageView, Paged as _, list_query};
use crate::api::problem::ProblemKind;
use crate::api::query::Query;
use crate::api::transact::{read, write};
use crate::api::types::photos::PhotoView;
use crate::api::visibility;
use crate::app::photos;
use crate::state::AppState;

use super::visits::reach;

list_query! {
    /// Which photos are listed.
    PhotoQuery sorted by rows::PhotoSort {}
}

/// What is said of a photo beside its bytes.
#[derive(Debug, Clone, serde::Deserialize, utoipa::IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub(crate) struct NewPhotoQuery {
    /// Free text.
    #[param(required = false, nullable = false, max_length = 200)]
    note: Option<String>,
}

/// Adds a photo to a visit
///
/// The body is the picture: JPEG, PNG or WebP, known by its first bytes, not larger than the
/// service's limit (`photos.size_limit_bytes`). A picture is stored once: the same one of the same
/// visit again is answered with the stored photo and 200. A technician adds to own visits.
#[utoipa::path(
    tag = "visits",
    params(("visit_id" = i64, Path, description = "Number of the visit"), NewPhotoQuery),
    request_body(
        content(
            (String = "image/jpeg"), (String = "image/png"), (String = "image/webp")
        ),
        description = "The picture's file"
    ),
    responses(
        (status = 200, description = "It was there already", body = PhotoView),
        (status = 201, description = "The new photo", body = PhotoView)
    )
)]
#[post("/visits/{visit_id}/photos")]
pub(crate) async fn create_photo(
    state: web::Data<AppState>,
    caller: Caller,
    request: HttpRequest,
    id: web::Path<i64>,
    query: Query<NewPhotoQuery>,
    body: Result<web::Bytes, actix_web::Error>,
) -> actix_web::Result<HttpResponse> {
    let body = body.map_err(|error| too_large(error, &request))?;
    let id = id.into_inner();
    let visit = read(&state, move |conn| reach(conn, &caller, id)).await?;
    if !visibility::may_enter(&caller, &visit) {
        return Err(ApiError::not_found("visit", id).into());
    }
    let media_type = checked(&state, &body)?;
    let mut checks = Checks::default();
    let note = checks.optional("note", query.note.as_deref(), LINE_MAX);
    checks.finish()?;
    let shared = state.clone();
    let (photo, new) =
        write(&state, move |conn| keep(&shared, conn, &caller, &visit, &body, (media_type, note)))
            .await?;
    let place = format!("/api/v1/visits/{id}/photos/{}", photo.id);
    let mut answer = if new { HttpResponse::Created() } else { HttpResponse::Ok() };
    Ok(answer.insert_header((LOCATION, place)).json(PhotoView::from(photo)))
}

/// The type of a picture that may be kept.
pub(crate) fn checked(state: &AppState, body: &[u8]) -> Result<&'static str, ApiError> {
    let most = state.config.photos.size_limit_bytes;
    if body.len() > most {
        let detail = format!("A photo may have {most} bytes; this one has {}", body.len());
        return Err(ApiError::new(ProblemKind::PayloadTooLarge, detail));
    }
    photos::media_type(body).ok_or_else(|| {
        ApiError::field("", "expected a picture that begins as JPEG, PNG or WebP does")
    })
}

/// Keeps a picture and who sent it.
pub(crate) fn keep(
    state: &AppState,
    conn: &mut AnyConnection,
    caller: &Caller,
    visit: &VisitRecord,
    body: &[u8],
    said: (&str, Option<String>),
) -> Result<(PhotoRecord, bool), ApiError> {
    let of = (visit.id, caller.technician);
    let (photo, new) = photos::keep(state, conn, caller.branch, of, body, said)?;
    if new {
        let deed = Deed { action: "add photo", kind: Resource::Visit, id: visit.id.0 };
        let view = PhotoView::from(photo.clone());
        audit::record(conn, caller, deed, None::<&PhotoView>, Some(&view), state.now())?;
    }
    Ok((photo, new))
}

/// Lists photos of a visit
///
/// In the order in which they came in.
#[utoipa::path(
    tag = "visits",
    params(("visit_id" = i64, Path, description = "Number of the visit"), PhotoQuery),
    responses((status = 200, description = "One page", body = PageView<PhotoView>))
)]
#[get("/visits/{visit_id}/photos")]
pub(crate) async fn list_photos(
    state: web::Data<AppState>,
    caller: Caller,
    request: HttpRequest,
    id: web::Path<i64>,
    query: Query<PhotoQuery>,
) -> Result<HttpResponse, ApiError> {
    let work = move |conn: &mut AnyConnection, page| {
        let visit = reach(conn, &caller, id.into_inner())?;
        Ok(rows::list(conn, caller.branch, visit.id, page)?)
    };
    let view = |_: &mut AnyConnection, photo: PhotoRecord| Ok(PhotoView::from(photo));
    crud::rows(&state, &request, query.page(), work, view).await
}

/// Reads a photo
///
/// The picture's file, as it was sent. Its ETag is its SHA-256.
#[utoipa::path(
    tag = "visits",
    params(
        ("visit_id" = i64, Path, description = "Number of the visit"),
        ("photo_id" = i64, Path, description = "Number of the photo")
    ),
    responses((
        status = 200, description = "The picture",
        content((String = "image/jpeg"), (String = "image/png"), (String = "image/webp"))
    ))
)]
#[get("/visits/{visit_id}/photos/{photo_id}")]
pub(crate) async fn find_photo(
    state: web::Data<AppState>,
    caller: Caller,
    path: web::Path<(i64, i64)>,
) -> Result<HttpResponse, ApiError> {
    let (visit, id) = path.into_inner();
    let (photo, content) = read(&state, move |conn| {
        let visit = reach(conn, &caller, visit)?;
        let photo = rows::find(conn, caller.branch, PhotoId(id))?;
        if photo.visit_id != visit.id {
            return Err(ApiError::not_found("photo", id));
        }
        Ok((photo, rows::content(conn, caller.branch, PhotoId(id))?))
    })
    .await?;
    Ok(HttpResponse::Ok()
        .insert_header((CONTENT_TYPE, photo.media_type))
        .insert_header((ETAG, EntityTag::new_strong(photo.digest).to_string()))
        .body(content))
}
