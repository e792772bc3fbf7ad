//! Records: stored, found, listed, changed.

use std::collections::BTreeSet;

use chrono::TimeDelta;
use diesel::connection::SimpleConnection;
use hotspell_domain::{
    BranchId, ComponentClass, ComponentEnd, Condition, DateRange, Skill, UnitKind,
};
use hotspell_store::branches::Holiday;
use hotspell_store::components::{ComponentFilter, Ending, Successor};
use hotspell_store::contacts::ContactFields;
use hotspell_store::readings::{ReadingFields, ReadingFilter};
use hotspell_store::sites::SiteFilter;
use hotspell_store::technicians::{TechnicianAbsence, TechnicianSkill};
use hotspell_store::travel::{NewTravelTimes, TravelTimesFilter};
use hotspell_store::units::UnitFilter;
use hotspell_store::words::{Resource, Section};
use hotspell_store::{
    Page, StoreError, Upserted, WeekdaySet, branches, changes, components, contacts, readings,
    sites, technicians, travel, units,
};

use crate::fixture::{
    branch_fields, component_fields, contact_fields, day, fixture, now, on_both, site_fields,
    unit_fields,
};

type Outcome = Result<(), StoreError>;

on_both! {
    fn what_was_stored_is_read_back(store: &Store) {
        let f = fixture(store);
        store.read(|c| -> Outcome {
            let branch = branches::find(c, f.branch)?;
            assert_eq!(branch.fields, branch_fields("main"));
            assert_eq!((branch.version, branch.created_at), (1, now()));
            assert_eq!(units::find(c, f.branch, f.unit)?.fields, unit_fields("U1", f.site));
            assert_eq!(f.component.fields, component_fields("C1", f.unit));
            assert_eq!(components::find(c, f.branch, f.component.id)?, f.component);
            assert_eq!(sites::find_by_key(c, f.branch, "S1")?.unwrap().id, f.site);
            Ok(())
        }).unwrap();
    }

    fn a_branch_never_sees_the_rows_of_another(store: &Store) {
        let f = fixture(store);
        let other = store
            .write(|c| branches::insert(c, &branch_fields("other"), now()))
            .unwrap()
            .id;
        store.read(|c| -> Outcome {
            assert!(matches!(sites::find(c, other, f.site), Err(StoreError::NotFound("site"))));
            assert!(sites::find_by_key(c, other, "S1")?.is_none());
            assert!(sites::list(c, other, &SiteFilter::default(), Page::everything())?.is_empty());
            Ok(())
        }).unwrap();
        // The key is free in the other branch.
        store.write(|c| sites::insert(c, other, &site_fields("S1"), now())).unwrap();
    }

    fn homes_are_found_by_number_their_cities_once_and_mail_reaches_those_who_may_be_mailed(
        store: &Store
    ) {
        let f = fixture(store);
        store.write(|c| -> Outcome {
            let mut expected = BTreeSet::new();
            for (number, (city, change)) in [
                ("Tempe", (|_| ()) as fn(&mut ContactFields)),
                ("Mesa", |it| it.email = None),
                ("Tempe", |it| it.mail_consent = false),
                ("Mesa", |it| it.stopped_at = Some(now())),
                ("Mesa", |it| it.reachable_by_mail = false),
            ].into_iter().enumerate() {
                let mut home = site_fields(&format!("H{number}"));
                home.city = city.to_owned();
                let home = sites::insert(c, f.branch, &home, now())?.id;
                let mut person = contact_fields(&format!("P{number}"), home);
                change(&mut person);
                if person.may_be_mailed() {
                    expected.insert(home);
                }
                contacts::insert(c, f.branch, &person, now())?;
            }
            assert_eq!(expected.len(), 1);
            let reached = contacts::homes_reached_by_mail(c, f.branch)?;
            assert!(reached.is_superset(&expected));
            let new = SiteFilter { city: Some("Mesa".to_owned()), ..SiteFilter::default() };
            for home in sites::list(c, f.branch, &new, Page::everything())? {
                assert!(!reached.contains(&home.id), "{home:?}");
                let filter = SiteFilter { ids: Some(vec![home.id]), ..SiteFilter::default() };
                assert_eq!(sites::list(c, f.branch, &filter, Page::everything())?, [home]);
            }
            let cities = sites::cities(c, f.branch)?;
            assert!(cities.is_sorted_by(|a, b| a < b), "each once: {cities:?}");
            assert!(cities.contains(&"Mesa".to_owned()) && cities.contains(&"Tempe".to_owned()));
            Ok(())
        }).unwrap();
    }

    fn a_stale_version_is_refused_and_says_which_one_is_stored(store: &Store) {
        let f = fixture(store);
        let mut fields = site_fields("S1");
        fields.access_notes = Some("gate code at the office".to_owned());
        let changed = store.write(|c| sites::update(c, f.branch, f.site, 1, &fields, now())).unwrap();
        assert_eq!((changed.version, &changed.fields), (2, &fields));
        let refused = store.write(|c| sites::update(c, f.branch, f.site, 1, &fields, now()));
        assert!(matches!(
            refused,
            Err(StoreError::StaleVersion { what: "site", expected: 1, found: 2 })
        ));
        let missing = store.write(|c| sites::update(c, f.branch, 999_999.into(), 1, &fields, now()));
        assert!(matches!(missing, Err(StoreError::NotFound("site"))));
    }

    fn a_field_can_be_emptied(store: &Store) {
        let f = fixture(store);
        let mut fields = unit_fields("U1", f.site);
        fields.label = None;
        fields.capacity_watts = None;
        let changed = store.write(|c| units::update(c, f.branch, f.unit, 1, &fields, now())).unwrap();
        assert_eq!((changed.label.clone(), changed.capacity_watts), (None, None));
    }

    fn the_same_again_changes_nothing(store: &Store) {
        let f = fixture(store);
        let outcomes: Vec<Upserted<_>> = ["S1", "S2", "S2"]
            .into_iter()
            .map(|key| {
                store.write(|c| sites::upsert_by_key(c, f.branch, &site_fields(key), now())).unwrap()
            })
            .collect();
        assert!(matches!(outcomes[0], Upserted::Unchanged(_)));
        assert!(matches!(outcomes[1], Upserted::Inserted(_)));
        assert!(matches!(outcomes[2], Upserted::Unchanged(_)));
        let mut fields = site_fields("S2");
        fields.vulnerability = Some("infant".to_owned());
        let changed = store.write(|c| sites::upsert_by_key(c, f.branch, &fields, now())).unwrap();
        assert!(matches!(&changed, Upserted::Changed(site) if site.version == 2));
    }

    fn errors_are_sorted_alike(store: &Store) {
        let f = fixture(store);
        let twice = store.write(|c| sites::insert(c, f.branch, &site_fields("S1"), now()));
        assert!(matches!(twice, Err(StoreError::Conflict { .. })), "{twice:?}");
        let orphan = store.write(|c| units::insert(c, f.branch, &unit_fields("U9", 999.into()), now()));
        assert!(matches!(orphan, Err(StoreError::ForeignKey(_))), "{orphan:?}");
        let mut backwards = unit_fields("U9", f.site);
        backwards.installed_latest = Some(day("2010-01-01"));
        let broken = store.write(|c| units::insert(c, f.branch, &backwards, now()));
        assert!(matches!(broken, Err(StoreError::Check(_))), "{broken:?}");
        let mut half = site_fields("S9");
        half.longitude_degrees = None;
        let broken = store.write(|c| sites::insert(c, f.branch, &half, now()));
        assert!(matches!(broken, Err(StoreError::Check(_))), "{broken:?}");
    }

    fn a_write_that_fails_leaves_nothing(store: &Store) {
        let f = fixture(store);
        let outcome = store.write(|c| -> Outcome {
            sites::insert(c, f.branch, &site_fields("S2"), now())?;
            sites::insert(c, f.branch, &site_fields("S1"), now())?;
            Ok(())
        });
        assert!(outcome.is_err());
        let left = store.read(|c| sites::find_by_key(c, f.branch, "S2")).unwrap();
        assert!(left.is_none());
    }

    fn a_read_refuses_to_write_and_the_next_write_works(store: &Store) {
        let f = fixture(store);
        let refused = store.read(|c| sites::insert(c, f.branch, &site_fields("S2"), now()));
        assert!(matches!(refused, Err(StoreError::Check(_))), "{refused:?}");
        for number in 0..20 {
            let fields = site_fields(&format!("N{number}"));
            store.write(|c| sites::insert(c, f.branch, &fields, now())).unwrap();
        }
    }

    fn a_panic_in_a_write_leaves_no_open_transaction(store: &Store) {
        let f = fixture(store);
        let crash = std::panic::catch_unwind(std::panic::AssertUnwindSafe(|| {
            store.write(|c| -> Outcome {
                sites::insert(c, f.branch, &site_fields("S2"), now())?;
                panic!("as a fault in a use case would");
            })
        }));
        assert!(crash.is_err());
        assert!(store.read(|c| sites::find_by_key(c, f.branch, "S2")).unwrap().is_none());
        store.write(|c| sites::insert(c, f.branch, &site_fields("S2"), now())).unwrap();
    }

    fn many_rows_are_stored_at_once_and_listed_page_by_page(store: &Store) {
        let f = fixture(store);
        let rows: Vec<_> = (0..5_000).map(|i| site_fields(&format!("M{i:05}"))).collect();
        let ids = store.write(|c| sites::insert_many(c, f.branch, &rows, now())).unwrap();
        assert_eq!(ids.len(), rows.len());
        store.read(|c| -> Outcome {
            assert_eq!(sites::find(c, f.branch, ids[4_321])?.key, "M04321");
            let mut seen = Vec::new();
            loop {
                let after = seen.last().copied().unwrap_or(0);
                let page = sites::list(c, f.branch, &SiteFilter::default(), Page::after(after, 700))?;
                if page.is_empty() {
                    break;
                }
                seen.extend(page.iter().map(|site| site.id.0));
            }
            assert_eq!(seen.len(), rows.len() + 1);
            assert!(seen.is_sorted());
            assert_eq!(sites::by_key(c, f.branch)?.len(), rows.len() + 1);
            Ok(())
        }).unwrap();
    }

    fn lists_are_narrowed_by_every_condition(store: &Store) {
        let f = fixture(store);
        store.write(|c| -> Outcome {
            let mut nowhere = site_fields("S2");
            (nowhere.latitude_degrees, nowhere.longitude_degrees) = (None, None);
            nowhere.vulnerability = Some("home oxygen".to_owned());
            let second = sites::insert(c, f.branch, &nowhere, now() + TimeDelta::hours(1))?.id;
            let mut pump = unit_fields("U2", second);
            pump.kind = UnitKind::HeatPump;
            pump.removed_on = Some(day("2024-01-01"));
            units::insert(c, f.branch, &pump, now())?;
            Ok(())
        }).unwrap();
        store.read(|c| -> Outcome {
            let mut keys = |filter: SiteFilter| -> Result<Vec<String>, StoreError> {
                let found = sites::list(c, f.branch, &filter, Page::first(10))?;
                Ok(found.iter().map(|site| site.key.clone()).collect())
            };
            assert_eq!(keys(SiteFilter { has_position: Some(false), ..SiteFilter::default() })?, ["S2"]);
            assert_eq!(keys(SiteFilter { vulnerable: Some(false), ..SiteFilter::default() })?, ["S1"]);
            assert_eq!(keys(SiteFilter { updated_after: Some(now()), ..SiteFilter::default() })?, ["S2"]);
            let mut keys = |filter: UnitFilter| -> Result<Vec<String>, StoreError> {
                let found = units::list(c, f.branch, &filter, Page::first(10))?;
                Ok(found.iter().map(|unit| unit.key.clone()).collect())
            };
            assert_eq!(keys(UnitFilter { kind: Some(UnitKind::HeatPump), ..UnitFilter::default() })?, ["U2"]);
            assert_eq!(keys(UnitFilter { site: Some(f.site), ..UnitFilter::default() })?, ["U1"]);
            let present = UnitFilter { present_on: Some(day("2025-01-01")), ..UnitFilter::default() };
            assert_eq!(keys(present)?, ["U1"]);
            Ok(())
        }).unwrap();
    }

    fn a_replaced_part_keeps_its_row_and_its_successor_begins(store: &Store) {
        let f = fixture(store);
        let ending = Ending {
            ended_on: day("2025-07-04"),
            kind: ComponentEnd::Failed,
            last_seen_good_on: Some(day("2025-04-02")),
        };
        let successor = Successor {
            key: "C2".to_owned(),
            class: ComponentClass::RunCapacitorDual,
            rating: Some("45+5 uF 440 V".to_owned()),
            batch: None,
        };
        let old = &f.component;
        let (ended, new) = store
            .write(|c| components::replace(c, f.branch, old.id, old.version, ending, successor, now()))
            .unwrap();
        assert_eq!(ended.ended_on, Some(ending.ended_on));
        assert_eq!(ended.replaced_by_id, Some(new.id));
        assert_eq!(ended.rating, old.rating);
        assert_eq!((new.position.as_str(), new.installed_earliest), ("outdoor-capacitor", Some(ending.ended_on)));
        let again = store.write(|c| components::end(c, f.branch, old.id, ended.version, ending, now()));
        assert!(matches!(again, Err(StoreError::Conflict { .. })), "{again:?}");
        store.read(|c| -> Outcome {
            let mut keys = |filter: ComponentFilter| -> Result<Vec<String>, StoreError> {
                let found = components::list(c, f.branch, &filter, Page::first(10))?;
                Ok(found.iter().map(|component| component.key.clone()).collect())
            };
            let all = ComponentFilter::default;
            assert_eq!(keys(ComponentFilter { living: Some(true), ..all() })?, ["C2"]);
            assert_eq!(keys(ComponentFilter { site: Some(f.site), ..all() })?, ["C1", "C2"]);
            assert_eq!(keys(ComponentFilter { end_kind: Some(ComponentEnd::Failed), ..all() })?, ["C1"]);
            let summer = DateRange::new(day("2025-06-01"), day("2025-08-31"));
            assert_eq!(keys(ComponentFilter { ended: summer, ..all() })?, ["C1"]);
            let spring = DateRange::new(day("2025-03-01"), day("2025-03-31"));
            assert_eq!(keys(ComponentFilter { in_service: spring, ..all() })?, ["C1"]);
            Ok(())
        }).unwrap();
    }

    fn one_living_part_sits_in_a_position(store: &Store) {
        let f = fixture(store);
        let second = store.write(|c| components::insert(c, f.branch, &component_fields("C2", f.unit), now()));
        assert!(matches!(second, Err(StoreError::Conflict { .. })), "{second:?}");
        let mut ended = component_fields("C0", f.unit);
        ended.ended_on = Some(day("2019-06-01"));
        ended.end_kind = Some(ComponentEnd::Failed);
        store.write(|c| components::insert(c, f.branch, &ended, now())).unwrap();
    }

    fn an_end_before_the_beginning_is_refused(store: &Store) {
        let f = fixture(store);
        let ending = Ending {
            ended_on: day("2018-01-01"),
            kind: ComponentEnd::Failed,
            last_seen_good_on: None,
        };
        let refused = store
            .write(|c| components::end(c, f.branch, f.component.id, f.component.version, ending, now()));
        assert!(matches!(refused, Err(StoreError::Check(_))), "{refused:?}");
    }

    fn a_part_seen_working_is_noted_only_forwards(store: &Store) {
        let f = fixture(store);
        let seen = |date: &str| {
            store.write(|c| components::seen_good(c, f.branch, &[f.component.id], day(date), now())).unwrap()
        };
        assert_eq!(seen("2025-04-02"), 1);
        assert_eq!(seen("2025-03-01"), 0);
        let stored = store.read(|c| components::find(c, f.branch, f.component.id)).unwrap();
        assert_eq!(stored.last_seen_good_on, Some(day("2025-04-02")));
        let ending = Ending {
            ended_on: day("2025-06-01"),
            kind: ComponentEnd::Failed,
            last_seen_good_on: None,
        };
        store
            .write(|c| components::end(c, f.branch, stored.id, stored.version, ending, now()))
            .unwrap();
        // A report that comes late is of the time before the end.
        assert_eq!((seen("2025-05-01"), seen("2025-06-02")), (1, 0));
    }

    fn readings_keep_what_was_measured(store: &Store) {
        let f = fixture(store);
        let fields = ReadingFields {
            taken_at: Some(now()),
            client_key: "visit-1/main".to_owned(),
            component_id: f.component.id,
            taken_on: day("2025-04-02"),
            technician_id: Some(f.technician),
            section: Section::Main,
            microfarads: Some(42.1),
            volts: Some(353.7),
            amperes: Some(6.0),
            conditions: vec![Condition::Hot, Condition::Bulged],
            note: Some("top «domed», ¿foto? \u{1f4f7}".to_owned()),
        };
        store.write(|c| readings::insert(c, f.branch, &fields, now())).unwrap();
        let of_site = ReadingFilter { site: Some(f.site), ..ReadingFilter::default() };
        let found = store.read(|c| readings::list(c, f.branch, &of_site, Page::first(10))).unwrap();
        assert_eq!(found.len(), 1);
        assert_eq!(found[0].fields, fields);
        let of_unit = ReadingFilter { unit: Some(f.unit), taken: DateRange::new(day("2025-05-01"), day("2025-06-01")), ..ReadingFilter::default() };
        assert!(store.read(|c| readings::list(c, f.branch, &of_unit, Page::first(10))).unwrap().is_empty());
    }

    fn lists_that_belong_to_a_record_are_replaced_when_they_differ(store: &Store) {
        let f = fixture(store);
        let skills = [Skill::HeatPump, Skill::Standard].map(|skill| TechnicianSkill { skill });
        store.write(|c| -> Outcome {
            assert!(technicians::set_skills(c, f.branch, f.technician, &skills)?);
            assert!(!technicians::set_skills(c, f.branch, f.technician, &skills)?);
            let away = TechnicianAbsence {
                first_day: day("2026-04-06"),
                last_day: day("2026-04-10"),
                reason: Some("holiday".to_owned()),
            };
            assert!(technicians::set_absences(c, f.branch, f.technician, &[away])?);
            assert_eq!(technicians::touch(c, f.branch, f.technician, now())?, 2);
            let new_year = Holiday { day: day("2027-01-01"), name: "New Year's Day".to_owned() };
            assert!(branches::set_holidays(c, f.branch, std::slice::from_ref(&new_year), now())?);
            assert!(!branches::set_holidays(c, f.branch, &[new_year], now())?);
            Ok(())
        }).unwrap();
        store.read(|c| -> Outcome {
            let stored = technicians::skills(c, f.branch, None)?;
            assert_eq!(stored[&f.technician].len(), 2);
            assert_eq!(technicians::absences(c, f.branch, Some(f.technician))?[&f.technician].len(), 1);
            assert_eq!(branches::holidays(c, f.branch)?.len(), 1);
            assert_eq!(branches::find(c, f.branch)?.working_weekdays, WeekdaySet::MONDAY_TO_FRIDAY);
            Ok(())
        }).unwrap();
    }

    fn technicians_are_listed_by_the_day_they_work(store: &Store) {
        let f = fixture(store);
        let mut left = crate::fixture::technician_fields("T2");
        left.active_until = Some(day("2025-12-31"));
        store.write(|c| technicians::insert(c, f.branch, &left, now())).unwrap();
        let on = |date: &str| {
            let filter = technicians::TechnicianFilter { active_on: Some(day(date)), ..Default::default() };
            store.read(|c| technicians::list(c, f.branch, &filter, Page::first(10))).unwrap().len()
        };
        assert_eq!((on("2025-06-01"), on("2026-06-01")), (2, 1));
    }

    fn every_change_of_a_record_is_in_the_feed(store: &Store) {
        let f = fixture(store);
        store.write(|c| sites::touch(c, f.branch, f.site, now())).unwrap();
        let feed = store.read_settled(|c| changes::list(c, f.branch, Page::everything())).unwrap();
        let of_sites: Vec<(i64, i64)> = feed
            .iter()
            .filter(|change| change.resource == Resource::Site)
            .map(|change| (change.resource_id, change.version))
            .collect();
        assert_eq!(of_sites, [(f.site.0, 1), (f.site.0, 2)]);
        assert!(feed.is_sorted_by_key(|change| change.id));
    }

    fn what_is_append_only_cannot_be_changed_or_deleted(store: &Store) {
        let f = fixture(store);
        for sql in [
            "UPDATE changes SET version = 7",
            "DELETE FROM changes",
            "UPDATE visit_events SET who = 'nobody'",
            "DELETE FROM visit_events",
        ] {
            let refused = store.write(|c| -> Outcome { Ok(c.batch_execute(sql)?) });
            assert!(matches!(refused, Err(StoreError::Check(_))), "{sql}: {refused:?}");
        }
        assert_ne!(f.branch, BranchId(0));
    }

    fn driving_times_are_kept_until_they_are_old(store: &Store) {
        let f = fixture(store);
        let row = |origin: i64, days: i64| NewTravelTimes {
            origin,
            destinations: "[7,8]".to_owned(),
            seconds: "[600,null]".to_owned(),
            fetched_at: now() + TimeDelta::days(days),
        };
        let rows = [row(1, 0), row(2, 10), row(3, 20)];
        store.write(|c| travel::insert_many(c, f.branch, &rows)).unwrap();
        let origins = |from: i64| {
            let filter = TravelTimesFilter { fetched_from: Some(now() + TimeDelta::days(from)) };
            let stored = store.read(|c| travel::list(c, f.branch, &filter, Page::everything()));
            stored.unwrap().into_iter().map(|stored| stored.origin).collect::<Vec<_>>()
        };
        assert_eq!(origins(0), [1, 2, 3]);
        assert_eq!(origins(10), [2, 3]);
        let old = now() + TimeDelta::days(15);
        assert_eq!(store.write(|c| travel::forget_before(c, f.branch, old)).unwrap(), 2);
        assert_eq!(origins(0), [3]);
    }
}
