//! Homes, with their days away and the person who gets the notices.

use std::collections::HashMap;

use chrono::{DateTime, NaiveDate, NaiveTime, Utc};
use hotspell_domain::{Language, SiteId};
use hotspell_store::contacts::{ContactFields, ContactRecord};
use hotspell_store::sites::{self, SiteAbsence, SiteFields, SiteRecord};
use hotspell_store::{AnyConnection, KeyedRecord, WeekdaySet};

use crate::context::Context;
use crate::report::{ImportRefusal, Outcome};
use crate::sync::{Fate, Synced, sync};
use crate::table::{Cells, Column, Table, optional, required};
use crate::values::{self, LINE_MAX, NOTE_MAX};

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
    let name = cells.required("name", values::text(LINE_MAX));
    let address_1 = cells.required("address_1", values::text(LINE_MAX));
    let city = cells.required("city", values::text(LINE_MAX));
    let region = cells.required("region", values::text(LINE_MAX));
    let postal_code = cells.required("postal_code", values::text(LINE_MAX));
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
        address_2: cells.optional("address_2", values::text(LINE_MAX)),
        latitude_degrees: position.map(|position| position.latitude_degrees),
        longitude_degrees: position.map(|position| position.longitude_degrees),
        elevation_metres: cells.optional("elevation_metres", values::number(-500.0, 9000.0)),
        access_notes: cells.optional("access_notes", values::text(NOTE_MAX)),
        refused_weekdays: cells
            .optional("refused_weekdays", values::weekdays)
            .unwrap_or(WeekdaySet::NONE),
        visit_from,
        visit_until,
        vulnerability: cells.optional("vulnerability", values::text(NOTE_MAX)),
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
    let name = cells.optional("contact_name", values::text(LINE_MAX));
    let email = cells.optional("contact_email", values::email);
    let phone = cells.optional("contact_phone", values::phone);
    let consents = cells.optional("contact_mail_consent", values::yes_no).unwrap_or(false);
    let on = cells.optional("contact_consent_on", values::past_day(today));
    let how = cells.optional("contact_consent_how", values::text(LINE_MAX));
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
        let consent = self.consent_beside(stored);
        ContactFields {
            key: key.to_owned(),
            site_id,
            name: self.name.clone(),
            email: self.email.clone(),
            phone: self.phone.clone(),
            role: stored.and_then(|old| old.role.clone()),
            mail_consent: consent.given,
            consent_at: consent.at,
            consent_how: consent.how,
            stopped_at: stored.and_then(|old| old.stopped_at),
            reachable_by_mail: !same_address || stored.is_none_or(|old| old.reachable_by_mail),
            unreachable_reason: stored
                .filter(|_| same_address)
                .and_then(|old| old.unreachable_reason.clone()),
        }
    }
}

struct Consent {
    given: bool,
    at: Option<DateTime<Utc>>,
    how: Option<String>,
}

impl ContactDraft {
    /// The consent as the file wants it. What is stored stays where the file says the same less
    /// exactly: the day of a consent whose moment is known, and no consent for a person who gave
    /// none or has stopped the mail.
    fn consent_beside(&self, stored: Option<&ContactRecord>) -> Consent {
        let keep = stored.filter(|old| match &self.consent {
            Some((day, how)) => {
                old.mail_consent
                    && old.consent_at.is_some_and(|at| at.date_naive() == *day)
                    && old.consent_how.as_ref() == Some(how)
            }
            None => !old.mail_consent || old.stopped_at.is_some(),
        });
        match (keep, &self.consent) {
            (Some(old), _) => Consent {
                given: old.mail_consent,
                at: old.consent_at,
                how: old.consent_how.clone(),
            },
            (None, None) => Consent { given: false, at: None, how: None },
            (None, Some((day, how))) => {
                Consent { given: true, at: Some(midnight(*day)), how: Some(how.clone()) }
            }
        }
    }
}

/// The person of each home of whom a file of homes speaks: the one with the home's key, as an
/// import makes it, else the first one. `keys` are those of the homes.
pub(crate) fn spoken_of<'a>(
    contacts: impl IntoIterator<Item = &'a ContactRecord>,
    keys: &HashMap<SiteId, &str>,
) -> HashMap<SiteId, &'a ContactRecord> {
    let mut found: HashMap<SiteId, &ContactRecord> = HashMap::new();
    let rank = |contact: &ContactRecord| {
        (keys.get(&contact.site_id).copied() != Some(contact.key.as_str()), contact.id)
    };
    for contact in contacts {
        let best = found.entry(contact.site_id).or_insert(contact);
        if rank(contact) < rank(best) {
            *best = contact;
        }
    }
    found
}

/// A consent is known to the day only.
fn midnight(day: NaiveDate) -> DateTime<Utc> {
    day.and_time(NaiveTime::MIN).and_utc()
}

pub(crate) fn run(
    conn: &mut AnyConnection,
    context: &Context<'_>,
    table: &mut Table<'_>,
) -> Result<Outcome, ImportRefusal> {
    let drafts: Vec<Draft> = table
        .read(context, |cells| read(cells, context.today))?
        .into_iter()
        .map(|(_, draft)| draft)
        .collect();
    table.check()?;
    let stored = SiteRecord::by_key(conn, context.branch)?;
    let wanted = drafts.iter().map(|draft| draft.fields.clone()).collect();
    let mut synced = sync(conn, context, &stored, wanted)?;
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
    context: &Context<'_>,
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
    context: &Context<'_>,
    drafts: &[Draft],
    synced: &mut Synced<SiteId>,
) -> Result<(), ImportRefusal> {
    let stored = ContactRecord::by_key(conn, context.branch)?;
    let keys: HashMap<SiteId, &str> =
        synced.records.iter().map(|(key, (site, _))| (*site, key.as_str())).collect();
    let of_site = spoken_of(stored.values(), &keys);
    let wanted: Vec<ContactFields> = drafts
        .iter()
        .filter_map(|draft| {
            let (site, _) = synced.records.get(&draft.fields.key)?;
            let old = of_site.get(site).copied();
            // A contact that an import makes has the key of its site.
            let key = old.map_or(&draft.fields.key, |old| &old.key);
            Some(draft.contact.as_ref()?.fields(key, *site, old))
        })
        .collect();
    let homes: HashMap<String, (String, SiteId)> = wanted
        .iter()
        .filter_map(|contact| {
            let home = (*keys.get(&contact.site_id)?).to_owned();
            Some((contact.key.clone(), (home, contact.site_id)))
        })
        .collect();
    let contacts = sync(conn, context, &stored, wanted)?;
    for (key, (_, fate)) in &contacts.records {
        if *fate == Fate::Unchanged {
            continue;
        }
        let Some((home, site)) = homes.get(key) else { continue };
        if synced.also_changed(home) {
            sites::touch(conn, context.branch, *site, context.now)?;
        }
    }
    Ok(())
}
