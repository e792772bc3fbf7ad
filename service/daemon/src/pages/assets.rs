//! The one stylesheet, part of the binary.

use std::sync::LazyLock;

use actix_web::HttpResponse;
use actix_web::http::header::{CACHE_CONTROL, CONTENT_TYPE};

use crate::app::record::digest;

const STYLESHEET: &str = include_str!("assets/hotspell.css");

/// The address changes with the content, so that browsers may keep it for ever.
static ADDRESS: LazyLock<String> = LazyLock::new(|| {
    let version: String = digest(STYLESHEET.as_bytes()).chars().take(12).collect();
    format!("/assets/hotspell.css?v={version}")
});

/// Where the stylesheet is.
pub(super) fn stylesheet_address() -> &'static str {
    &ADDRESS
}

/// The stylesheet.
pub(super) async fn stylesheet() -> HttpResponse {
    HttpResponse::Ok()
        .insert_header((CONTENT_TYPE, "text/css; charset=utf-8"))
        .insert_header((CACHE_CONTROL, "public, max-age=31536000, immutable"))
        .body(STYLESHEET)
}
