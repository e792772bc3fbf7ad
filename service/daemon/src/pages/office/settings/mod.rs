//! Settings: what the branch is, when it works, who works there, who may sign in, what it writes.
//!
//! What the reader must decide here is only where to go: a person was hired, an office moved, a
//! holiday comes, somebody left and must not get in any more. So the page is the list of what can be
//! set, each with what it says now, so that a wrong value is seen without opening anything.

mod accounts;
mod branch;
mod calendar;
mod records;
mod station;
mod technicians;
mod texts;
mod tokens;

use actix_web::http::StatusCode;
use actix_web::{HttpRequest, HttpResponse, web};
use askama::Template;
use chrono::{DateTime, Utc};
use hotspell_domain::local_time::local_day;
use hotspell_store::accounts::{self as account_rows, AccountFilter};
use hotspell_store::branches::{self, BranchRecord};
use hotspell_store::technicians::{self as people, TechnicianFilter};
use hotspell_store::{AnyConnection, Page};
use serde::Deserialize;

use super::import;
use crate::api::caller::Caller;
use crate::pages::refusal::{PageError, blocking};
use crate::pages::shell::{self, SETTINGS, Shell};
use crate::pages::visitor::Office;
use crate::pages::words;
use crate::state::AppState;

/// The weekdays by the words of forms and files.
const WEEKDAYS: [(&str, &str); 7] = [
    ("mon", "Monday"),
    ("tue", "Tuesday"),
    ("wed", "Wednesday"),
    ("thu", "Thursday"),
    ("fri", "Friday"),
    ("sat", "Saturday"),
    ("sun", "Sunday"),
];

pub(super) fn routes(config: &mut web::ServiceConfig) {
    config
        .service(web::resource("/office/settings").route(web::get().to(show)))
        .service(
            web::resource("/office/settings/branch")
                .route(web::get().to(branch::show))
                .route(web::post().to(branch::change)),
        )
        .service(
            web::resource(station::PATH)
                .route(web::get().to(station::show))
                .route(web::post().to(station::change)),
        )
        .service(
            web::resource("/office/settings/calendar")
                .route(web::get().to(calendar::show))
                .route(web::post().to(calendar::change)),
        )
        .service(
            web::resource("/office/settings/calendar/closed")
                .route(web::post().to(calendar::close)),
        )
        .service(
            web::resource("/office/settings/calendar/opened").route(web::post().to(calendar::open)),
        );
    technicians::routes(config);
    accounts::routes(config);
    texts::routes(config);
    records::routes(config);
}

/// Whether a change was just kept.
#[derive(Debug, Default, Deserialize)]
struct Kept {
    kept: Option<String>,
}

impl Kept {
    /// Whether the page is to say so.
    fn is_said(&self) -> bool {
        self.kept.is_some()
    }
}

/// A page of the settings for who signed in.
fn shell_of(request: &HttpRequest, caller: &Caller, title: &str, branch: &BranchRecord) -> Shell {
    Shell::signed_in(request, caller, title, &branch.name, Some(SETTINGS))
}

/// Reads off the request threads, with the branch.
async fn load<T: Send + 'static>(
    state: &web::Data<AppState>,
    caller: Caller,
    read: impl FnOnce(&mut AnyConnection, &BranchRecord) -> Result<T, PageError> + Send + 'static,
) -> Result<(BranchRecord, T), PageError> {
    let state = state.clone();
    blocking(move || {
        state.store.read(|conn| {
            let branch = branches::find(conn, caller.branch)?;
            let read = read(conn, &branch)?;
            Ok::<_, PageError>((branch, read))
        })
    })
    .await
}

/// Where a form's answer is read after it was kept.
fn kept(path: &str) -> HttpResponse {
    shell::see_other(&format!("{path}?kept=yes"))
}

/// Status of a page that shows a form.
const fn status(refused: bool) -> StatusCode {
    if refused { StatusCode::UNPROCESSABLE_ENTITY } else { StatusCode::OK }
}

struct Entry {
    path: &'static str,
    name: &'static str,
    now: String,
}

#[derive(Template)]
#[template(path = "settings.html")]
struct SettingsPage {
    shell: Shell,
    entries: Vec<Entry>,
}

/// The list of what can be set.
pub(super) async fn show(
    state: web::Data<AppState>,
    request: HttpRequest,
    office: Office,
) -> Result<HttpResponse, PageError> {
    let (caller, now) = (office.0, state.now());
    let (branch, entries) =
        load(&state, caller, move |conn, branch| entries(conn, branch, now)).await?;
    let shell = shell_of(&request, &caller, "Settings", &branch);
    shell::show(StatusCode::OK, &SettingsPage { shell, entries })
}

/// What can be set, with what each says now.
fn entries(
    conn: &mut AnyConnection,
    branch: &BranchRecord,
    now: DateTime<Utc>,
) -> Result<Vec<Entry>, PageError> {
    let today = local_day(now, branch.time_zone);
    let at_work = TechnicianFilter { active_on: Some(today), ..TechnicianFilter::default() };
    let at_work = people::list(conn, branch.id, &at_work, Page::everything())?.len();
    let closed = branches::holidays(conn, branch.id)?;
    let closed = closed.iter().filter(|day| day.day >= today).count();
    let open = AccountFilter { disabled: Some(false), ..AccountFilter::default() };
    let accounts = account_rows::list(conn, branch.id, &open, Page::everything())?.len();
    Ok(vec![
        Entry { path: "/office/settings/branch", name: "Branch", now: branch::said(branch) },
        Entry { path: station::PATH, name: "Weather station", now: station::said(conn, branch)? },
        Entry {
            path: "/office/settings/calendar",
            name: "Working calendar",
            now: format!(
                "{}; {} ahead",
                calendar::said(branch),
                words::count(closed, "closed day", "closed days")
            ),
        },
        Entry {
            path: "/office/settings/technicians",
            name: "Technicians",
            now: format!("{} at work today by contract", words::count(at_work, "person", "people")),
        },
        Entry {
            path: "/office/settings/accounts",
            name: "Accounts and access tokens",
            now: format!(
                "{} may sign in or use tokens",
                words::count(accounts, "account", "accounts")
            ),
        },
        Entry { path: texts::PATH, name: "Notice texts", now: texts::in_short(conn, branch.id)? },
        Entry {
            path: import::PATH,
            name: "Import",
            now: "CSV files of homes, machines, parts and more, looked at before they go in"
                .to_owned(),
        },
        Entry {
            path: records::PATH,
            name: "Records as files",
            now: "CSV files of the same, and of who changed what".to_owned(),
        },
    ])
}
