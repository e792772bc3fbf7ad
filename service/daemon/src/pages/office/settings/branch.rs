//! The branch: what households read under every mail, and by which clock and units all is told.
//!
//! What the reader must decide: is what our mails say of us still true, and may mail go out at this
//! hour? So what the households see comes first, then the hours of quiet, then what only the office
//! and its figures need. The branch's own key stays: it is part of names that were already given out.

use actix_web::{HttpRequest, HttpResponse, web};
use askama::Template;
use chrono_tz::Tz;
use hotspell_domain::{Position, TemperatureUnit};
use hotspell_store::branches::{self, BranchRecord};
use hotspell_store::{AnyConnection, StoreError};

use super::{Kept, kept, load, shell_of, status};
use crate::api::crud;
use crate::api::handlers::branches::Branches;
use crate::api::transact::write;
use crate::api::types::branches::BranchInput;
use crate::pages::edit::{
    Form, Reading, Refused, Wrong, field_name, refusal, shown_degrees, shown_time, version,
};
use crate::pages::forms::{Fields, SessionForm};
use crate::pages::refusal::PageError;
use crate::pages::shell::{self, SETTINGS, Shell};
use crate::pages::visitor::Office;
use crate::pages::words;
use crate::state::AppState;

const PATH: &str = "/office/settings/branch";

/// A page that is one form.
#[derive(Template)]
#[template(path = "settings-form.html")]
pub(super) struct FormPage {
    pub(super) shell: Shell,
    pub(super) back: (&'static str, &'static str),
    pub(super) heading: String,
    pub(super) lead: &'static str,
    pub(super) kept: bool,
    pub(super) action: String,
    pub(super) form: Form,
    pub(super) button: &'static str,
}

/// The branch in a line.
pub(super) fn said(branch: &BranchRecord) -> String {
    let quiet = branch.quiet_from.zip(branch.quiet_until).map_or_else(
        || "mail at every hour".to_owned(),
        |(from, until)| format!("no mail from {} until {}", words::time(from), words::time(until)),
    );
    format!("{}, {}; {quiet}", branch.name, branch.time_zone.name())
}

/// The stored branch as the API would take it.
pub(super) fn stored(
    conn: &mut AnyConnection,
    branch: &BranchRecord,
) -> Result<BranchInput, StoreError> {
    Ok(BranchInput::of(branch, branches::holidays(conn, branch.id)?))
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
    let (branch, input) = load(state, office.0, |conn, branch| Ok(stored(conn, branch)?)).await?;
    let form = form(&input, branch.version, refused);
    let page = FormPage {
        shell: shell_of(request, &office.0, "Branch", &branch),
        back: (SETTINGS.path, SETTINGS.name),
        heading: "Branch".to_owned(),
        lead: "What households read under every mail, and the clock and units by which days and \
               temperatures are told.",
        kept,
        action: PATH.to_owned(),
        button: "Keep the branch",
        form,
    };
    shell::show(status(page.form.refused()), &page)
}

fn form(input: &BranchInput, version: i64, refused: &Refused) -> Form {
    let degrees = |pick: fn(&Position) -> f64| shown_degrees(input.depot, pick);
    let fields = vec![
        refused.line("name", "Name, as households know it", &*input.name),
        refused
            .line("postal_address", "Postal address", &*input.postal_address)
            .hint("Stands at the foot of every mail."),
        refused
            .line("phone", "Telephone for households", input.phone.clone().unwrap_or_default())
            .kind("tel")
            .hint("With + and the country's number, such as +1 602 555 0100."),
        refused
            .line(
                "reply_to",
                "Where answers to our mail go",
                input.reply_to.clone().unwrap_or_default(),
            )
            .kind("email"),
        refused
            .line("quiet_from", "No mail to households from", shown_time(input.quiet_from))
            .kind("time"),
        refused
            .line("quiet_until", "Mail again from", shown_time(input.quiet_until))
            .kind("time")
            .hint("Both empty: mail at every hour."),
        refused.line("time_zone", "Time zone", &*input.time_zone).hint(
            "By its IANA name, such as America/Phoenix. All days and times are of this zone.",
        ),
        refused.choice(
            "temperature_unit",
            "Temperatures in",
            &[("degF", "degrees Fahrenheit"), ("degC", "degrees Celsius")],
            input.temperature_unit.as_str(),
        ),
        refused
            .line(
                "degree_day_base",
                "Base of cooling degree days",
                input.degree_day_base.to_string(),
            )
            .hint("In the degrees above: 65 for Fahrenheit and 18 for Celsius are usual."),
        refused.choice(
            "mains_hertz",
            "Mains frequency",
            &[("60", "60 Hz"), ("50", "50 Hz")],
            &input.mains_hertz.to_string(),
        ),
        refused.line(
            "latitude",
            "Depot: latitude, degrees north",
            degrees(|at| at.latitude_degrees),
        ),
        refused
            .line("longitude", "Depot: longitude, degrees east", degrees(|at| at.longitude_degrees))
            .hint("Where trucks start, if not at a technician's home. Both or neither."),
    ];
    refused.form("branch-", Some(version), fields)
}

fn changed(before: BranchInput, sent: &Fields) -> Result<BranchInput, Wrong> {
    let mut read = Reading::of(sent);
    let time_zone = read.text("time_zone");
    if time_zone.parse::<Tz>().is_err() {
        read.refuse(
            "time_zone",
            format!("«{time_zone}» is no time zone; write such as America/Phoenix."),
        );
    }
    let base = read.number("degree_day_base");
    if base.is_none() {
        read.refuse("degree_day_base", "Give a number such as 65.");
    }
    let input = BranchInput {
        name: read.text("name"),
        postal_address: read.text("postal_address"),
        phone: read.maybe("phone"),
        reply_to: read.maybe("reply_to"),
        quiet_from: read.time("quiet_from"),
        quiet_until: read.time("quiet_until"),
        temperature_unit: read.word::<TemperatureUnit>("temperature_unit", before.temperature_unit),
        degree_day_base: base.unwrap_or(before.degree_day_base),
        mains_hertz: read.number("mains_hertz").unwrap_or(before.mains_hertz),
        depot: read.position(),
        time_zone,
        ..before
    };
    read.finish(input)
}

/// Changes the branch by a form under the version that the form shows; what was wrong with it, by the
/// form's field that `field_of` finds for a member of the input.
pub(super) async fn edit(
    state: &web::Data<AppState>,
    office: &Office,
    sent: &Fields,
    change: fn(BranchInput, &Fields) -> Result<BranchInput, Wrong>,
    field_of: fn(&str) -> String,
) -> Result<Result<(), Wrong>, PageError> {
    let (caller, now, fields) = (office.0, state.now(), sent.clone());
    let outcome = write(state, move |conn| {
        let before = crud::reach::<Branches>(conn, &caller, caller.branch.0)?;
        version(&fields).check(before.version)?;
        match change(stored(conn, &before)?, &fields) {
            Ok(input) => {
                crud::replace::<Branches>(conn, &caller, before, &input, now).map(|_| Ok(()))
            }
            Err(wrong) => Ok(Err(wrong)),
        }
    })
    .await;
    refusal(outcome, field_of)
}

/// Takes a change.
pub(super) async fn change(
    state: web::Data<AppState>,
    request: HttpRequest,
    office: Office,
    SessionForm(sent): SessionForm,
) -> Result<HttpResponse, PageError> {
    match edit(&state, &office, &sent, changed, field_name).await? {
        Ok(()) => Ok(kept(PATH)),
        Err(wrong) => {
            page(&state, &request, office, &Refused { sent: Some(sent), wrong }, false).await
        }
    }
}
