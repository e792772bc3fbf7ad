//! Every file obeys docs/import.md.

use std::collections::{BTreeMap, BTreeSet};

use chrono::{NaiveDate, NaiveTime};
use hotspell_domain::agreement::parse_rules;
use hotspell_domain::{
    CapacitorRating, ComponentClass, ComponentEnd, Condition, Exposure, Language, Microfarads,
    Position, Skill, UnitKind,
};

use crate::scenario::{KINDS, Known, Row, Scenario, repository_file, station_record};

fn today() -> NaiveDate {
    NaiveDate::from_ymd_opt(2025, 2, 17).unwrap()
}

/// The committed scenario and one of another seed: the law holds by construction, not by luck.
fn scenarios() -> [Scenario; 2] {
    [Scenario::committed(), Scenario::of_seed(&station_record(), 7)]
}

/// The columns that docs/import.md names for a kind.
fn documented_columns(kind: &str) -> BTreeSet<String> {
    let law = repository_file("docs/import.md");
    let section = law.split(&format!("\n## {kind}\n")).nth(1).unwrap();
    let section = section.split("\n## ").next().unwrap();
    section
        .lines()
        .filter(|line| line.starts_with("| `"))
        .flat_map(|line| line.split('|').nth(1).unwrap().split('`').skip(1).step_by(2))
        .map(str::to_owned)
        .collect()
}

fn assert_past(day: Option<NaiveDate>) {
    if let Some(day) = day {
        assert!(day <= today() && day >= NaiveDate::from_ymd_opt(1950, 1, 1).unwrap(), "{day}");
    }
}

fn assert_point(row: &Row, latitude: &str, longitude: &str) {
    match (row.number(latitude), row.number(longitude)) {
        (Some(latitude), Some(longitude)) => {
            Position::new(latitude, longitude).unwrap();
            assert!((33.30..=33.70).contains(&latitude), "{latitude}");
            assert!((-112.35..=-111.75).contains(&longitude), "{longitude}");
        }
        (None, None) => {}
        half => panic!("half a position: {half:?}"),
    }
}

fn assert_days(text: &str) {
    for stretch in text.split(';').map(str::trim).filter(|stretch| !stretch.is_empty()) {
        let (first, last) = stretch.split_once("..").unwrap_or((stretch, stretch));
        let (first, last): (NaiveDate, NaiveDate) = (first.parse().unwrap(), last.parse().unwrap());
        assert!(first <= last, "{stretch}");
    }
}

fn assert_fiction_phone(row: &Row, column: &str) {
    if let Some(phone) = row.some(column) {
        assert!(phone.starts_with("+160255501") && phone.len() == 12, "{phone}");
    }
}

#[test]
fn every_column_is_one_that_the_law_names_and_the_key_comes_first() {
    let scenario = Scenario::committed();
    for kind in KINDS {
        let documented = documented_columns(kind);
        let table = scenario.table(kind);
        for header in &table.headers {
            assert!(documented.contains(header), "{kind}: {header}");
        }
        assert_eq!(table.headers[0], kind.trim_end_matches('s'));
        assert!(!table.by_key().is_empty());
    }
}

#[test]
fn technicians_have_words_days_and_shifts_that_can_be_read() {
    for row in Scenario::committed().rows("technicians") {
        row.text("language").parse::<Language>().unwrap();
        for skill in row.text("skills").split(';') {
            skill.parse::<Skill>().unwrap();
        }
        assert_point(row, "start_latitude", "start_longitude");
        assert_days(row.text("absences"));
        assert_fiction_phone(row, "phone");
        assert!(row.text("email").ends_with("example.com"));
        for weekday in
            ["monday", "tuesday", "wednesday", "thursday", "friday", "saturday", "sunday"]
        {
            if let Some((from, until)) = row.some(weekday).and_then(|text| text.split_once('-')) {
                let time = |text| NaiveTime::parse_from_str(text, "%H:%M").unwrap();
                assert!(time(from) < time(until));
            }
        }
    }
}

#[test]
fn sites_have_addresses_and_availability_that_can_be_read() {
    for scenario in scenarios() {
        for row in scenario.rows("sites") {
            for required in ["site", "name", "address_1", "city", "region", "postal_code"] {
                assert!(row.some(required).is_some(), "{row:?}");
            }
            assert_point(row, "latitude", "longitude");
            assert_days(row.text("absences"));
            row.text("language").parse::<Language>().unwrap();
            for weekday in row.text("refused_weekdays").split(';').filter(|text| !text.is_empty()) {
                weekday.parse::<chrono::Weekday>().unwrap();
            }
            assert_eq!(row.some("visit_from").is_some(), row.some("visit_until").is_some());
            assert!(row.text("visit_from") <= row.text("visit_until"));
            assert_fiction_phone(row, "contact_phone");
            let mail = row.text("contact_email");
            assert!(
                mail.is_empty() || (mail.is_ascii() && mail.ends_with(".example.com")),
                "{mail}"
            );
            let consent = row.text("contact_mail_consent") == "yes";
            assert_eq!(consent, row.day("contact_consent_on").is_some());
            assert_eq!(consent, row.some("contact_consent_how").is_some());
            assert_past(row.day("contact_consent_on"));
        }
    }
}

#[test]
fn agreements_name_sites_owe_visits_and_do_not_overlap() {
    for scenario in scenarios() {
        let sites = scenario.table("sites").by_key();
        let mut terms: BTreeMap<&str, Vec<(NaiveDate, NaiveDate)>> = BTreeMap::new();
        for row in scenario.rows("agreements") {
            assert!(sites.contains_key(row.text("site")));
            assert!(!parse_rules(row.text("visits")).unwrap().is_empty());
            let first = row.day("first_day").unwrap();
            let last = row.day("last_day").unwrap_or(NaiveDate::MAX);
            assert!(first <= last, "{row:?}");
            terms.entry(row.text("site")).or_default().push((first, last));
        }
        assert_eq!(terms.len(), sites.len());
        for term in terms.values_mut() {
            term.sort_unstable();
            assert!(term.windows(2).all(|pair| pair[0].1 < pair[1].0), "{term:?}");
        }
    }
}

#[test]
fn units_name_sites_and_leave_after_they_came() {
    for scenario in scenarios() {
        let sites = scenario.table("sites").by_key();
        for row in scenario.rows("units") {
            assert!(sites.contains_key(row.text("site")));
            row.text("kind").parse::<UnitKind>().unwrap();
            row.text("exposure").parse::<Exposure>().unwrap();
            assert!(row.number("capacity_tons").is_none_or(|tons| (0.5..=30.0).contains(&tons)));
            assert!((100.0..=600.0).contains(&row.number("supply_volts").unwrap()));
            let known = row.some("installed_on").map(Known::read);
            assert_past(row.day("removed_on"));
            let latest = known.and_then(|known| known.latest);
            assert!(
                latest.is_none_or(|day| day <= row.day("removed_on").unwrap_or(NaiveDate::MAX))
            );
        }
    }
}

/// First and last day that a component may have been in its place.
fn span(row: &Row) -> (Option<NaiveDate>, Option<NaiveDate>) {
    let known = row.some("installed_on").map(Known::read);
    (known.and_then(|known| known.latest), row.day("ended_on"))
}

#[test]
fn components_have_ratings_that_can_be_read_and_end_after_they_began() {
    for scenario in scenarios() {
        let units = scenario.table("units").by_key();
        for row in scenario.rows("components") {
            assert!(units.contains_key(row.text("unit")), "{row:?}");
            let class: ComponentClass = row.text("class").parse().unwrap();
            if class.is_run_capacitor() {
                let rating: CapacitorRating = row.text("rating").parse().unwrap();
                assert_eq!(rating.fan.is_some(), class == ComponentClass::RunCapacitorDual);
            }
            assert!(["yes", "no"].contains(&row.text("history_complete")));
            let (installed, ended) = span(row);
            for day in [installed, ended, row.day("observed_from"), row.day("last_seen_good_on")] {
                assert_past(day);
            }
            assert!(installed.is_none_or(|day| day <= ended.unwrap_or(today())), "{row:?}");
            let observed = row.day("observed_from").or(installed);
            assert!(installed.is_none_or(|day| Some(day) <= observed), "{row:?}");
            assert!(row.day("observed_from").is_none_or(|day| day <= ended.unwrap_or(today())));
            assert_eq!(ended.is_some(), row.some("end_kind").is_some());
            if let Some(kind) = row.some("end_kind") {
                kind.parse::<ComponentEnd>().unwrap();
            }
            if let Some(seen) = row.day("last_seen_good_on") {
                assert!(
                    seen <= ended.unwrap() && installed.is_none_or(|day| day <= seen),
                    "{row:?}"
                );
            }
        }
    }
}

#[test]
fn at_any_time_one_part_lives_in_a_position_and_its_successor_fits() {
    for scenario in scenarios() {
        let by_key = scenario.table("components").by_key();
        let units = scenario.table("units").by_key();
        let mut places: BTreeMap<(&str, &str), Vec<&Row>> = BTreeMap::new();
        for row in scenario.rows("components") {
            places.entry((row.text("unit"), row.text("position"))).or_default().push(row);
            let removed = units[row.text("unit")].day("removed_on");
            assert!(
                row.day("ended_on").unwrap_or(NaiveDate::MAX) <= removed.unwrap_or(NaiveDate::MAX)
            );
            let Some(next) = row.some("replaced_by") else { continue };
            let next = by_key[next];
            for column in ["unit", "position", "class"] {
                assert_eq!(row.text(column), next.text(column));
            }
            assert_eq!(next.text("installed_on"), row.text("ended_on"));
            if let Ok(old) = row.text("rating").parse::<CapacitorRating>() {
                old.check_replacement(&next.text("rating").parse().unwrap()).unwrap();
            }
        }
        for rows in places.values() {
            let mut ends: Vec<NaiveDate> =
                rows.iter().map(|row| row.day("ended_on").unwrap_or(NaiveDate::MAX)).collect();
            ends.sort_unstable();
            assert!(ends.windows(2).all(|pair| pair[0] < pair[1]), "{rows:?}");
            for row in rows {
                let (installed, ended) = span(row);
                let ended = ended.unwrap_or(NaiveDate::MAX);
                // Whoever ended before this one had ended when this one came.
                assert!(ends.iter().filter(|end| **end < ended).all(|end| installed >= Some(*end)));
            }
        }
    }
}

#[test]
fn readings_name_parts_that_were_there_and_say_something() {
    for scenario in scenarios() {
        let components = scenario.table("components").by_key();
        let technicians = scenario.table("technicians").by_key();
        scenario.table("readings").by_key();
        for row in scenario.rows("readings") {
            let component = components[row.text("component")];
            let taken = row.day("taken_on").unwrap();
            assert_past(Some(taken));
            let (installed, ended) = span(component);
            assert!(installed.is_none_or(|day| day <= taken), "{row:?} {component:?}");
            assert!(ended.is_none_or(|day| taken <= day), "{row:?} {component:?}");
            let technician = technicians[row.text("technician")];
            assert!(technician.day("active_from").unwrap() <= taken);
            assert!(technician.day("active_until").is_none_or(|day| taken <= day));
            let dual = component.text("class") == "run-capacitor-dual";
            assert!(["", "main", "fan"].contains(&row.text("section")));
            assert!(dual || row.text("section") != "fan");
            if let Some(value) = row.number("microfarads") {
                Microfarads::new(value).unwrap();
            }
            assert_eq!(row.some("volts").is_some(), row.some("amperes").is_some());
            for condition in row.text("conditions").split(';').filter(|text| !text.is_empty()) {
                condition.parse::<Condition>().unwrap();
            }
            let says = ["microfarads", "volts", "conditions", "note"];
            assert!(says.iter().any(|column| row.some(column).is_some()), "{row:?}");
        }
    }
}
