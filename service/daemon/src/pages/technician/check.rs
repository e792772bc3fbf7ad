//! The check of one visit: a form.
//!
//! What the reader must decide: does this part stay, and if not, may the part in my hand replace
//! it? So the form asks part by part for what the meter shows and shows the limits beside each
//! field, and which ratings may go in; then what was taken from the truck, whether somebody must
//! come again, and photos.

use actix_web::http::StatusCode;
use actix_web::{HttpRequest, HttpResponse, web};
use askama::Template;
use chrono::{DateTime, NaiveDate, SecondsFormat, Utc};
use hotspell_domain::capacitor::Verdict;
use hotspell_domain::local_time::local_day;
use hotspell_domain::{BranchId, CapacitorRating, ComponentClass, ComponentId, Condition, VisitId};
use hotspell_store::Page;
use hotspell_store::branches::{self, BranchRecord};
use hotspell_store::components::ComponentRecord;
use hotspell_store::photos::{self, PhotoRecord};
use hotspell_store::sites::{self, SiteRecord};
use hotspell_store::visits::VisitRecord;
use hotspell_store::words::{Resource, Section};

use super::entry::{self, Wrong};
use super::photo::{self, PhotoView};
use super::{own, reached, visit_id};
use crate::api::audit::{Deed, noted};
use crate::api::caller::Caller;
use crate::app::AppError;
use crate::app::day::{self, DayPart, DayUnit};
use crate::app::letters;
use crate::app::results::{self, Recorded};
use crate::pages::forms::{Fields, SessionForm};
use crate::pages::parts::{self as view, ReadingBounds};
use crate::pages::refusal::{PageError, blocking};
use crate::pages::shell::{self, Shell, TODAY, see_other};
use crate::pages::visitor::Crew;
use crate::pages::words::{self, Mark};
use crate::state::AppState;

/// A home with what is there.
pub(super) struct Home {
    pub(super) branch: BranchRecord,
    pub(super) visit: VisitRecord,
    pub(super) site: SiteRecord,
    pub(super) units: Vec<DayUnit>,
    /// Pictures that the office has of this visit.
    pub(super) photos: Vec<PhotoRecord>,
    now: DateTime<Utc>,
    today: NaiveDate,
    /// Largest picture that is taken, bytes.
    photo_limit: usize,
}

impl Home {
    pub(super) fn load(state: &AppState, caller: &Caller, id: VisitId) -> Result<Self, PageError> {
        let now = state.now();
        let photo_limit = state.config.photos.size_limit_bytes;
        state.store.read(|conn| {
            let branch = branches::find(conn, caller.branch)?;
            let visit = reached(conn, branch.id, caller, id)?;
            let site = sites::find(conn, branch.id, visit.site_id)?;
            let today = local_day(now, branch.time_zone);
            let units = day::units_at(conn, &branch, site.id, today)?;
            let photos = photos::list(conn, branch.id, id, Page::everything())?;
            Ok(Self { branch, visit, site, units, photos, now, today, photo_limit })
        })
    }

    /// One at which the caller may enter what was found.
    fn to_enter(state: &AppState, caller: &Caller, id: VisitId) -> Result<Self, PageError> {
        state.store.read(|conn| own(conn, caller.branch, caller, id))?;
        Self::load(state, caller, id)
    }

    pub(super) fn parts(&self) -> impl Iterator<Item = &DayPart> {
        self.units.iter().flat_map(|unit| &unit.parts)
    }

    /// The day of the work, as a rule: that of the visit, if it has come.
    pub(super) fn work_day(&self) -> NaiveDate {
        self.visit.day.filter(|day| *day <= self.today).unwrap_or(self.today)
    }

    pub(super) fn day_address(&self, caller: &Caller) -> String {
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
    /// The day of the visit: the form may be older than the day on which it is filled.
    visit_day: String,
    time_zone: &'static str,
    /// When the page was made, by the service's clock.
    made: String,
    note: String,
    used: Vec<FormUsed>,
    again_reason: String,
    again_by: String,
    photos: Vec<PhotoView>,
    photo_limit: usize,
    photo_megabytes: String,
    /// Where photos go without a script.
    photo_form: String,
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

/// A row for what was taken from the truck.
struct FormUsed {
    number: usize,
    class: String,
    rating: String,
    quantity: String,
    classes: Vec<FormChoice>,
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
    /// Ratings that may go in, as the service writes them; none when any may.
    fits: Vec<String>,
    /// The same in a sentence.
    fits_told: Option<String>,
    taken_at: String,
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
    let home = blocking(move || Home::to_enter(&state, &caller, id)).await?;
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
    let (entered, shared) = (fields.clone(), state.clone());
    let outcome = blocking(move || keep(&shared, &caller, id, &entered)).await?;
    match outcome {
        Ok(recorded) => {
            if recorded.new {
                let deed = Deed { action: "send result", kind: Resource::Visit, id: id.0 };
                noted(&state, caller, deed, results::audit_of(&recorded)).await?;
            }
            Ok(see_other(&format!("/technician/visit/{id}/result")))
        }
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
) -> Result<Result<Recorded, Refused>, PageError> {
    let home = Home::to_enter(state, caller, id)?;
    let technician = caller.technician.or(home.visit.technician_id);
    let parts: Vec<_> = home.parts().map(|part| &part.component).collect();
    let entered = match entry::read(fields, &parts, technician, home.branch.time_zone) {
        Ok(entered) => entered,
        Err(wrong) => return Ok(Err(Box::new((home, wrong)))),
    };
    let branch: BranchId = caller.branch;
    match results::record(state, branch, id, &entered.result, &caller.who(), caller.is_office()) {
        Ok(recorded) => Ok(Ok(recorded)),
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
            visit_day: home.visit.day.map(|day| day.to_string()).unwrap_or_default(),
            time_zone: home.branch.time_zone.name(),
            made: home.now.to_rfc3339_opts(SecondsFormat::Secs, true),
            note: text("note"),
            used: (0..entry::USED_ROWS).map(|row| FormUsed::of(row, fields)).collect(),
            again_reason: text("again.reason"),
            again_by: text("again.by"),
            photos: photo::views(home),
            photo_limit: home.photo_limit,
            photo_megabytes: words::megabytes(home.photo_limit),
            photo_form: format!("/technician/visit/{}/photos/form", home.visit.id),
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

impl FormUsed {
    fn of(row: usize, fields: &Fields) -> Self {
        let text = |what| fields.text(&entry::used_field(row, what)).unwrap_or_default().to_owned();
        let class = text("class");
        let choice = |it: &ComponentClass| FormChoice {
            value: it.as_str(),
            label: words::part(*it),
            chosen: class == it.as_str(),
        };
        Self {
            number: row,
            classes: ComponentClass::ALL.iter().map(choice).collect(),
            class,
            rating: text("rating"),
            quantity: text("quantity"),
        }
    }
}

/// The ratings that may take the place of a run capacitor whose own is known.
fn fits(part: &ComponentRecord) -> Vec<String> {
    let rating = part.rating.as_deref().filter(|_| part.class.is_run_capacitor());
    let old: Option<CapacitorRating> = rating.and_then(|text| text.parse().ok());
    old.map(|old| old.replacements().map(|new| new.to_string()).collect()).unwrap_or_default()
}

pub(super) fn about(visit: &VisitRecord) -> String {
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
        let fits = fits(record);
        let told: Vec<String> = fits.iter().map(|rating| words::rating(rating)).collect();
        Self {
            id: record.id,
            fits_told: (!told.is_empty()).then(|| told.join(" or ")),
            fits,
            taken_at: text("taken_at"),
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
