//! The scenario is as large and as true to life as it claims (seed/README.md).

use std::collections::BTreeMap;

use chrono::{Datelike, NaiveDate};
use hotspell_domain::agreement::parse_rules;
use hotspell_domain::{DateRange, visits_owed};

use crate::scenario::{KINDS, Known, Row, Scenario, repository_file, station_record};

fn day(text: &str) -> NaiveDate {
    text.parse().unwrap()
}

fn living(rows: &[Row], end: &str) -> usize {
    rows.iter().filter(|row| row.some(end).is_none()).count()
}

fn is_capacitor(row: &Row) -> bool {
    row.text("class").starts_with("run-capacitor")
}

#[test]
fn the_contract_base_has_its_size() {
    let scenario = Scenario::committed();
    let today = day("2025-02-17");
    let running = scenario
        .rows("agreements")
        .iter()
        .filter(|row| row.day("first_day").unwrap() <= today)
        .filter(|row| row.day("last_day").is_none_or(|last| last >= today))
        .count();
    assert_eq!(running, 400);
    let units = living(scenario.rows("units"), "removed_on");
    assert!((510..=570).contains(&units), "{units}");
    let components = living(scenario.rows("components"), "ended_on");
    assert!((2_000..=2_600).contains(&components), "{components}");
    let past = scenario.rows("components").len() - components;
    assert!((500..=1_200).contains(&past), "{past}");
    let bytes: usize =
        KINDS.iter().map(|kind| repository_file(&format!("seed/demo/{kind}.csv")).len()).sum();
    assert!(bytes < 3_000_000, "{bytes}");
}

#[test]
fn the_spring_owes_about_one_visit_a_home() {
    let scenario = Scenario::committed();
    let horizon = DateRange::new(day("2025-02-24"), day("2025-05-09")).unwrap();
    let owed: usize = scenario
        .rows("agreements")
        .iter()
        .map(|row| {
            let rules = parse_rules(row.text("visits")).unwrap();
            visits_owed(&rules, row.day("first_day").unwrap(), row.day("last_day"), horizon).len()
        })
        .sum();
    assert!((380..=410).contains(&owed), "{owed}");
}

#[test]
fn what_a_planner_must_cope_with_is_there_and_stays_rare() {
    let scenario = Scenario::committed();
    let sites = scenario.rows("sites");
    let count = |filter: &dyn Fn(&Row) -> bool| sites.iter().filter(|row| filter(row)).count();
    let without = |column: &str| count(&|row| row.some(column).is_none());
    let figures = [
        ("without position", without("latitude"), 3..=12),
        ("without contact", without("contact_name"), 2..=12),
        ("vulnerable", sites.len() - without("vulnerability"), 12..=40),
        ("Spanish", count(&|row| row.text("language") == "es"), 70..=130),
        ("refuse weekdays", sites.len() - without("refused_weekdays"), 80..=150),
        ("away", sites.len() - without("absences"), 50..=110),
        ("part of the day", sites.len() - without("visit_from"), 140..=230),
    ];
    for (what, found, expected) in figures {
        assert!(expected.contains(&found), "{what}: {found}");
    }
    let parts = scenario.rows("components");
    let unknown = parts.iter().filter(|row| row.some("installed_on").is_none()).count();
    assert!((5..=60).contains(&unknown), "without install day: {unknown}");
    let unsaid = parts.iter().filter(|row| row.some("observed_from").is_none()).count();
    assert!((40..=200).contains(&unsaid), "without first day of watching: {unsaid}");
}

/// Capacitors in service on 15 May of each year and how many failed before 1 October, by their age
/// in whole years.
fn summers(scenario: &Scenario) -> BTreeMap<i64, (f64, f64)> {
    let mut by_age: BTreeMap<i64, (f64, f64)> = BTreeMap::new();
    for row in scenario.rows("components").iter().filter(|row| is_capacitor(row)) {
        let installed = row.some("installed_on").and_then(|text| Known::read(text).middle());
        let (Some(installed), Some(observed)) = (installed, row.day("observed_from")) else {
            continue;
        };
        let ended = row.day("ended_on").unwrap_or(NaiveDate::MAX);
        for year in 2014..=2024 {
            let first = NaiveDate::from_ymd_opt(year, 5, 15).unwrap();
            if observed > first || installed > first || ended <= first {
                continue;
            }
            let last = NaiveDate::from_ymd_opt(year, 10, 1).unwrap();
            let failed = row.text("end_kind") == "failed" && ended < last;
            let entry = by_age.entry((first - installed).num_days() / 365).or_default();
            entry.0 += 1.0;
            entry.1 += f64::from(u8::from(failed));
        }
    }
    by_age
}

fn share(by_age: &BTreeMap<i64, (f64, f64)>, ages: std::ops::Range<i64>) -> f64 {
    let (at_risk, failed) =
        by_age.range(ages).fold((0.0, 0.0), |sum, (_, entry)| (sum.0 + entry.0, sum.1 + entry.1));
    failed / at_risk
}

// Common practice, no source: run capacitors last about five to ten years.
#[test]
fn four_to_eight_percent_of_the_capacitors_of_typical_age_fail_in_a_summer() {
    let by_age = summers(&Scenario::committed());
    let typical = share(&by_age, 4..9);
    assert!((0.04..=0.08).contains(&typical), "{typical} {by_age:?}");
    assert!(share(&by_age, 0..2) < typical / 2.0, "{by_age:?}");
}

#[test]
fn most_capacitor_failures_fall_in_the_hot_months() {
    let scenario = Scenario::committed();
    let failed = || {
        scenario
            .rows("components")
            .iter()
            .filter(|row| is_capacitor(row) && row.text("end_kind") == "failed")
    };
    let hot = failed().filter(|row| (5..=9).contains(&row.day("ended_on").unwrap().month()));
    let hot = hot.count() as f64 / failed().count() as f64;
    assert!(hot > 0.7, "{hot}");
}

#[test]
fn a_twin_of_a_failed_capacitor_fails_sooner_than_others() {
    // Of capacitors in service on the day on which their like in another unit of the house failed,
    // the share that fails within a year, against the share of all in a summer.
    let scenario = Scenario::committed();
    let mut homes: BTreeMap<&str, Vec<&Row>> = BTreeMap::new();
    for row in scenario.rows("components").iter().filter(|row| is_capacitor(row)) {
        homes.entry(&row.text("unit")[..6]).or_default().push(row);
    }
    let mut twins = (0.0, 0.0);
    for home in homes.values() {
        for first in home.iter().filter(|row| row.text("end_kind") == "failed") {
            let on = first.day("ended_on").unwrap();
            for other in home {
                let twin = other.text("unit") != first.text("unit")
                    && other.text("class") == first.text("class");
                let ended = other.day("ended_on").unwrap_or(NaiveDate::MAX);
                let began = other.day("observed_from").is_some_and(|from| from <= on);
                if twin && began && ended > on {
                    let soon = other.text("end_kind") == "failed" && (ended - on).num_days() <= 365;
                    twins.0 += 1.0;
                    twins.1 += f64::from(u8::from(soon));
                }
            }
        }
    }
    let all = share(&summers(&scenario), 0..40);
    assert!(twins.0 > 20.0, "{twins:?}");
    assert!(twins.1 / twins.0 > 1.3 * all, "{twins:?} {all}");
}

#[test]
fn the_story_household_has_one_failed_capacitor_and_a_sister_at_risk() {
    let scenario = Scenario::committed();
    let site = scenario.table("sites").by_key()["S-0217"];
    assert_eq!(site.text("name"), "Okafor-Lindqvist");
    assert_eq!(site.text("vulnerability"), "infant");
    let parts = scenario.table("components").by_key();
    let (failed, sister) = (parts["S-0217-1-oc1"], parts["S-0217-2-oc1"]);
    for column in ["rating", "installed_on", "batch"] {
        assert_eq!(failed.text(column), sister.text(column));
    }
    assert_eq!(failed.text("end_kind"), "failed");
    assert_eq!(sister.some("ended_on"), None);
    // It failed on one of the hottest days of the summer.
    let record = station_record();
    let found = record.day(failed.day("ended_on").unwrap()).unwrap();
    let hotter = record
        .days
        .iter()
        .filter(|day| day.date.year() == 2024 && day.tmax_celsius > found.tmax_celsius)
        .count();
    assert!(hotter < 5, "{hotter}");
    // Nobody has looked at the sister since.
    let seen = |row: &&Row| row.text("component") == "S-0217-2-oc1";
    let last = scenario.rows("readings").iter().filter(seen).filter_map(|row| row.day("taken_on"));
    assert!(last.max() < failed.day("ended_on"));
}
