//! A home: everything about it on one page, changed where it stands.
//!
//! What the reader must decide, mostly with a telephone at the ear: who is this, is somebody
//! promised and when, what runs there and what is weak? So the page begins with the people and the
//! next visit, then the machines with what is due; what is agreed and what happened stand beside
//! it. Corrections are made at the end, without leaving the page.

mod forms;

use actix_web::http::StatusCode;
use actix_web::{HttpRequest, HttpResponse, web};
use askama::Template;
use chrono::{Datelike, NaiveDate};
use hotspell_domain::local_time::local_day;
use hotspell_domain::{BranchId, SiteId};
use hotspell_store::agreements::{self, AgreementFilter, AgreementRecord};
use hotspell_store::branches::{self, BranchRecord};
use hotspell_store::contacts::{self, ContactFilter, ContactRecord};
use hotspell_store::sites::{self, SiteFilter, SiteRecord};
use hotspell_store::visits::{self, VisitFilter, VisitRecord};
use hotspell_store::{AnyConnection, Page, StoreError};
use serde::Deserialize;

use crate::api::caller::Caller;
use crate::api::crud;
use crate::api::handlers::contacts::Contacts;
use crate::api::handlers::sites::Sites;
use crate::api::transact::write;
use crate::api::types::contacts::ContactInput;
use crate::api::types::sites::SiteInput;
use crate::app::AppError;
use crate::app::day::{self, DayUnit};
use crate::app::letters::address_of;
use crate::pages::edit::{Form, Refused, field_name, refusal, version};
use crate::pages::forms::SessionForm;
use crate::pages::parts::{self as view, UnitView};
use crate::pages::refusal::{PageError, blocking};
use crate::pages::shell::{self, HOMES, Shell, see_other};
use crate::pages::visitor::Office;
use crate::pages::words;
use crate::state::AppState;

/// Homes of one answer to a search.
const FOUND_MAX: usize = 50;

/// What may stand behind the address.
#[derive(Debug, Default, Deserialize)]
pub(super) struct Query {
    words: Option<String>,
}

#[derive(Template)]
#[template(path = "sites.html")]
struct SitesPage {
    shell: Shell,
    words: String,
    found: Vec<(i64, String, String)>,
    more: usize,
}

/// Finds homes by name, address, key or telephone.
pub(super) async fn find(
    state: web::Data<AppState>,
    request: HttpRequest,
    office: Office,
    query: web::Query<Query>,
) -> Result<HttpResponse, PageError> {
    let caller = office.0;
    let asked = query.into_inner().words.unwrap_or_default();
    let sought = asked.to_lowercase();
    let (name, mut found) = blocking(move || {
        state.store.read(|conn| {
            let name = branches::find(conn, caller.branch)?.name.clone();
            Ok::<_, AppError>((name, matching(conn, caller.branch, &sought)?))
        })
    })
    .await?;
    let more = found.len().saturating_sub(FOUND_MAX);
    found.truncate(FOUND_MAX);
    let shell = Shell::signed_in(&request, &caller, "Homes", &name, Some(HOMES));
    shell::show(StatusCode::OK, &SitesPage { shell, words: asked, found, more })
}

fn matching(
    conn: &mut AnyConnection,
    branch: BranchId,
    sought: &str,
) -> Result<Vec<(i64, String, String)>, AppError> {
    let mut phones: std::collections::BTreeMap<SiteId, String> = std::collections::BTreeMap::new();
    for contact in contacts::list(conn, branch, &ContactFilter::default(), Page::everything())? {
        let said = [Some(contact.fields.name), contact.fields.phone, contact.fields.email];
        let text = phones.entry(contact.fields.site_id).or_default();
        text.extend(said.into_iter().flatten().map(|word| word.to_lowercase() + " "));
    }
    let mut found: Vec<_> = sites::list(conn, branch, &SiteFilter::default(), Page::everything())?
        .into_iter()
        .filter(|site| {
            let own = format!("{} {} {}", site.name, address_of(site), site.key).to_lowercase();
            let people = phones.get(&site.id).map_or("", String::as_str);
            sought.split_whitespace().all(|word| own.contains(word) || people.contains(word))
        })
        .map(|site| (site.id.0, site.name.clone(), address_of(&site)))
        .collect();
    found.sort_by(|a, b| a.1.cmp(&b.1));
    Ok(found)
}

#[derive(Template)]
#[template(path = "site.html")]
struct SitePage {
    shell: Shell,
    id: i64,
    name: String,
    address: String,
    access: Option<String>,
    vulnerability: Option<String>,
    next: String,
    people: Vec<Person>,
    units: Vec<Machine>,
    agreed: Vec<String>,
    visits: Vec<VisitRow>,
    home: Form,
}

struct Machine {
    view: UnitView,
    parts: Vec<i64>,
}

struct Person {
    id: i64,
    name: String,
    about: String,
    phone: Option<(String, String)>,
    form: Form,
}

struct VisitRow {
    id: i64,
    day: String,
    kind: &'static str,
    state: &'static str,
    why: Option<String>,
}

/// The page.
pub(super) async fn show(
    state: web::Data<AppState>,
    request: HttpRequest,
    office: Office,
    site: web::Path<i64>,
) -> Result<HttpResponse, PageError> {
    let fresh = Refusal::default();
    page(&state, &request, office.0, SiteId(site.into_inner()), &fresh, StatusCode::OK).await
}

/// A change that was refused: of the home, or of the person with this number.
#[derive(Default)]
struct Refusal {
    person: Option<i64>,
    form: Refused,
}

impl Refusal {
    /// What was refused of one form: of the home without a number, or of a person.
    fn of(&self, person: Option<i64>) -> Refused {
        if self.person == person { self.form.clone() } else { Refused::default() }
    }
}

async fn page(
    state: &web::Data<AppState>,
    request: &HttpRequest,
    caller: Caller,
    site: SiteId,
    refused: &Refusal,
    status: StatusCode,
) -> Result<HttpResponse, PageError> {
    let shared = state.clone();
    let found = blocking(move || {
        let now = shared.now();
        shared.store.read(|conn| Home::load(conn, caller.branch, site, now))
    })
    .await?;
    let shell =
        Shell::signed_in(request, &caller, &*found.site.name, &found.branch.name, Some(HOMES));
    shell::show(status, &found.page(shell, refused))
}

/// What the page reads.
struct Home {
    branch: BranchRecord,
    today: NaiveDate,
    site: SiteRecord,
    input: SiteInput,
    people: Vec<ContactRecord>,
    units: Vec<DayUnit>,
    agreements: Vec<AgreementRecord>,
    /// Newest first.
    visits: Vec<VisitRecord>,
}

impl Home {
    fn load(
        conn: &mut AnyConnection,
        branch: BranchId,
        id: SiteId,
        now: chrono::DateTime<chrono::Utc>,
    ) -> Result<Self, PageError> {
        let record = branches::find(conn, branch)?;
        let today = local_day(now, record.time_zone);
        let site = match sites::find(conn, branch, id) {
            Ok(site) => site,
            Err(StoreError::NotFound(_)) => return Err(PageError::nothing("home")),
            Err(error) => return Err(error.into()),
        };
        let people = ContactFilter { site: Some(id), ..ContactFilter::default() };
        let agreed = AgreementFilter { site: Some(id), ..AgreementFilter::default() };
        let came = VisitFilter { site: Some(id), ..VisitFilter::default() };
        let mut visits = visits::list(conn, branch, &came, Page::everything())?;
        visits.sort_by_key(|visit| std::cmp::Reverse(visit.day.unwrap_or(visit.within_first)));
        Ok(Self {
            input: site_input(conn, &site)?,
            people: contacts::list(conn, branch, &people, Page::everything())?,
            units: day::units_at(conn, &record, id, today)?,
            agreements: agreements::list(conn, branch, &agreed, Page::everything())?,
            visits,
            branch: record,
            today,
            site,
        })
    }

    fn page(&self, shell: Shell, refused: &Refusal) -> SitePage {
        let hertz = self.branch.mains_hertz;
        let home = refused.of(None);
        SitePage {
            shell,
            id: self.site.id.0,
            name: self.site.name.clone(),
            address: address_of(&self.site),
            access: self.site.access_notes.clone(),
            vulnerability: self.site.vulnerability.clone(),
            next: self.next(),
            people: self.people.iter().map(|person| person_view(person, refused)).collect(),
            units: self
                .units
                .iter()
                .map(|unit| Machine {
                    view: view::unit(unit, hertz),
                    parts: unit.parts.iter().map(|part| part.component.id.0).collect(),
                })
                .collect(),
            agreed: self.agreements.iter().map(|it| self.agreed(it)).collect(),
            visits: self.visits.iter().map(visit_row).collect(),
            home: home.form(
                "home-",
                Some(self.site.version),
                forms::home_fields(&self.input, &home),
            ),
        }
    }

    /// The next visit, in a sentence.
    fn next(&self) -> String {
        let to_come = self.visits.iter().rev().find(|visit| {
            visit.state.holds_a_place() && visit.day.is_some_and(|day| day >= self.today)
        });
        let Some(visit) = to_come else {
            return "No visit has a day now.".to_owned();
        };
        let day = visit.day.map(words::full_day).unwrap_or_default();
        let window = visit
            .starts
            .zip(visit.ends)
            .map_or_else(String::new, |(from, to)| format!(", {}", words::window(from, to)));
        format!("Next: {}, {day}{window} ({})", words::visit(visit.kind), words::state(visit.state))
    }

    fn agreed(&self, agreement: &AgreementRecord) -> String {
        let rules: Vec<String> = agreement
            .rules
            .iter()
            .filter_map(|rule| {
                let days = rule.window.beginning_in(self.today.year())?;
                let (from, until) = (words::date(days.first), words::date(days.last));
                Some(format!("{} between {from} and {until}", words::visit(rule.kind)))
            })
            .collect();
        let term = match agreement.last_day {
            None => format!("since {}", words::past(agreement.first_day)),
            Some(last) if last < self.today => format!("ended {}", words::past(last)),
            Some(last) => {
                format!("{} to {}", words::past(agreement.first_day), words::past(last))
            }
        };
        format!("{}, {term}: {}", agreement.key, rules.join("; "))
    }
}

fn site_input(conn: &mut AnyConnection, site: &SiteRecord) -> Result<SiteInput, StoreError> {
    let absences = sites::absences(conn, site.branch_id, Some(site.id))?.remove(&site.id);
    Ok(SiteInput::of(site, absences.unwrap_or_default()))
}

fn person_view(person: &ContactRecord, refused: &Refusal) -> Person {
    let refused = refused.of(Some(person.id.0));
    let fields = &person.fields;
    let mail = match (&fields.email, person.may_be_mailed()) {
        (None, _) => "no mail address".to_owned(),
        (Some(email), true) => format!("{email}, notices by mail"),
        (Some(email), false) => match (&fields.unreachable_reason, fields.stopped_at) {
            (_, Some(_)) => format!("{email}, has stopped the mail: call"),
            (Some(why), None) => format!("{email}, mail does not arrive ({why}): call"),
            (None, None) => format!("{email}, has not agreed to mail: call"),
        },
    };
    let role = fields.role.as_ref().map(|role| format!("{role}; ")).unwrap_or_default();
    Person {
        id: person.id.0,
        name: fields.name.clone(),
        about: format!("{role}{mail}"),
        phone: fields.phone.clone().map(|phone| (words::dialable(&phone), phone)),
        form: refused.form(
            format!("person{}-", person.id),
            Some(person.version),
            forms::person_fields(&ContactInput::from(fields), &refused),
        ),
    }
}

fn visit_row(visit: &VisitRecord) -> VisitRow {
    VisitRow {
        id: visit.id.0,
        day: visit.day.map_or_else(
            || format!("{} to {}", words::past(visit.within_first), words::past(visit.within_last)),
            words::past,
        ),
        kind: words::visit(visit.kind),
        state: words::state(visit.state),
        why: visit.reason.clone(),
    }
}

/// Takes a change of the home.
pub(super) async fn change_home(
    state: web::Data<AppState>,
    request: HttpRequest,
    office: Office,
    site: web::Path<i64>,
    SessionForm(sent): SessionForm,
) -> Result<HttpResponse, PageError> {
    let (caller, id, now) = (office.0, site.into_inner(), state.now());
    let (expected, fields) = (version(&sent), sent.clone());
    let outcome = write(&state, move |conn| {
        let before = crud::reach::<Sites>(conn, &caller, id)?;
        expected.check(before.version)?;
        let stored = site_input(conn, &before)?;
        match forms::changed_home(stored, &fields) {
            Ok(input) => crud::replace::<Sites>(conn, &caller, before, &input, now).map(|_| Ok(())),
            Err(wrong) => Ok(Err(wrong)),
        }
    })
    .await;
    let refused = match refusal(outcome, field_name)? {
        Ok(()) => return Ok(see_other(&format!("{}/{id}", HOMES.path))),
        Err(wrong) => Refusal { person: None, form: Refused { sent: Some(sent), wrong } },
    };
    page(&state, &request, caller, SiteId(id), &refused, StatusCode::UNPROCESSABLE_ENTITY).await
}

/// Takes a change of a person.
pub(super) async fn change_person(
    state: web::Data<AppState>,
    request: HttpRequest,
    office: Office,
    place: web::Path<(i64, i64)>,
    SessionForm(sent): SessionForm,
) -> Result<HttpResponse, PageError> {
    let (caller, (site, id), now) = (office.0, place.into_inner(), state.now());
    let (expected, fields) = (version(&sent), sent.clone());
    let outcome = write(&state, move |conn| {
        let before = crud::reach::<Contacts>(conn, &caller, id)?;
        expected.check(before.version)?;
        let input = forms::changed_person(ContactInput::from(&before.fields), &fields);
        crud::replace::<Contacts>(conn, &caller, before, &input, now)
    })
    .await;
    let refused = match refusal(outcome.map(|_| Ok(())), field_name)? {
        Ok(()) => return Ok(see_other(&format!("{}/{site}", HOMES.path))),
        Err(wrong) => Refusal { person: Some(id), form: Refused { sent: Some(sent), wrong } },
    };
    page(&state, &request, caller, SiteId(site), &refused, StatusCode::UNPROCESSABLE_ENTITY).await
}
