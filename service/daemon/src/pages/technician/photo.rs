//! Photos of a visit: sent by the phone one by one, and looked at.

use actix_multipart::Multipart;
use actix_web::http::StatusCode;
use actix_web::http::header::{CACHE_CONTROL, CONTENT_TYPE};
use actix_web::{HttpRequest, HttpResponse, web};
use hotspell_domain::VisitId;
use hotspell_store::photos as rows;
use hotspell_store::words::PhotoId;

use super::check::Home;
use super::{own, reached, visit_id};
use crate::api::auth::session;
use crate::api::caller::Caller;
use crate::api::error::ApiError;
use crate::api::handlers::photos;
use crate::pages::files::session_files;
use crate::pages::refusal::{PageError, blocking};
use crate::pages::shell::see_other;
use crate::pages::visitor::Crew;
use crate::pages::words;
use crate::state::AppState;

/// Header in which the phone sends the token of the session's forms: the body is the picture.
/// Another site's page cannot send it without being asked first by the browser (Fetch standard,
/// CORS-preflight).
const TOKEN_HEADER: &str = "x-form-token";

/// A photo that the office has.
pub(super) struct PhotoView {
    /// Where it is.
    pub(super) address: String,
    /// Time of arrival by the branch's clock.
    pub(super) name: String,
}

/// The photos of a visit.
pub(super) fn views(home: &Home) -> Vec<PhotoView> {
    let view = |photo: &rows::PhotoRecord| {
        let local = photo.received_at.with_timezone(&home.branch.time_zone).naive_local();
        PhotoView {
            address: format!("/technician/visit/{}/photos/{}", home.visit.id, photo.id),
            name: format!("{} {}", words::date(local.date()), words::time(local.time())),
        }
    };
    home.photos.iter().map(view).collect()
}

/// Takes a picture. The same again is the same photo.
pub(super) async fn take(
    state: web::Data<AppState>,
    request: HttpRequest,
    crew: Crew,
    visit: web::Path<String>,
    body: Result<web::Bytes, actix_web::Error>,
) -> Result<HttpResponse, PageError> {
    let (caller, id) = (crew.0, visit_id(&visit)?);
    let sent = request.headers().get(TOKEN_HEADER).and_then(|token| token.to_str().ok());
    session::check_form_token(&request, sent)?;
    let body = body.map_err(|_| too_large(&state))?;
    let new = keep(state, caller, id, body).await?;
    let status = if new { StatusCode::CREATED } else { StatusCode::OK };
    Ok(HttpResponse::build(status).finish())
}

fn too_large(state: &AppState) -> PageError {
    let most = words::megabytes(state.config.photos.size_limit_bytes);
    let detail = format!("A photo may have {most}; this one has more.");
    PageError::told(StatusCode::PAYLOAD_TOO_LARGE, detail)
}

/// Keeps a picture of a visit of the caller's; whether it is new.
async fn keep(
    state: web::Data<AppState>,
    caller: Caller,
    id: VisitId,
    picture: web::Bytes,
) -> Result<bool, PageError> {
    let media_type = photos::checked(&state, &picture)?;
    blocking(move || {
        state.store.write(|conn| {
            let visit = own(conn, caller.branch, &caller, id)?;
            let said = (media_type, None);
            Ok::<_, PageError>(photos::keep(&state, conn, &caller, &visit, &picture, said)?.1)
        })
    })
    .await
}

/// Takes a picture from the form for browsers without scripts: the same way as every other.
pub(super) async fn take_form(
    state: web::Data<AppState>,
    request: HttpRequest,
    crew: Crew,
    visit: web::Path<String>,
    sent: Multipart,
) -> Result<HttpResponse, PageError> {
    let (caller, id) = (crew.0, visit_id(&visit)?);
    let sent = session_files(&request, sent, state.config.photos.size_limit_bytes).await?;
    if sent.too_large {
        return Err(too_large(&state));
    }
    let picture =
        sent.files.into_iter().find(|file| !file.content.is_empty()).ok_or_else(|| {
            let detail = "No photo was chosen. Go back and choose one.";
            PageError::told(StatusCode::UNPROCESSABLE_ENTITY, detail)
        })?;
    keep(state, caller, id, picture.content.into()).await?;
    Ok(see_other(&format!("/technician/visit/{id}#photos")))
}

/// A photo as it was sent.
pub(super) async fn show(
    state: web::Data<AppState>,
    crew: Crew,
    path: web::Path<(String, String)>,
) -> Result<HttpResponse, PageError> {
    let (visit, photo) = path.into_inner();
    let (caller, id) = (crew.0, visit_id(&visit)?);
    let photo: i64 = photo.parse().map_err(|_| PageError::nothing("photo"))?;
    let (photo, content) = blocking(move || {
        state.store.read(|conn| {
            let visit = reached(conn, caller.branch, &caller, id)?;
            let found = rows::find(conn, caller.branch, PhotoId(photo)).map_err(ApiError::from)?;
            if found.visit_id != visit.id {
                return Err(PageError::nothing("photo"));
            }
            let content = rows::content(conn, caller.branch, found.id)?;
            Ok((found, content))
        })
    })
    .await?;
    Ok(HttpResponse::Ok()
        .insert_header((CONTENT_TYPE, photo.media_type))
        .insert_header((CACHE_CONTROL, "private, no-store"))
        .body(content))
}
