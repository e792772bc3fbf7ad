//! From a stored home or person to the fields of its form, and back.

use crate::api::types::contacts::ContactInput;
use crate::api::types::sites::SiteInput;
use crate::pages::edit::{Field, Reading, Refused, Wrong, shown_degrees, shown_time};
use crate::pages::forms::Fields;

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
    let degrees = |pick| shown_degrees(home.position, pick);
    match name {
        "name" => home.name.clone(),
        "address_1" => home.address_1.clone(),
        "address_2" => home.address_2.clone().unwrap_or_default(),
        "city" => home.city.clone(),
        "region" => home.region.clone(),
        "postal_code" => home.postal_code.clone(),
        "latitude" => degrees(|at| at.latitude_degrees),
        "longitude" => degrees(|at| at.longitude_degrees),
        "visit_from" => shown_time(home.visit_from),
        "visit_until" => shown_time(home.visit_until),
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

/// The form of a home: with what was sent, if something was wrong with it.
pub(super) fn home_fields(home: &SiteInput, refused: &Refused) -> Vec<Field> {
    let mut fields: Vec<Field> = HOME
        .iter()
        .map(|(name, label)| {
            let field = refused.line(*name, *label, stored_home(home, name));
            if *name == "access_notes" { field.long() } else { field }
        })
        .collect();
    fields.push(refused.choice(
        "language",
        "Language of its notices",
        &[("en", "English"), ("es", "Spanish")],
        home.language.as_str(),
    ));
    fields
}

/// The form of a person.
pub(super) fn person_fields(person: &ContactInput, refused: &Refused) -> Vec<Field> {
    PERSON
        .iter()
        .map(|(name, label)| refused.line(*name, *label, stored_person(person, name)))
        .collect()
}

/// The home as it was sent.
///
/// # Errors
/// What cannot be read, by field.
pub(super) fn changed_home(mut home: SiteInput, sent: &Fields) -> Result<SiteInput, Wrong> {
    let mut read = Reading::of(sent);
    (home.visit_from, home.visit_until) = (read.time("visit_from"), read.time("visit_until"));
    home.position = read.position();
    home.language = read.word("language", home.language);
    home.name = read.text("name");
    home.address_1 = read.text("address_1");
    home.address_2 = read.maybe("address_2");
    home.city = read.text("city");
    home.region = read.text("region");
    home.postal_code = read.text("postal_code");
    home.vulnerability = read.maybe("vulnerability");
    home.access_notes = read.maybe("access_notes");
    read.finish(home)
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
