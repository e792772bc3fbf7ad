//! Records as files: what the office keeps, in its own hands.
//!
//! What the reader must decide: which table do I need, or who changed what in which days? So each table
//! is one link, named as an import names it, and the audit is asked for by its first and last day.

use actix_web::{HttpRequest, HttpResponse, web};
use askama::Template;
use chrono::{Days, NaiveDate, NaiveTime};
use hotspell_domain::local_time;
use hotspell_imports::ImportKind;
use hotspell_store::branches::{self, BranchRecord};

use super::import::holds;
use super::{load, shell_of, status};
use crate::api::file_body::csv_file;
use crate::app::exports;
use crate::pages::edit::{Form, Reading, Refused, Wrong};
use crate::pages::forms::Fields;
use crate::pages::refusal::{PageError, blocking};
use crate::pages::shell::{self, Shell};
use crate::pages::visitor::Office;
use crate::state::AppState;

/// Where the files are.
pub(super) const PATH: &str = "/office/settings/records";

pub(super) fn routes(config: &mut web::ServiceConfig) {
    config
        .service(web::resource(PATH).route(web::get().to(show)))
        .service(web::resource("/office/settings/records/audit.csv").route(web::get().to(audit)))
        .service(web::resource("/office/settings/records/{kind}.csv").route(web::get().to(table)));
}

#[derive(Template)]
#[template(path = "settings-records.html")]
struct RecordsPage {
    shell: Shell,
    tables: Vec<(&'static str, &'static str)>,
    days: Form,
}

/// The page.
pub(super) async fn show(
    state: web::Data<AppState>,
    request: HttpRequest,
    office: Office,
) -> Result<HttpResponse, PageError> {
    page(&state, &request, &office, &Refused::default()).await
}

async fn page(
    state: &web::Data<AppState>,
    request: &HttpRequest,
    office: &Office,
    refused: &Refused,
) -> Result<HttpResponse, PageError> {
    let fields = vec![
        refused.line("first", "First day", "").kind("date"),
        refused.line("last", "Last day", "").kind("date"),
    ];
    let days = refused.form("audit-", None, fields);
    let (branch, ()) = load(state, office.0, |_, _| Ok(())).await?;
    let page = RecordsPage {
        shell: shell_of(request, &office.0, "Records as files", &branch),
        tables: ImportKind::ALL.iter().map(|kind| (kind.as_str(), holds(*kind))).collect(),
        days: days.asking(),
    };
    shell::show(status(page.days.refused()), &page)
}

/// The file of a table.
pub(super) async fn table(
    state: web::Data<AppState>,
    office: Office,
    kind: web::Path<String>,
) -> Result<HttpResponse, PageError> {
    let kind: ImportKind = kind.parse().map_err(|_| PageError::nothing("table"))?;
    let branch = office.0.branch;
    let file = blocking(move || exports::export(&state, branch, kind)).await?;
    Ok(csv_file(file, kind.as_str()))
}

/// The file of the audit.
pub(super) async fn audit(
    state: web::Data<AppState>,
    request: HttpRequest,
    office: Office,
    query: web::Query<Vec<(String, String)>>,
) -> Result<HttpResponse, PageError> {
    let sent = Fields::from_pairs(query.into_inner());
    let (first, last) = match asked(&sent) {
        Ok(days) => days,
        Err(wrong) => {
            let refused = Refused { sent: Some(sent), wrong };
            return page(&state, &request, &office, &refused).await;
        }
    };
    let branch = office.0.branch;
    let file = blocking(move || {
        let branch = state.store.read(|conn| branches::find(conn, branch))?;
        let from = first.map(|day| midnight(&branch, day));
        let until = last.and_then(|day| day.checked_add_days(Days::new(1)));
        let until = until.map(|day| midnight(&branch, day));
        exports::export_audit(&state, branch.id, from, until)
    })
    .await?;
    Ok(csv_file(file, "audit"))
}

/// The first and the last day; open on a side without one.
fn asked(sent: &Fields) -> Result<(Option<NaiveDate>, Option<NaiveDate>), Wrong> {
    let mut reading = Reading::of(sent);
    let (first, last) = (reading.day("first"), reading.day("last"));
    if first.zip(last).is_some_and(|(first, last)| last < first) {
        reading.refuse("last", "The last day is before the first one.");
    }
    reading.finish((first, last))
}

/// When a day of the branch begins.
fn midnight(branch: &BranchRecord, day: NaiveDate) -> chrono::DateTime<chrono::Utc> {
    local_time::instant(day, NaiveTime::MIN, branch.time_zone)
}
