//! The technicians. Their shifts are the hours that the company keeps for agreement visits; the
//! rest of their week goes to calls and installations.

use chrono::NaiveDate;

use crate::days::day;
use crate::dice::Dice;
use crate::records::TechnicianRow;

/// Who could have taken a reading when.
pub(crate) struct Technician {
    pub(crate) key: &'static str,
    from: NaiveDate,
    until: Option<NaiveDate>,
}

pub(crate) fn technicians() -> Vec<Technician> {
    let someone = |key, from, until| Technician { key, from, until };
    vec![
        someone("marisol", day(2013, 1, 7), None),
        someone("dmitri", day(2014, 9, 1), None),
        someone("theo", day(2013, 1, 7), Some(day(2021, 10, 29))),
        someone("joaquin", day(2018, 3, 5), None),
        someone("amina", day(2021, 11, 8), None),
    ]
}

/// Somebody who worked here on that day.
pub(crate) fn who_came(on: NaiveDate, dice: &mut Dice) -> &'static str {
    let here: Vec<&'static str> = technicians()
        .iter()
        .filter(|t| t.from <= on && t.until.is_none_or(|until| on <= until))
        .map(|t| t.key)
        .collect();
    dice.pick(&here).unwrap_or_default()
}

pub(crate) fn rows() -> Vec<TechnicianRow> {
    let active = |key: &str| technicians().into_iter().find(|t| t.key == key);
    let row = |key: &str, name: &str, phone: &str, language: &str, skills: &str| TechnicianRow {
        technician: key.to_owned(),
        name: name.to_owned(),
        email: format!("{key}@palobrea.example.com"),
        phone: phone.to_owned(),
        language: language.to_owned(),
        skills: skills.to_owned(),
        active_from: active(key).map(|t| t.from),
        active_until: active(key).and_then(|t| t.until),
        ..TechnicianRow::default()
    };
    let home = |latitude: &str, longitude: &str| (latitude.to_owned(), longitude.to_owned());
    let on = |from_until: &str| from_until.to_owned();
    let mut rows = Vec::new();

    let mut marisol =
        row("marisol", "Marisol Quintanilla", "+16025550101", "es", "standard;heat-pump");
    (marisol.start_latitude, marisol.start_longitude) = home("33.4109", "-111.9287");
    for shift in
        [&mut marisol.monday, &mut marisol.tuesday, &mut marisol.wednesday, &mut marisol.thursday]
    {
        *shift = on("09:30-15:30");
    }
    marisol.absences = on("2025-03-10..2025-03-14");
    rows.push(marisol);

    let mut dmitri =
        row("dmitri", "Dmitri Halvorsen", "+16025550102", "en", "standard;heat-pump;large");
    (dmitri.start_latitude, dmitri.start_longitude) = home("33.6391", "-112.1604");
    for shift in [
        &mut dmitri.monday,
        &mut dmitri.tuesday,
        &mut dmitri.wednesday,
        &mut dmitri.thursday,
        &mut dmitri.friday,
    ] {
        *shift = on("07:30-12:30");
    }
    dmitri.absences = on("2025-04-07..2025-04-18");
    rows.push(dmitri);

    // Amina starts at the depot: no home position.
    let mut amina = row("amina", "Amina Castellanos", "+16025550103", "es", "standard");
    for shift in [&mut amina.tuesday, &mut amina.wednesday, &mut amina.thursday, &mut amina.friday]
    {
        *shift = on("07:00-13:00");
    }
    amina.absences = on("2025-02-27; 2025-04-25");
    rows.push(amina);

    let mut joaquin = row("joaquin", "Joaquín Abernathy", "+16025550104", "en", "standard;large");
    (joaquin.start_latitude, joaquin.start_longitude) = home("33.3342", "-112.2018");
    for shift in [&mut joaquin.monday, &mut joaquin.wednesday, &mut joaquin.friday] {
        *shift = on("08:00-16:00");
    }
    rows.push(joaquin);

    rows.push(row("theo", "Theo Nakagawa", "+16025550105", "en", "standard;large"));
    rows
}
