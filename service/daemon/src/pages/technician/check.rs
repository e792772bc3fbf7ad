//! The check of one visit: a form, and what it said.
//!
//! What the reader must decide: does this part stay, and if not, may the part in my hand replace
//! it? So the form asks part by part for what the meter shows and shows the limits beside each
//! field; the answer says at once what each reading means, what follows, and whether the sister
//! unit's part is still to be checked.

use actix_web::http::StatusCode;
use actix_web::{HttpRequest, HttpResponse, web};
use askama::Template;
use chrono::NaiveDate;
use hotspell_domain::capacitor::Verdict;
use hotspell_domain::local_time::local_day;
use hotspell_domain::{BranchId, ComponentId, Condition, VisitId};
use hotspell_store::branches::{self, BranchRecord};
use hotspell_store::sites::{self, SiteRecord};
use hotspell_store::visits::VisitRecord;
use hotspell_store::words::Section;

use super::entry::{self, Wrong};
use super::{reached, visit_id};
use crate::api::caller::Caller;
use crate::app::AppError;
use crate::app::day::{self, DayPart, DayUnit};
use crate::app::letters;
use crate::app::results;
use crate::pages::forms::{Fields, SessionForm};
use crate::pages::parts::{self as view, ReadingBounds};
use crate::pages::refusal::{PageError, blocking};
use crate::pages::shell::{self, Shell, TODAY, see_other};
use crate::pages::visitor::Crew;
use crate::pages::words::{self, Mark};
use crate::state::AppState;

/// A home with what is there.
struct Home {
    branch: BranchRecord,
    visit: VisitRecord,
    site: SiteRecord,
    units: Vec<DayUnit>,
    today: NaiveDate,
}

impl Home {
    fn load(state: &AppState, caller: &Caller, id: VisitId) -> Result<Self, PageError> {
        let now = state.now();
        state.store.read(|conn| {
            let branch = branches::find(conn, caller.branch)?;
            let visit = reached(conn, branch.id, caller, id)?;
            let site = sites::find(conn, branch.id, visit.site_id)?;
            let today = local_day(now, branch.time_zone);
            let units = day::units_at(conn, &branch, site.id, today)?;
            Ok(Self { branch, visit, site, units, today })
        })
    }

    fn parts(&self) -> impl Iterator<Item = &DayPart> {
        self.units.iter().flat_map(|unit| &unit.parts)
    }

    /// The day of the work, as a rule: that of the visit, if it has come.
    fn work_day(&self) -> NaiveDate {
        self.visit.day.filter(|day| *day <= self.today).unwrap_or(self.today)
    }

    fn day_address(&self, caller: &Caller) -> String {
        let day = self.visit.day.unwrap_or(self.today);
        match (caller.is_office(), self.visit.technician_id) {
            (false, _) => format!("{}?day={day}", TODAY.path),
            (true, Some(id)) => format!("{}?day={day}&technician={id}", TODAY.path),
            (true, None) => format!("{}?day={day}", shell::DAY.path),
        }
    }
}

#[derive(Template)]
#[template(path = "check.html")]
struct CheckPage {
    shell: Shell,
    household: String,
    address: String,
    about: String,
    back: String,
    client_key: String,
    day: String,
    latest_day: String,
    note: String,
    /// Sentences that belong to no part.
    wrong: Vec<String>,
    any_wrong: bool,
    units: Vec<FormUnit>,
    may_override: bool,
    /// What each verdict is called and what follows from it.
    verdicts: Vec<(Mark, &'static str)>,
}

struct FormUnit {
    label: String,
    about: String,
    parts: Vec<FormPart>,
}

/// A part in the form, with what was entered before if something was wrong.
struct FormPart {
    id: ComponentId,
    name: String,
    rating: Option<String>,
    mark: Option<Mark>,
    capacitor: bool,
    open: bool,
    wrong: Vec<String>,
    sections: Vec<FormSection>,
    seen: Vec<FormChoice>,
    replaced: Vec<FormChoice>,
    new_rating: String,
    batch: String,
    note: String,
    overridden: String,
}

struct FormSection {
    name: &'static str,
    limits: Option<String>,
    /// What the phone judges a reading by before it is sent.
    bounds: Option<ReadingBounds>,
    inputs: Vec<FormInput>,
}

struct FormInput {
    name: String,
    label: &'static str,
    value: String,
}

struct FormChoice {
    value: &'static str,
    label: &'static str,
    chosen: bool,
}

/// The form.
pub(super) async fn form(
    state: web::Data<AppState>,
    request: HttpRequest,
    crew: Crew,
    visit: web::Path<String>,
) -> Result<HttpResponse, PageError> {
    let (caller, id) = (crew.0, visit_id(&visit)?);
    let home = blocking(move || Home::load(&state, &caller, id)).await?;
    let shell = Shell::signed_in(&request, &caller, "Check", &home.branch.name, None);
    let page = CheckPage::of(shell, &caller, &home, &Fields::default(), &Wrong::new());
    shell::show(StatusCode::OK, &page)
}

/// Takes the form: keeps it and leads to what it said, or shows it again with what is wrong.
pub(super) async fn record(
    state: web::Data<AppState>,
    request: HttpRequest,
    crew: Crew,
    visit: web::Path<String>,
    SessionForm(fields): SessionForm,
) -> Result<HttpResponse, PageError> {
    let (caller, id) = (crew.0, visit_id(&visit)?);
    let entered = fields.clone();
    let outcome = blocking(move || keep(&state, &caller, id, &entered)).await?;
    match outcome {
        Ok(()) => Ok(see_other(&format!("/technician/visit/{id}/result"))),
        Err(refused) => {
            let (home, wrong) = *refused;
            let shell = Shell::signed_in(&request, &caller, "Check", &home.branch.name, None);
            let page = CheckPage::of(shell, &caller, &home, &fields, &wrong);
            shell::show(StatusCode::UNPROCESSABLE_ENTITY, &page)
        }
    }
}

/// The form is shown again with these mistakes.
type Refused = Box<(Home, Wrong)>;

fn keep(
    state: &AppState,
    caller: &Caller,
    id: VisitId,
    fields: &Fields,
) -> Result<Result<(), Refused>, PageError> {
    let home = Home::load(state, caller, id)?;
    let technician = caller.technician.or(home.visit.technician_id);
    let parts: Vec<_> = home.parts().map(|part| &part.component).collect();
    let entered = match entry::read(fields, &parts, technician) {
        Ok(entered) => entered,
        Err(wrong) => return Ok(Err(Box::new((home, wrong)))),
    };
    let branch: BranchId = caller.branch;
    match results::record(state, branch, id, &entered.result, &caller.who(), caller.is_office()) {
        Ok(_) => Ok(Ok(())),
        Err(AppError::Invalid(refused)) => {
            let wrong = entered.blame(&refused);
            Ok(Err(Box::new((home, wrong))))
        }
        Err(error) => Err(error.into()),
    }
}

impl CheckPage {
    fn of(shell: Shell, caller: &Caller, home: &Home, fields: &Fields, wrong: &Wrong) -> Self {
        let text = |name: &str| fields.text(name).unwrap_or_default().to_owned();
        let key = text("client_key");
        let fresh = || format!("page/{}", uuid::Uuid::new_v4());
        let day = fields.text("day").map_or_else(|| home.work_day().to_string(), str::to_owned);
        Self {
            shell: Shell { title: format!("Check: {}", home.site.name), ..shell },
            household: home.site.name.clone(),
            address: letters::address_of(&home.site),
            about: about(&home.visit),
            back: home.day_address(caller),
            client_key: if key.is_empty() { fresh() } else { key },
            day,
            latest_day: home.today.to_string(),
            note: text("note"),
            wrong: wrong.get(&None).cloned().unwrap_or_default(),
            any_wrong: !wrong.is_empty(),
            units: home
                .units
                .iter()
                .map(|unit| FormUnit {
                    label: view::label(&unit.unit),
                    about: view::about(&unit.unit),
                    parts: unit
                        .parts
                        .iter()
                        .map(|part| FormPart::of(part, home.branch.mains_hertz, fields, wrong))
                        .collect(),
                })
                .collect(),
            may_override: caller.is_office(),
            verdicts: Verdict::ALL
                .iter()
                .map(|verdict| (words::verdict(*verdict), view::follows(*verdict)))
                .collect(),
        }
    }
}

fn about(visit: &VisitRecord) -> String {
    let kind = words::visit(visit.kind);
    match visit.day {
        Some(day) => format!("{kind}, {}: {}", words::day(day), words::state(visit.state)),
        None => format!("{kind}: {}", words::state(visit.state)),
    }
}

impl FormPart {
    fn of(part: &DayPart, mains_hertz: f64, fields: &Fields, wrong: &Wrong) -> Self {
        let record = &part.component;
        let named = |what| entry::field(record.id, what);
        let text = |what| fields.text(&named(what)).unwrap_or_default().to_owned();
        let wrong = wrong.get(&Some(record.id)).cloned().unwrap_or_default();
        let capacitor = record.class.is_run_capacitor();
        let replaced = fields.text(&named("replaced")).unwrap_or("no");
        let choice = |value, label| FormChoice { value, label, chosen: replaced == value };
        Self {
            id: record.id,
            name: view::name(record),
            rating: record.rating.as_deref().map(words::rating),
            mark: part.verdict.map(words::verdict),
            capacitor,
            open: capacitor || part.is_due() || !wrong.is_empty(),
            wrong,
            sections: view::sections(record.class)
                .iter()
                .map(|section| FormSection::of(part, *section, mains_hertz, fields))
                .collect(),
            seen: Condition::ALL
                .iter()
                .map(|condition| FormChoice {
                    value: condition.as_str(),
                    label: words::condition(*condition),
                    chosen: fields.has(&named("seen"), condition.as_str()),
                })
                .collect(),
            replaced: vec![
                choice("no", "not replaced"),
                choice("replaced-before-failing", "replaced, the old one still worked"),
                choice("failed", "replaced, the old one had failed"),
            ],
            new_rating: text("rating"),
            batch: text("batch"),
            note: text("note"),
            overridden: text("override"),
        }
    }
}

impl FormSection {
    fn of(part: &DayPart, section: Section, mains_hertz: f64, fields: &Fields) -> Self {
        let input = |what, label| {
            let name = entry::section_field(part.component.id, section, what);
            let value = fields.text(&name).unwrap_or_default().to_owned();
            FormInput { name, label, value }
        };
        Self {
            name: words::section(part.component.class, section),
            limits: view::limits(&part.component, section),
            bounds: view::bounds(&part.component, section, mains_hertz),
            inputs: vec![
                input("uf", "Meter, µF"),
                input("v", "or under load: volts"),
                input("a", "and amps"),
            ],
        }
    }
}

#[derive(Template)]
#[template(path = "result.html")]
struct ResultPage {
    shell: Shell,
    household: String,
    about: String,
    back: String,
    again: String,
    done: bool,
    checked: Vec<Said>,
    replaced: Vec<String>,
    unchecked: Vec<String>,
}

/// What one part's readings said.
struct Said {
    name: String,
    mark: Mark,
    reading: String,
    follows: &'static str,
    chance: Option<String>,
}

/// What the check said: read from the record, so that the page may be loaded again.
pub(super) async fn result(
    state: web::Data<AppState>,
    request: HttpRequest,
    crew: Crew,
    visit: web::Path<String>,
) -> Result<HttpResponse, PageError> {
    let (caller, id) = (crew.0, visit_id(&visit)?);
    let home = blocking(move || Home::load(&state, &caller, id)).await?;
    let shell = Shell::signed_in(&request, &caller, "Result", &home.branch.name, None);
    shell::show(StatusCode::OK, &result_page(shell, &caller, &home))
}

fn result_page(shell: Shell, caller: &Caller, home: &Home) -> ResultPage {
    let newest = home.parts().filter_map(|part| Some(part.readings.first()?.taken_on)).max();
    let day = newest.unwrap_or_else(|| home.work_day()).max(home.work_day());
    let mut page = ResultPage {
        shell: Shell { title: format!("Result: {}", home.site.name), ..shell },
        household: home.site.name.clone(),
        about: about(&home.visit),
        back: home.day_address(caller),
        again: format!("/technician/visit/{}", home.visit.id),
        done: !home.visit.state.holds_a_place(),
        checked: Vec::new(),
        replaced: Vec::new(),
        unchecked: Vec::new(),
    };
    for unit in &home.units {
        for part in &unit.parts {
            let name = format!("{}: {}", view::label(&unit.unit), view::name(&part.component));
            let today = part.readings.first().is_some_and(|reading| reading.taken_on == day);
            let shown = view::part_view(part, home.branch.mains_hertz);
            if part.component.installed_earliest == Some(day) {
                page.replaced.push(match &shown.rating {
                    Some(rating) => format!("{name}, now {rating}"),
                    None => name,
                });
            } else if let Some(verdict) = part.verdict.filter(|_| today) {
                page.checked.push(Said {
                    name,
                    mark: words::verdict(verdict),
                    reading: shown.last,
                    follows: view::follows(verdict),
                    chance: shown.chance,
                });
            } else if part.component.class.is_run_capacitor() {
                page.unchecked.push(name);
            }
        }
    }
    page
}
