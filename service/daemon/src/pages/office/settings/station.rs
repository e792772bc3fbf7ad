//! The weather station: whose heat the season is told by and the parts grow old in.
//!
//! What the reader must decide: which station of a weather network stands for our homes? Somebody who
//! knows its id copies four lines from the network's list; the same id again mends what the list says
//! of it, another id names another station. Earlier stations keep their days.

use actix_web::{HttpRequest, HttpResponse, web};
use hotspell_store::AnyConnection;
use hotspell_store::branches::BranchRecord;
use hotspell_store::weather::{self, StationRecord};

use super::branch::{FormPage, stored};
use super::{Kept, kept, load, shell_of, status};
use crate::api::crud;
use crate::api::handlers::branches::Branches;
use crate::api::handlers::weather::keep_station;
use crate::api::transact::write;
use crate::api::types::branches::BranchInput;
use crate::api::types::weather::StationInput;
use crate::app::AppError;
use crate::pages::edit::{Form, Reading, Refused, Wrong, field_name, refusal, version};
use crate::pages::forms::{Fields, SessionForm};
use crate::pages::refusal::PageError;
use crate::pages::shell::{self, SETTINGS};
use crate::pages::visitor::Office;
use crate::state::AppState;

pub(super) const PATH: &str = "/office/settings/station";

/// The station of a branch, if it names one.
fn of_branch(
    conn: &mut AnyConnection,
    branch: &BranchRecord,
) -> Result<Option<StationRecord>, AppError> {
    Ok(branch.station_id.map(|id| weather::station(conn, id)).transpose()?)
}

/// The station in a line.
pub(super) fn said(conn: &mut AnyConnection, branch: &BranchRecord) -> Result<String, AppError> {
    let named = of_branch(conn, branch)?;
    Ok(named.map_or_else(
        || "none named yet".to_owned(),
        |station| format!("{}, {}", station.name, station.key),
    ))
}

/// The page.
pub(super) async fn show(
    state: web::Data<AppState>,
    request: HttpRequest,
    office: Office,
    query: web::Query<Kept>,
) -> Result<HttpResponse, PageError> {
    page(&state, &request, office, &Refused::default(), query.is_said()).await
}

async fn page(
    state: &web::Data<AppState>,
    request: &HttpRequest,
    office: Office,
    refused: &Refused,
    kept: bool,
) -> Result<HttpResponse, PageError> {
    let (branch, station) =
        load(state, office.0, |conn, branch| Ok(of_branch(conn, branch)?)).await?;
    let page = FormPage {
        shell: shell_of(request, &office.0, "Weather station", &branch),
        back: (SETTINGS.path, SETTINGS.name),
        heading: "Weather station".to_owned(),
        lead: "Its heat tells the season and how old the parts are in heat. Take one with a long \
               record, near the homes and at their height.",
        kept,
        action: PATH.to_owned(),
        button: "Keep the station",
        form: form(station.as_ref(), branch.version, refused),
    };
    shell::show(status(page.form.refused()), &page)
}

fn form(station: Option<&StationRecord>, version: i64, refused: &Refused) -> Form {
    let shown = |told: fn(&StationRecord) -> String| station.map(told).unwrap_or_default();
    let fields = vec![
        refused
            .line("key", "Its id in the network", shown(|it| it.key.clone()))
            .hint("As in GHCN-Daily, such as USW00023183; its files are found by it."),
        refused.line("name", "Its name", shown(|it| it.name.clone())),
        refused.line("latitude", "Degrees north", shown(|it| it.latitude_degrees.to_string())),
        refused
            .line("longitude", "Degrees east", shown(|it| it.longitude_degrees.to_string()))
            .hint("West is below zero, such as -112.0038."),
        refused
            .line(
                "elevation_metres",
                "Height above sea level, metres",
                shown(|it| it.elevation_metres.map(|it| it.to_string()).unwrap_or_default()),
            )
            .hint("May be empty; with it several stations are weighed better."),
    ];
    refused.form("station-", Some(version), fields)
}

fn read(sent: &Fields) -> Result<StationInput, Wrong> {
    let mut read = Reading::of(sent);
    let at = read.position();
    if at.is_none() {
        read.refuse("latitude", "Give the degrees north and east, such as 33.4278 and -112.0038.");
    }
    let input = StationInput {
        key: read.text("key"),
        name: read.text("name"),
        latitude_degrees: at.map_or(0.0, |at| at.latitude_degrees),
        longitude_degrees: at.map_or(0.0, |at| at.longitude_degrees),
        elevation_metres: read.number("elevation_metres"),
    };
    read.finish(input)
}

/// Takes the station and names it as the branch's own, or does neither.
pub(super) async fn change(
    state: web::Data<AppState>,
    request: HttpRequest,
    office: Office,
    SessionForm(sent): SessionForm,
) -> Result<HttpResponse, PageError> {
    let (caller, now, fields) = (office.0, state.now(), sent.clone());
    let outcome = write(&state, move |conn| {
        let before = crud::reach::<Branches>(conn, &caller, caller.branch.0)?;
        version(&fields).check(before.version)?;
        let station = match read(&fields) {
            Ok(input) => input.checked()?,
            Err(wrong) => return Ok(Err(wrong)),
        };
        let station = keep_station(conn, &caller, &station, now)?;
        let input = BranchInput { station_id: Some(station.id), ..stored(conn, &before)? };
        crud::replace::<Branches>(conn, &caller, before, &input, now).map(|_| Ok(()))
    })
    .await;
    match refusal(outcome, field_of)? {
        Ok(()) => Ok(kept(PATH)),
        Err(wrong) => {
            page(&state, &request, office, &Refused { sent: Some(sent), wrong }, false).await
        }
    }
}

/// The form's field of a JSON pointer of the API.
fn field_of(pointer: &str) -> String {
    match pointer {
        "latitude_degrees" => "latitude".to_owned(),
        "longitude_degrees" => "longitude".to_owned(),
        other => field_name(other),
    }
}
