//! What was exported comes back the same: export, import into an empty branch, export again.

use chrono::NaiveDate;
use hotspell_domain::BranchId;
use hotspell_imports::{ImportKind, export};
use hotspell_store::agreements::{self, AgreementFields};
use hotspell_store::components::{self, Ending, Successor};
use hotspell_store::contacts::{self, ContactFields};
use hotspell_store::sites::{self, SiteFields};
use hotspell_store::units::{self, UnitFields};
use hotspell_store::{DatabaseKind, Store, branches};
use hotspell_test_support::{TestDatabase, branch_fields};
use proptest::prelude::*;

use crate::fixture::{FILES, branch, keep, keep_files, now, on_both};

fn exported(store: &Store, branch: BranchId, kind: ImportKind) -> String {
    let mut file = Vec::new();
    store.read(|c| export(c, branch, kind, &mut file)).unwrap();
    String::from_utf8(file).unwrap()
}

fn everything(store: &Store, branch: BranchId) -> Vec<(ImportKind, String)> {
    ImportKind::ALL.iter().map(|kind| (*kind, exported(store, branch, *kind))).collect()
}

/// Imports the files that have rows into a new branch of the store.
fn into_a_new_branch(store: &Store, key: &str, files: &[(ImportKind, String)]) -> BranchId {
    let other = store.write(|c| branches::insert(c, &branch_fields(key), now())).unwrap().id;
    for (kind, text) in files.iter().filter(|(_, text)| text.lines().count() > 1) {
        keep(store, other, *kind, text).unwrap_or_else(|error| panic!("{kind}: {error}\n{text}"));
    }
    other
}

fn day(text: &str) -> NaiveDate {
    text.parse().unwrap()
}

on_both! {
    fn an_export_comes_back_byte_for_byte(store: &Store, branch: BranchId) {
        keep_files(store, branch, FILES.len());
        let first = everything(store, branch);
        for (kind, text) in &first {
            assert!(text.lines().count() > 1, "{kind} has rows: {text}");
        }
        let other = into_a_new_branch(store, "other", &first);
        assert_eq!(everything(store, other), first);
    }

    fn an_export_into_its_own_branch_changes_nothing(store: &Store, branch: BranchId) {
        keep_files(store, branch, FILES.len());
        let ada = store.read(|c| contacts::find_by_key(c, branch, "s1")).unwrap().unwrap();
        let stopped = ContactFields {
            stopped_at: Some(now()),
            consent_at: "2024-02-05T17:30:00Z".parse().ok(),
            ..ada.fields.clone()
        };
        store.write(|c| contacts::update(c, branch, ada.id, ada.version, &stopped, now())).unwrap();
        for (kind, text) in everything(store, branch) {
            let report = keep(store, branch, kind, &text).unwrap();
            assert_eq!((report.inserted, report.changed), (0, 0), "{kind}: {report:?}");
        }
        let kept = store.read(|c| contacts::find_by_key(c, branch, "s1")).unwrap().unwrap();
        assert_eq!(kept.fields, stopped);
    }

    fn who_stopped_the_mail_is_exported_without_consent(store: &Store, branch: BranchId) {
        keep_files(store, branch, FILES.len());
        let ada = store.read(|c| contacts::find_by_key(c, branch, "s1")).unwrap().unwrap();
        let stopped = ContactFields { stopped_at: Some(now()), ..ada.fields.clone() };
        store.write(|c| contacts::update(c, branch, ada.id, ada.version, &stopped, now())).unwrap();
        let other = into_a_new_branch(store, "other", &everything(store, branch));
        let there = store.read(|c| contacts::find_by_key(c, other, "s1")).unwrap().unwrap();
        assert!(!there.may_be_mailed());
    }

    fn a_person_with_a_key_of_its_own_is_the_homes_person(store: &Store, branch: BranchId) {
        keep_files(store, branch, 2);
        let ada = store.read(|c| contacts::find_by_key(c, branch, "s1")).unwrap().unwrap();
        let renamed = ContactFields { key: "C-17".into(), ..ada.fields.clone() };
        store.write(|c| contacts::update(c, branch, ada.id, ada.version, &renamed, now())).unwrap();
        let file = exported(store, branch, ImportKind::Sites);
        assert!(file.contains("Ada Acacia"), "{file}");
        let report = keep(store, branch, ImportKind::Sites, &file).unwrap();
        assert_eq!((report.inserted, report.changed), (0, 0), "{report:?}");
        assert_eq!(store.read(|c| contacts::find_by_key(c, branch, "s1")).unwrap(), None);
    }

    fn a_rating_that_the_office_took_against_the_rule_comes_back(store: &Store, branch: BranchId) {
        keep_files(store, branch, 5);
        store.write(|c| {
            let part = components::find_by_key(c, branch, "c4")?.unwrap();
            let ending = Ending {
                ended_on: day("2025-06-20"),
                kind: hotspell_domain::ComponentEnd::Failed,
                last_seen_good_on: None,
            };
            let successor = Successor {
                key: "c9".into(),
                class: part.class,
                // As a phone may have sent it.
                rating: Some("35.0  uF 440 V".into()),
                batch: None,
            };
            components::replace(c, branch, part.id, part.version, ending, successor, now())
        }).unwrap();
        let first = everything(store, branch);
        assert!(first[5].1.contains("35 uF 440 V"), "{}", first[5].1);
        let other = into_a_new_branch(store, "other", &first);
        assert_eq!(everything(store, other), first);
    }
}

#[test]
fn the_columns_are_those_of_the_import_in_one_order() {
    let database = TestDatabase::new(DatabaseKind::Sqlite);
    let store = &database.store();
    let branch = branch(store);
    for kind in ImportKind::ALL {
        let text = exported(store, branch, *kind);
        let mut header: Vec<&str> = text.trim_end().split(',').collect();
        let mut documented = hotspell_imports::headers(*kind);
        header.sort_unstable();
        documented.sort_unstable();
        assert_eq!(header, documented, "{kind}");
        assert!(text.ends_with("\r\n"), "{kind}");
    }
}

/// Text as people, phones and other programs write it: signs of formulas, quotes, line ends.
fn words() -> impl Strategy<Value = String> {
    "['=+@a-]{0,2}[ -~éñ\u{3000}\"',;=\r\n\t]{0,20}[a-z]".prop_map(|text| text.trim().to_owned())
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(24))]

    #[test]
    fn every_text_a_record_may_hold_comes_back(
        texts in prop::collection::vec(words(), 12),
        key in "['=+@-]?[ -~]{0,8}[a-z]",
        watts in 1.0..105_506.0_f64,
        place in (-90.0..90.0_f64, -180.0..180.0_f64),
    ) {
        let database = TestDatabase::new(DatabaseKind::Sqlite);
        let store = &database.store();
        let main = branch(store);
        let key = key.trim().to_owned();
        store
            .write(|c| {
                let some = |i: usize| Some(texts[i].clone());
                let home = sites::insert(c, main, &SiteFields {
                    key: key.clone(),
                    name: texts[0].clone(),
                    address_1: texts[1].clone(),
                    address_2: some(2),
                    city: texts[3].clone(),
                    region: texts[4].clone(),
                    postal_code: texts[5].clone(),
                    latitude_degrees: Some(place.0),
                    longitude_degrees: Some(place.1),
                    elevation_metres: None,
                    access_notes: some(6),
                    refused_weekdays: hotspell_store::WeekdaySet::NONE,
                    visit_from: "07:30:15".parse().ok(),
                    visit_until: None,
                    vulnerability: some(7),
                    language: hotspell_domain::Language::Spanish,
                }, now())?;
                contacts::insert(c, main, &ContactFields {
                    key: "person".into(),
                    site_id: home.id,
                    name: texts[8].clone(),
                    email: Some("=ada@example.com".into()),
                    phone: Some("+16025550101".into()),
                    role: None,
                    mail_consent: true,
                    consent_at: Some(now()),
                    consent_how: some(9),
                    stopped_at: None,
                    reachable_by_mail: true,
                    unreachable_reason: None,
                }, now())?;
                agreements::insert(c, main, &AgreementFields {
                    key: key.clone(),
                    site_id: home.id,
                    first_day: day("2150-01-31"),
                    last_day: None,
                    rules: vec!["tune-up@11-01..02-28".parse().unwrap()],
                }, now())?;
                units::insert(c, main, &UnitFields {
                    key: key.clone(),
                    site_id: home.id,
                    kind: hotspell_domain::UnitKind::HeatPump,
                    label: some(10),
                    capacity_watts: Some(watts),
                    installed_earliest: None,
                    installed_latest: Some(day("2019-02-28")),
                    removed_on: None,
                    exposure: hotspell_domain::Exposure::Shade,
                    supply_volts: 208.0,
                }, now())
            })
            .unwrap();
        let first = everything(store, main);
        let other = into_a_new_branch(store, "other", &first);
        prop_assert_eq!(everything(store, other), first);
        let there = store.read(|c| sites::find_by_key(c, other, &key)).unwrap().unwrap();
        prop_assert_eq!(&there.name, &texts[0]);
        prop_assert_eq!(there.access_notes.as_deref(), Some(texts[6].as_str()));
    }
}
