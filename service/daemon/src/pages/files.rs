//! A sent form with files (RFC 7578) of somebody who signed in.

use std::pin::Pin;

use actix_multipart::{Field, Multipart, MultipartError};
use actix_web::dev::Payload;
use actix_web::http::StatusCode;
use actix_web::{FromRequest, HttpRequest, web};
use futures_util::{Stream, TryStreamExt as _};

use super::refusal::PageError;
use crate::api::auth::session;
use crate::state::AppState;

/// Parts of a form: more is no form of ours.
const PARTS_MAX: usize = 100;
/// So many times the limit is read and thrown away, so that the browser reads the refusal instead
/// of breaking off.
const PATIENCE: usize = 8;
/// Longest value of a field that is no file, bytes.
const VALUE_MAX: usize = 4 * 1024;

/// A file of a form.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct SentFile {
    /// Its name on the sender's machine, without folders.
    pub(super) name: String,
    /// All of it.
    pub(super) content: Vec<u8>,
}

/// The files of a form that carries the session's token, before any of them, so that no foreign page
/// can send it; without it the answer is 403.
#[derive(Debug)]
pub(super) struct SessionFiles {
    /// The files that were chosen.
    pub(super) files: Vec<SentFile>,
    /// Whether they have more bytes together than a request may; then there are none.
    pub(super) too_large: bool,
}

impl FromRequest for SessionFiles {
    type Error = actix_web::Error;
    type Future = Pin<Box<dyn Future<Output = Result<Self, actix_web::Error>>>>;

    fn from_request(request: &HttpRequest, payload: &mut Payload) -> Self::Future {
        let (request, parts) = (request.clone(), Multipart::from_request(request, payload));
        Box::pin(async move {
            let parts = parts.await.map_err(|error| {
                let detail = format!("The form could not be read: {error}.");
                PageError::told(StatusCode::BAD_REQUEST, detail)
            })?;
            let limit = request
                .app_data::<web::Data<AppState>>()
                .map_or(0, |state| state.config.server.body_limit_bytes);
            Ok(session_files(&request, parts, limit).await?)
        })
    }
}

/// Reads the files of a form that may have so many bytes together.
///
/// # Errors
/// A page: 403 without the session's token, 413 for a form that is no form of ours any more, 400 for
/// one that cannot be read.
pub(super) async fn session_files(
    request: &HttpRequest,
    mut parts: Multipart,
    limit: usize,
) -> Result<SessionFiles, PageError> {
    let (mut is_ours, mut files, mut total) = (false, Vec::new(), 0_usize);
    for _ in 0..PARTS_MAX {
        let Some(mut part) = next(&mut parts).await? else {
            let too_large = total > limit;
            let files = if too_large { Vec::new() } else { files };
            return if is_ours { Ok(SessionFiles { files, too_large }) } else { Err(foreign()) };
        };
        let name = file_name(&part);
        if let Some(name) = name.filter(|_| is_ours) {
            let content = content(&mut part, &mut total, limit).await?;
            // A form whose field was left empty sends one nameless file without bytes.
            if !name.is_empty() {
                files.push(SentFile { name, content });
            }
            if total > limit {
                files.clear();
            }
        } else if part.name() == Some(session::FORM_FIELD) {
            let mut read = 0;
            let value = content(&mut part, &mut read, VALUE_MAX).await?;
            let value = String::from_utf8(value).ok();
            session::check_form_token(request, value.as_deref())?;
            is_ours = true;
        } else if !is_ours {
            return Err(foreign());
        }
    }
    Err(PageError::told(StatusCode::PAYLOAD_TOO_LARGE, "The form has too many parts."))
}

/// The form does not carry the session's token before its files.
fn foreign() -> PageError {
    PageError::told(StatusCode::FORBIDDEN, "This form is out of date; load the page again.")
}

/// The name of a file's part; nothing for another field.
fn file_name(part: &Field) -> Option<String> {
    let name = part.content_disposition()?.get_filename()?;
    Some(name.rsplit(['/', '\\']).next().unwrap_or_default().trim().to_owned())
}

/// The bytes of a part, while all parts together are within the limit.
async fn content(part: &mut Field, total: &mut usize, limit: usize) -> Result<Vec<u8>, PageError> {
    let mut content = Vec::new();
    while let Some(chunk) = next(part).await? {
        *total = total.saturating_add(chunk.len());
        if *total > limit.saturating_mul(PATIENCE) {
            let detail = "What was sent is far too large.";
            return Err(PageError::told(StatusCode::PAYLOAD_TOO_LARGE, detail));
        }
        if *total <= limit {
            content.extend_from_slice(&chunk);
        }
    }
    Ok(content)
}

async fn next<T>(
    stream: &mut (impl Stream<Item = Result<T, MultipartError>> + Unpin),
) -> Result<Option<T>, PageError> {
    stream.try_next().await.map_err(|error| {
        PageError::told(StatusCode::BAD_REQUEST, format!("The form could not be read: {error}."))
    })
}
