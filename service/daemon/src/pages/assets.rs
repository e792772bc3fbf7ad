//! Stylesheet and scripts, parts of the binary.

use std::sync::LazyLock;

use actix_web::http::header::{CACHE_CONTROL, CONTENT_TYPE};
use actix_web::{HttpResponse, web};

use super::refusal::PageError;
use crate::app::record::digest;

/// Something that pages load.
struct Asset {
    name: &'static str,
    kind: &'static str,
    content: &'static str,
}

const STYLESHEET: &str = "hotspell.css";
const TECHNICIAN_SCRIPT: &str = "technician.js";

const SCRIPT: &str = "text/javascript; charset=utf-8";

const ASSETS: [Asset; 5] = [
    Asset {
        name: STYLESHEET,
        kind: "text/css; charset=utf-8",
        content: include_str!("assets/hotspell.css"),
    },
    Asset { name: TECHNICIAN_SCRIPT, kind: SCRIPT, content: include_str!("assets/technician.js") },
    Asset { name: "clock.js", kind: SCRIPT, content: include_str!("assets/clock.js") },
    Asset { name: "outbox.js", kind: SCRIPT, content: include_str!("assets/outbox.js") },
    Asset { name: "photos.js", kind: SCRIPT, content: include_str!("assets/photos.js") },
];

/// Keeps the technician's pages without signal.
const WORKER: &str = include_str!("assets/worker.js");

/// The folder changes with the content, so that browsers may keep what is in it for ever, and
/// scripts may name each other without knowing it.
static VERSION: LazyLock<String> = LazyLock::new(|| {
    let all: String = ASSETS.iter().map(|asset| asset.content).collect();
    digest(all.as_bytes()).chars().take(12).collect()
});

fn address(name: &str) -> String {
    format!("/assets/{}/{name}", *VERSION)
}

/// Where the stylesheet is.
pub(super) fn stylesheet_address() -> String {
    address(STYLESHEET)
}

/// Where the script of the technician's pages is.
pub(super) fn technician_script_address() -> String {
    address(TECHNICIAN_SCRIPT)
}

/// An asset. A page from before an update is served the new one, which nobody then keeps.
pub(super) async fn asset(place: web::Path<(String, String)>) -> Result<HttpResponse, PageError> {
    let (version, name) = place.into_inner();
    let asset = ASSETS.iter().find(|asset| asset.name == name);
    let asset = asset.ok_or_else(|| PageError::nothing("asset"))?;
    let keep = if version == *VERSION { "public, max-age=31536000, immutable" } else { "no-cache" };
    Ok(HttpResponse::Ok()
        .insert_header((CONTENT_TYPE, asset.kind))
        .insert_header((CACHE_CONTROL, keep))
        .body(asset.content))
}

/// The service worker. Its folder is what it may look after; browsers ask for it anew each time.
pub(super) async fn worker() -> HttpResponse {
    HttpResponse::Ok()
        .insert_header((CONTENT_TYPE, SCRIPT))
        .insert_header((CACHE_CONTROL, "no-cache"))
        .body(WORKER)
}
