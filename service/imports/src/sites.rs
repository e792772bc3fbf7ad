//! Homes, with their days away and the person who gets the notices.

use chrono::{DateTime, NaiveDate, NaiveTime, Utc};
use hotspell_domain::{Language, SiteId};
use hotspell_store::contacts::{ContactFields, ContactRecord};
use hotspell_store::sites::{self, SiteAbsence, SiteFields, SiteRecord};
use hotspell_store::{AnyConnection, KeyedRecord, WeekdaySet};

use crate::Context;
use crate::report::{ImportRefusal, Outcome};
use crate::sync::{Fate, Synced, sync};
use crate::table::{Cells, Column, Table, optional, required};
use crate::values;

pub(crate) const COLUMNS: &[Column] = &[
    required("site"),
    required("name"),
    required("address_1"),
    optional("address_2"),
    required("city"),
    required("region"),
    required("postal_code"),
    optional("latitude"),
    optional("longitude"),
    optional("elevation_metres"),
    optional("access_notes"),
    optional("refused_weekdays"),
    optional("visit_from"),
    optional("visit_until"),
    optional("absences"),
    optional("vulnerability"),
    optional("language"),
    optional("contact_name"),
    optional("contact_email"),
    optional("contact_phone"),
    optional("contact_mail_consent"),
    optional("contact_consent_on"),
    optional("contact_consent_how"),
];

struct ContactDraft {
    name: String,
    email: Option<String>,
    phone: Option<String>,
    /// Day and how.
    consent: Option<(NaiveDate, String)>,
}

struct Draft {
    fields: SiteFields,
    absences: Vec<SiteAbsence>,
    contact: Option<ContactDraft>,
}

fn read(cells: &mut Cells<'_>, today: NaiveDate) -> Option<Draft> {
    let key = cells.required("site", values::key);
    let name = cells.required("name", values::text(200));
    let address_1 = cells.required("address_1", values::text(200));
    let city = cells.required("city", values::text(100));
    let region = cells.required("region", values::text(100));
    let postal_code = cells.required("postal_code", values::text(20));
    let position = values::position(cells, "latitude", "longitude");
    let (visit_from, visit_until) = visiting_hours(cells);
    let absences = cells
        .optional("absences", values::day_list)
        .unwrap_or_default()
        .into_iter()
        .map(|days| SiteAbsence { first_day: days.first, last_day: days.last, reason: None })
        .collect();
    let contact = contact(cells, today);
    let fields = SiteFields {
        address_2: cells.optional("address_2", values::text(200)),
        latitude_degrees: position.map(|position| position.latitude_degrees),
        longitude_degrees: position.map(|position| position.longitude_degrees),
        elevation_metres: cells.optional("elevation_metres", values::number(-500.0, 9000.0)),
        access_notes: cells.optional("access_notes", values::text(2000)),
        refused_weekdays: cells
            .optional("refused_weekdays", values::weekdays)
            .unwrap_or(WeekdaySet::NONE),
        visit_from,
        visit_until,
        vulnerability: cells.optional("vulnerability", values::text(500)),
        language: cells.optional("language", values::word).unwrap_or(Language::English),
        key: key?,
        name: name?,
        address_1: address_1?,
        city: city?,
        region: region?,
        postal_code: postal_code?,
    };
    Some(Draft { fields, absences, contact })
}

fn visiting_hours(cells: &mut Cells<'_>) -> (Option<NaiveTime>, Option<NaiveTime>) {
    let from = cells.optional("visit_from", values::time);
    let until = cells.optional("visit_until", values::time);
    if from.zip(until).is_some_and(|(from, until)| until <= from) {
        cells.refuse("visit_until", "a time after visit_from".to_owned());
    }
    (from, until)
}

fn contact(cells: &mut Cells<'_>, today: NaiveDate) -> Option<ContactDraft> {
    let name = cells.optional("contact_name", values::text(200));
    let email = cells.optional("contact_email", values::email);
    let phone = cells.optional("contact_phone", values::phone);
    let consents = cells.optional("contact_mail_consent", values::yes_no).unwrap_or(false);
    let on = cells.optional("contact_consent_on", values::past_day(today));
    let how = cells.optional("contact_consent_how", values::text(200));
    if consents {
        for column in ["contact_consent_on", "contact_consent_how"] {
            if cells.raw(column).is_empty() {
                cells.refuse(column, "a value, because contact_mail_consent is yes".to_owned());
            }
        }
    }
    if name.is_none()
        && cells.raw("contact_name").is_empty()
        && (email.is_some() || phone.is_some())
    {
        cells.refuse("contact_name", "a name for the address or phone number".to_owned());
    }
    let consent = consents.then(|| on.zip(how)).flatten();
    Some(ContactDraft { name: name?, email, phone, consent })
}

impl ContactDraft {
    /// The contact as the file wants it. What people and mail servers have said since (stopped
    /// mail, returned mail) stays; a new address is taken to be reachable.
    fn fields(&self, key: &str, site_id: SiteId, stored: Option<&ContactRecord>) -> ContactFields {
        let same_address = stored.is_some_and(|old| old.email == self.email);
        ContactFields {
            key: key.to_owned(),
            site_id,
            name: self.name.clone(),
            email: self.email.clone(),
            phone: self.phone.clone(),
            role: stored.and_then(|old| old.role.clone()),
            mail_consent: self.consent.is_some(),
            consent_at: self.consent.as_ref().map(|(day, _)| midnight(*day)),
            consent_how: self.consent.as_ref().map(|(_, how)| how.clone()),
            stopped_at: stored.and_then(|old| old.stopped_at),
            reachable_by_mail: !same_address || stored.is_none_or(|old| old.reachable_by_mail),
            unreachable_reason: stored
                .filter(|_| same_address)
                .and_then(|old| old.unreachable_reason.clone()),
        }
    }
}

/// A consent is known to the day only.
fn midnight(day: NaiveDate) -> DateTime<Utc> {
    day.and_time(NaiveTime::MIN).and_utc()
}

pub(crate) fn run(
    conn: &mut AnyConnection,
    context: &Context,
    table: &mut Table<'_>,
) -> Result<Outcome, ImportRefusal> {
    let drafts: Vec<Draft> = table
        .read(|cells| read(cells, context.today))
        .into_iter()
        .map(|(_, draft)| draft)
        .collect();
    table.check()?;
    let stored = SiteRecord::by_key(conn, context.branch)?;
    let wanted = drafts.iter().map(|draft| draft.fields.clone()).collect();
    let mut synced = sync(conn, context.branch, &stored, wanted, context.now)?;
    keep_absences(conn, context, &drafts, &mut synced)?;
    keep_contacts(conn, context, &drafts, &mut synced)?;
    let mut outcome = Outcome {
        inserted: synced.count(Fate::Inserted),
        changed: synced.count(Fate::Changed),
        unchanged: synced.count(Fate::Unchanged),
        ..Outcome::default()
    };
    let keys = |missing: fn(&Draft) -> bool| {
        drafts.iter().filter(|draft| missing(draft)).map(|draft| draft.fields.key.clone()).collect()
    };
    outcome.assume(
        "no position: travel to the site cannot be planned",
        keys(|draft| draft.fields.position().is_none()),
    );
    outcome.assume("no contact: nobody gets a notice", keys(|draft| draft.contact.is_none()));
    outcome.assume(
        "no consent to mail: notices go by phone",
        keys(|draft| draft.contact.as_ref().is_some_and(|contact| contact.consent.is_none())),
    );
    Ok(outcome)
}

fn keep_absences(
    conn: &mut AnyConnection,
    context: &Context,
    drafts: &[Draft],
    synced: &mut Synced<SiteId>,
) -> Result<(), ImportRefusal> {
    let mut stored = sites::absences(conn, context.branch, None)?;
    for draft in drafts {
        let Some((id, _)) = synced.records.get(&draft.fields.key).copied() else { continue };
        let before = stored.remove(&id).unwrap_or_default();
        // An absence with a reason was entered by a person: the file's days keep it.
        let wanted: Vec<SiteAbsence> = draft
            .absences
            .iter()
            .map(|absence| {
                let same = before.iter().find(|old| {
                    (old.first_day, old.last_day) == (absence.first_day, absence.last_day)
                });
                same.unwrap_or(absence).clone()
            })
            .collect();
        if before != wanted
            && sites::set_absences(conn, context.branch, id, &wanted)?
            && synced.also_changed(&draft.fields.key)
        {
            sites::touch(conn, context.branch, id, context.now)?;
        }
    }
    Ok(())
}

fn keep_contacts(
    conn: &mut AnyConnection,
    context: &Context,
    drafts: &[Draft],
    synced: &mut Synced<SiteId>,
) -> Result<(), ImportRefusal> {
    let stored = ContactRecord::by_key(conn, context.branch)?;
    let wanted: Vec<ContactFields> = drafts
        .iter()
        .filter_map(|draft| {
            let key = &draft.fields.key;
            let (site, _) = synced.records.get(key)?;
            // The contact of an import has the key of its site.
            Some(draft.contact.as_ref()?.fields(key, *site, stored.get(key)))
        })
        .collect();
    let contacts = sync(conn, context.branch, &stored, wanted, context.now)?;
    for (key, (_, fate)) in &contacts.records {
        if *fate == Fate::Unchanged {
            continue;
        }
        let Some((site, _)) = synced.records.get(key).copied() else { continue };
        if synced.also_changed(key) {
            sites::touch(conn, context.branch, site, context.now)?;
        }
    }
    Ok(())
}
