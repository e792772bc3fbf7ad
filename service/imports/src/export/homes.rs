//! Technicians, homes with their person, and what is owed to them.

use std::collections::HashMap;
use std::io::Write;

use hotspell_domain::{BranchId, SiteId};
use hotspell_store::agreements::{self, AgreementFilter};
use hotspell_store::contacts::{self, ContactFilter, ContactRecord};
use hotspell_store::sites::{self, SiteFilter, SiteRecord};
use hotspell_store::technicians::{self, TechnicianFilter};
use hotspell_store::{AnyConnection, Page, StoreError};

use super::{ExportError, Sheet, cells, paged};
use crate::sites::spoken_of;
use crate::technicians::WEEKDAYS;

pub(super) fn technicians(
    conn: &mut AnyConnection,
    branch: BranchId,
    sheet: &mut Sheet<impl Write>,
) -> Result<(), ExportError> {
    // An office has some dozens of them.
    let people = technicians::list(conn, branch, &TechnicianFilter::default(), Page::everything())?;
    let mut skills = technicians::skills(conn, branch, None)?;
    let mut shifts = technicians::shifts(conn, branch, None)?;
    let mut absences = technicians::absences(conn, branch, None)?;
    for person in people {
        let own = skills.remove(&person.id).unwrap_or_default();
        let away = absences.remove(&person.id).unwrap_or_default();
        let mut row = vec![
            ("technician", cells::text(&person.key)),
            ("name", cells::text(&person.name)),
            ("email", cells::note(person.email.as_ref())),
            ("phone", cells::plain(person.phone.as_ref())),
            ("language", person.language.to_string()),
            ("skills", cells::words(own.iter().map(|item| item.skill))),
            ("start_latitude", cells::plain(person.start_latitude_degrees)),
            ("start_longitude", cells::plain(person.start_longitude_degrees)),
            ("absences", cells::days(away.iter().map(|item| (item.first_day, item.last_day)))),
            ("active_from", cells::plain(person.active_from)),
            ("active_until", cells::plain(person.active_until)),
        ];
        for shift in shifts.remove(&person.id).unwrap_or_default() {
            let column = usize::try_from(shift.weekday).ok().and_then(|day| WEEKDAYS.get(day));
            let hours = format!("{}-{}", cells::time(shift.starts), cells::time(shift.ends));
            row.extend(column.map(|column| (*column, hours)));
        }
        sheet.row(&row)?;
    }
    Ok(())
}

pub(super) fn sites(
    conn: &mut AnyConnection,
    branch: BranchId,
    sheet: &mut Sheet<impl Write>,
) -> Result<(), ExportError> {
    let list =
        |conn: &mut AnyConnection, page| sites::list(conn, branch, &SiteFilter::default(), page);
    paged(
        conn,
        list,
        |site| site.id.0,
        |conn, homes| {
            let people = people_of(conn, branch, &homes)?;
            let keys = homes.iter().map(|home| (home.id, home.key.as_str())).collect();
            let spoken = spoken_of(&people, &keys);
            for home in &homes {
                let mut row = home_row(conn, branch, home)?;
                if let Some(person) = spoken.get(&home.id) {
                    row.extend(person_row(person));
                }
                sheet.row(&row)?;
            }
            Ok(())
        },
    )
}

fn people_of(
    conn: &mut AnyConnection,
    branch: BranchId,
    homes: &[SiteRecord],
) -> Result<Vec<ContactRecord>, StoreError> {
    let filter = ContactFilter {
        sites: Some(homes.iter().map(|home| home.id).collect()),
        ..ContactFilter::default()
    };
    contacts::list(conn, branch, &filter, Page::everything())
}

type Row = Vec<(&'static str, String)>;

fn home_row(
    conn: &mut AnyConnection,
    branch: BranchId,
    home: &SiteRecord,
) -> Result<Row, StoreError> {
    let away = sites::absences(conn, branch, Some(home.id))?.remove(&home.id).unwrap_or_default();
    Ok(vec![
        ("site", cells::text(&home.key)),
        ("name", cells::text(&home.name)),
        ("address_1", cells::text(&home.address_1)),
        ("address_2", cells::note(home.address_2.as_ref())),
        ("city", cells::text(&home.city)),
        ("region", cells::text(&home.region)),
        ("postal_code", cells::text(&home.postal_code)),
        ("latitude", cells::plain(home.latitude_degrees)),
        ("longitude", cells::plain(home.longitude_degrees)),
        ("elevation_metres", cells::plain(home.elevation_metres)),
        ("access_notes", cells::note(home.access_notes.as_ref())),
        ("refused_weekdays", cells::weekdays(home.refused_weekdays)),
        ("visit_from", cells::plain(home.visit_from.map(cells::time))),
        ("visit_until", cells::plain(home.visit_until.map(cells::time))),
        ("absences", cells::days(away.iter().map(|item| (item.first_day, item.last_day)))),
        ("vulnerability", cells::note(home.vulnerability.as_ref())),
        ("language", home.language.to_string()),
    ])
}

/// A person who has stopped the mail is written as one without consent, so that no other branch
/// or program writes to them.
fn person_row(person: &ContactRecord) -> Row {
    let consents = person.mail_consent && person.stopped_at.is_none();
    let mut row = vec![
        ("contact_name", cells::text(&person.name)),
        ("contact_email", cells::note(person.email.as_ref())),
        ("contact_phone", cells::plain(person.phone.as_ref())),
        ("contact_mail_consent", cells::yes_no(consents)),
    ];
    if consents {
        let day = person.consent_at.map(|at| at.date_naive());
        row.push(("contact_consent_on", cells::plain(day)));
        row.push(("contact_consent_how", cells::note(person.consent_how.as_ref())));
    }
    row
}

pub(super) fn agreements(
    conn: &mut AnyConnection,
    branch: BranchId,
    sheet: &mut Sheet<impl Write>,
) -> Result<(), ExportError> {
    let homes: HashMap<SiteId, String> =
        sites::ids_by_key(conn, branch)?.into_iter().map(|(key, id)| (id, key)).collect();
    let list = |conn: &mut AnyConnection, page| {
        agreements::list(conn, branch, &AgreementFilter::default(), page)
    };
    paged(
        conn,
        list,
        |agreement| agreement.id.0,
        |_, page| {
            for agreement in page {
                let rules: Vec<String> = agreement.rules.iter().map(ToString::to_string).collect();
                sheet.row(&[
                    ("agreement", cells::text(&agreement.key)),
                    ("site", cells::note(homes.get(&agreement.site_id))),
                    ("first_day", agreement.first_day.to_string()),
                    ("last_day", cells::plain(agreement.last_day)),
                    ("visits", rules.join("; ")),
                ])?;
            }
            Ok(())
        },
    )
}
