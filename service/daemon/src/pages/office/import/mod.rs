//! Import: the office brings its own files in.
//!
//! What the reader must decide: are these the right files, and may what they would do be done? So the
//! files are looked at first, and the page says by table what would be new, changed and left alone, or
//! which row is wrong and what was expected there; only then is there a button that keeps it. What it
//! keeps is what was looked at, byte for byte.

mod view;

use actix_web::http::StatusCode;
use actix_web::http::header::{
    CACHE_CONTROL, CONTENT_DISPOSITION, CONTENT_TYPE, HeaderValue, REFRESH,
};
use actix_web::{HttpRequest, HttpResponse, web};
use askama::Template;
use hotspell_imports::{ImportKind, optional_headers, required_headers};
use hotspell_store::branches;

use self::view::{PreviewView, WaitingRow};
use crate::api::caller::Caller;
use crate::app::import_preview::{self, Chosen, Stage};
use crate::app::unfinished_imports::unfinished_imports;
use crate::app::{AppError, import_confirm};
use crate::pages::files::SessionFiles;
use crate::pages::forms::SessionForm;
use crate::pages::refusal::{PageError, blocking};
use crate::pages::shell::{self, SETTINGS, Shell};
use crate::pages::visitor::Office;
use crate::pages::words;
use crate::state::AppState;

/// Seconds after which the browser looks again while files are imported.
const LOOK_AGAIN_S: &str = "2";

/// Where files are chosen.
pub(super) const PATH: &str = "/office/import";

pub(super) fn routes(config: &mut web::ServiceConfig) {
    config
        .service(
            web::resource("/office/import")
                .route(web::get().to(choose))
                .route(web::post().to(look)),
        )
        .service(
            web::resource("/office/import/{preview}")
                .route(web::get().to(show))
                .route(web::post().to(confirm)),
        )
        .service(web::resource("/office/import/{preview}/leave").route(web::post().to(leave)))
        .service(web::resource("/office/import/{preview}/stop").route(web::post().to(stop)))
        .service(
            web::resource("/office/import/{preview}/errors.csv").route(web::get().to(findings)),
        );
}

/// A kind of file with its columns.
struct KindRow {
    name: &'static str,
    what: &'static str,
    required: String,
    optional: String,
}

#[derive(Template)]
#[template(path = "import.html")]
struct ImportPage {
    shell: Shell,
    /// Why nothing was looked at.
    wrong: Option<String>,
    /// What files may have together.
    most: String,
    /// What was looked at and not finished.
    waiting: Vec<WaitingRow>,
    kinds: Vec<KindRow>,
}

#[derive(Template)]
#[template(path = "import-preview.html")]
struct PreviewPage {
    shell: Shell,
    view: PreviewView,
}

/// What the kinds hold, in plain words.
pub(super) const fn holds(kind: ImportKind) -> &'static str {
    match kind {
        ImportKind::Technicians => "who visits, with skills, shifts and days off",
        ImportKind::Sites => "homes with the person to write to",
        ImportKind::Agreements => "what is owed to each home",
        ImportKind::Units => "machines at the homes",
        ImportKind::Components => "parts of the machines, with those that ended",
        ImportKind::Replacements => "parts that were changed, as a list of events",
        ImportKind::Readings => "what was measured",
    }
}

fn kinds() -> Vec<KindRow> {
    let row = |kind: &ImportKind| {
        let (required, optional) = (required_headers(*kind), optional_headers(*kind));
        KindRow {
            name: kind.as_str(),
            what: holds(*kind),
            required: required.join(", "),
            optional: optional.join(", "),
        }
    };
    ImportKind::ALL.iter().map(row).collect()
}

/// The page where files are chosen.
async fn start(
    state: &web::Data<AppState>,
    request: &HttpRequest,
    caller: Caller,
    refused: Option<(StatusCode, String)>,
) -> Result<HttpResponse, PageError> {
    let most = words::megabytes(state.config.server.body_limit_bytes);
    let shared = state.clone();
    let (branch, waiting) = blocking(move || {
        let branch = shared.store.read(|conn| branches::find(conn, caller.branch))?;
        Ok::<_, AppError>((branch, unfinished_imports(&shared, caller.branch)?))
    })
    .await?;
    let shell = Shell::signed_in(request, &caller, "Import", &branch.name, Some(SETTINGS));
    let waiting = waiting.iter().map(WaitingRow::from).collect();
    let (status, wrong) = match refused {
        Some((status, why)) => (status, Some(why)),
        None => (StatusCode::OK, None),
    };
    shell::show(status, &ImportPage { shell, wrong, most, waiting, kinds: kinds() })
}

/// Shows where files are chosen.
async fn choose(
    state: web::Data<AppState>,
    request: HttpRequest,
    office: Office,
) -> Result<HttpResponse, PageError> {
    start(&state, &request, office.0, None).await
}

/// Looks at files and leads to what they would do.
async fn look(
    state: web::Data<AppState>,
    request: HttpRequest,
    office: Office,
    sent: SessionFiles,
) -> Result<HttpResponse, PageError> {
    let caller = office.0;
    if sent.too_large {
        let most = words::megabytes(state.config.server.body_limit_bytes);
        let why = format!(
            "The files may have {most} together; these have more. Choose fewer at a time, in the \
             order of the table below, or cut a file into several."
        );
        let refused = (StatusCode::PAYLOAD_TOO_LARGE, why);
        return start(&state, &request, caller, Some(refused)).await;
    }
    if sent.files.is_empty() {
        let refused = (StatusCode::UNPROCESSABLE_ENTITY, "Choose at least one file.".to_owned());
        return start(&state, &request, caller, Some(refused)).await;
    }
    let chosen = sent
        .files
        .into_iter()
        .map(|file| Chosen { name: file.name, content: file.content })
        .collect();
    let digest =
        blocking(move || import_preview::look(&state, caller.branch, caller.account, chosen))
            .await?;
    Ok(shell::see_other(&format!("{PATH}/{digest}")))
}

/// The page says that files must be chosen again, and why.
async fn gone(
    state: &web::Data<AppState>,
    request: &HttpRequest,
    caller: Caller,
) -> Result<HttpResponse, PageError> {
    let why = format!(
        "The files that were looked at are kept no longer: they go after {}, or when they \
         are left. Choose them again.",
        words::count(
            usize::try_from(import_preview::KEPT.num_days()).unwrap_or_default(),
            "day",
            "days"
        )
    );
    start(state, request, caller, Some((StatusCode::GONE, why))).await
}

/// Shows what files would do, or did.
async fn show(
    state: web::Data<AppState>,
    request: HttpRequest,
    office: Office,
    digest: web::Path<String>,
) -> Result<HttpResponse, PageError> {
    let (caller, digest, shared) = (office.0, digest.into_inner(), state.clone());
    let name = digest.clone();
    let found = blocking(move || {
        let branch = shared.store.read(|conn| branches::find(conn, caller.branch))?;
        match import_preview::find(&shared, caller.branch, &name) {
            Ok(preview) => Ok(Some((branch, preview))),
            Err(AppError::NotFound { .. }) => Ok(None),
            Err(error) => Err(PageError::from(error)),
        }
    })
    .await?;
    let Some((branch, preview)) = found else { return gone(&state, &request, caller).await };
    if matches!(preview.stage, Stage::Expired(_)) {
        return gone(&state, &request, caller).await;
    }
    let view = PreviewView::of(&preview, &digest, branch.time_zone);
    let shell = Shell::signed_in(&request, &caller, view.heading, &branch.name, Some(SETTINGS));
    let goes_on = view.running.is_some();
    let mut response = shell::show(StatusCode::OK, &PreviewPage { shell, view })?;
    if goes_on {
        // Nothing can be typed on this page while files are imported, so nothing is lost.
        response.headers_mut().insert(REFRESH, HeaderValue::from_static(LOOK_AGAIN_S));
    }
    Ok(response)
}

/// Imports what was looked at.
async fn confirm(
    state: web::Data<AppState>,
    request: HttpRequest,
    office: Office,
    digest: web::Path<String>,
    SessionForm(_): SessionForm,
) -> Result<HttpResponse, PageError> {
    let (caller, digest, shared) = (office.0, digest.into_inner(), state.clone());
    let place = format!("{PATH}/{digest}");
    let confirmed = blocking(move || {
        match import_confirm::confirm(&shared, caller.branch, caller.account, &digest) {
            Ok(()) => Ok(Ok(())),
            Err(AppError::NotFound { .. }) => Ok(Err(None)),
            Err(AppError::Conflict(why)) => Ok(Err(Some(why))),
            Err(error) => Err(PageError::from(error)),
        }
    })
    .await?;
    match confirmed {
        Ok(()) => Ok(shell::see_other(&place)),
        Err(None) => gone(&state, &request, caller).await,
        Err(Some(why)) => {
            let why = format!("Nothing was imported: {why}.");
            start(&state, &request, caller, Some((StatusCode::CONFLICT, why))).await
        }
    }
}

/// Stops the import of what was looked at.
async fn stop(
    state: web::Data<AppState>,
    office: Office,
    digest: web::Path<String>,
    SessionForm(_): SessionForm,
) -> Result<HttpResponse, PageError> {
    let (branch, digest) = (office.0.branch, digest.into_inner());
    let place = format!("{PATH}/{digest}");
    blocking(move || import_confirm::stop(&state, branch, &digest)).await?;
    Ok(shell::see_other(&place))
}

/// Forgets what was looked at.
async fn leave(
    state: web::Data<AppState>,
    office: Office,
    digest: web::Path<String>,
    SessionForm(_): SessionForm,
) -> Result<HttpResponse, PageError> {
    let (branch, digest) = (office.0.branch, digest.into_inner());
    blocking(move || import_preview::leave(&state, branch, &digest)).await?;
    Ok(shell::see_other(PATH))
}

/// Every bad value of the files as a CSV file.
async fn findings(
    state: web::Data<AppState>,
    request: HttpRequest,
    office: Office,
    digest: web::Path<String>,
) -> Result<HttpResponse, PageError> {
    let (caller, digest, shared) = (office.0, digest.into_inner(), state.clone());
    let csv =
        blocking(move || match import_preview::all_findings(&shared, caller.branch, &digest) {
            Ok(csv) => Ok(Some(csv)),
            Err(AppError::NotFound { .. }) => Ok(None),
            Err(error) => Err(PageError::from(error)),
        })
        .await?;
    let Some(csv) = csv else { return gone(&state, &request, caller).await };
    Ok(HttpResponse::Ok()
        .insert_header((CONTENT_TYPE, "text/csv; charset=utf-8; header=present"))
        .insert_header((CONTENT_DISPOSITION, "attachment; filename=\"import-errors.csv\""))
        .insert_header((CACHE_CONTROL, "private, no-store"))
        .body(csv))
}
