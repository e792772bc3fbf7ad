//! From a stored home or person to the fields of its form, and back.

use std::collections::BTreeMap;

use chrono::NaiveTime;
use hotspell_domain::{Language, Position};

use crate::api::error::ApiError;
use crate::api::types::contacts::ContactInput;
use crate::api::types::sites::SiteInput;
use crate::pages::forms::Fields;

/// What is wrong, by field; what belongs to none stands under the empty name.
pub(super) type Wrong = BTreeMap<String, String>;

/// A field of a form.
pub(super) struct Field {
    /// Its name.
    pub(super) name: &'static str,
    /// What it is called.
    pub(super) label: &'static str,
    /// What is in it.
    pub(super) value: String,
    /// What is wrong with it.
    pub(super) wrong: Option<String>,
    /// Whether it takes several lines.
    pub(super) long: bool,
}

/// Fields of a home that the page changes; all else of it stays as it is.
const HOME: [(&str, &str); 12] = [
    ("name", "Household"),
    ("address_1", "Street and number"),
    ("address_2", "Second line"),
    ("city", "City"),
    ("region", "State or region"),
    ("postal_code", "Postal code"),
    ("latitude", "Latitude, degrees north"),
    ("longitude", "Longitude, degrees east"),
    ("visit_from", "Nobody before, such as 08:00"),
    ("visit_until", "Nobody after, such as 17:00"),
    ("vulnerability", "What the household said: who suffers most in the heat"),
    ("access_notes", "Access: gate, dog, key"),
];

/// Fields of a person that the page changes.
const PERSON: [(&str, &str); 4] =
    [("name", "Name"), ("email", "Mail address"), ("phone", "Telephone"), ("role", "Role")];

fn stored_home(home: &SiteInput, name: &str) -> String {
    let time = |time: Option<NaiveTime>| {
        time.map(|time| time.format("%H:%M").to_string()).unwrap_or_default()
    };
    let degrees = |pick: fn(&Position) -> f64| {
        home.position.as_ref().map(|at| pick(at).to_string()).unwrap_or_default()
    };
    match name {
        "name" => home.name.clone(),
        "address_1" => home.address_1.clone(),
        "address_2" => home.address_2.clone().unwrap_or_default(),
        "city" => home.city.clone(),
        "region" => home.region.clone(),
        "postal_code" => home.postal_code.clone(),
        "latitude" => degrees(|at| at.latitude_degrees),
        "longitude" => degrees(|at| at.longitude_degrees),
        "visit_from" => time(home.visit_from),
        "visit_until" => time(home.visit_until),
        "vulnerability" => home.vulnerability.clone().unwrap_or_default(),
        _ => home.access_notes.clone().unwrap_or_default(),
    }
}

fn stored_person(person: &ContactInput, name: &str) -> String {
    match name {
        "name" => person.name.clone(),
        "email" => person.email.clone().unwrap_or_default(),
        "phone" => person.phone.clone().unwrap_or_default(),
        _ => person.role.clone().unwrap_or_default(),
    }
}

fn fields(
    names: &[(&'static str, &'static str)],
    stored: impl Fn(&str) -> String,
    sent: Option<&Fields>,
    wrong: &Wrong,
) -> Vec<Field> {
    let field = |(name, label): &(&'static str, &'static str)| Field {
        name,
        label,
        value: match sent {
            Some(sent) => sent.text(name).unwrap_or_default().to_owned(),
            None => stored(name),
        },
        wrong: wrong.get(*name).cloned(),
        long: *name == "access_notes",
    };
    names.iter().map(field).collect()
}

/// The form of a home: with what was sent, if something was wrong with it.
pub(super) fn home_fields(home: &SiteInput, sent: Option<&Fields>, wrong: &Wrong) -> Vec<Field> {
    fields(&HOME, |name| stored_home(home, name), sent, wrong)
}

/// The form of a person.
pub(super) fn person_fields(
    person: &ContactInput,
    sent: Option<&Fields>,
    wrong: &Wrong,
) -> Vec<Field> {
    fields(&PERSON, |name| stored_person(person, name), sent, wrong)
}

/// The home as it was sent.
///
/// # Errors
/// What cannot be read, by field.
pub(super) fn changed_home(mut home: SiteInput, sent: &Fields) -> Result<SiteInput, Wrong> {
    let mut wrong = Wrong::new();
    let text = |name: &str| sent.text(name).map(str::to_owned);
    let mut time = |name: &str| {
        let text = sent.text(name)?;
        let read = NaiveTime::parse_from_str(text, "%H:%M").ok();
        if read.is_none() {
            wrong.insert(name.to_owned(), format!("«{text}» is no time; write such as 08:00."));
        }
        read
    };
    (home.visit_from, home.visit_until) = (time("visit_from"), time("visit_until"));
    let mut degrees = |name: &str| {
        sent.number(name).unwrap_or_else(|why| {
            wrong.insert(name.to_owned(), format!("{why}."));
            None
        })
    };
    let (north, east) = (degrees("latitude"), degrees("longitude"));
    home.position = match (north, east) {
        (Some(latitude_degrees), Some(longitude_degrees)) => {
            Some(Position { latitude_degrees, longitude_degrees })
        }
        (None, None) => None,
        _ => {
            wrong
                .entry("latitude".to_owned())
                .or_insert_with(|| "Give latitude and longitude together, or neither.".to_owned());
            None
        }
    };
    home.name = text("name").unwrap_or_default();
    home.address_1 = text("address_1").unwrap_or_default();
    home.address_2 = text("address_2");
    home.city = text("city").unwrap_or_default();
    home.region = text("region").unwrap_or_default();
    home.postal_code = text("postal_code").unwrap_or_default();
    home.vulnerability = text("vulnerability");
    home.access_notes = text("access_notes");
    if let Some(language) = sent.text("language") {
        match language.parse::<Language>() {
            Ok(language) => home.language = language,
            Err(error) => drop(wrong.insert("language".to_owned(), format!("{error}."))),
        }
    }
    if wrong.is_empty() { Ok(home) } else { Err(wrong) }
}

/// The person as it was sent.
pub(super) fn changed_person(mut person: ContactInput, sent: &Fields) -> ContactInput {
    let text = |name: &str| sent.text(name).map(str::to_owned);
    // A new address has not failed yet.
    if text("email") != person.email {
        (person.reachable_by_mail, person.unreachable_reason) = (true, None);
    }
    person.name = text("name").unwrap_or_default();
    person.email = text("email");
    person.phone = text("phone");
    person.role = text("role");
    person
}

/// The refusal of a change, by the form's field.
pub(super) fn blame(refused: &ApiError) -> Wrong {
    let mut wrong: Wrong = refused
        .field_errors()
        .iter()
        .map(|field| {
            let name = match field.pointer.trim_start_matches('/').split('/').next() {
                Some("position") => "latitude",
                Some(name) => name,
                None => "",
            };
            (name.to_owned(), format!("{}.", field.detail))
        })
        .collect();
    if wrong.is_empty() {
        wrong.insert(String::new(), format!("{}.", refused.detail()));
    }
    wrong
}
