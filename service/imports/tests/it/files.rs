//! Files that are right.

use hotspell_domain::{ComponentEnd, Language, Skill};
use hotspell_imports::{ImportKind, Mode, import};
use hotspell_store::changes;
use hotspell_store::components::ComponentFields;
use hotspell_store::{Page, components, contacts, readings, sites, technicians, units};

use crate::fixture::{
    COMPONENTS, FILES, READINGS, SITES, UNITS, keep, keep_files, now, on_both, today,
};

on_both! {
    fn every_file_comes_in_and_again_changes_nothing(store: &Store, branch: BranchId) {
        keep_files(store, branch, FILES.len());
        let feed = || {
            store.read_settled(|c| changes::list(c, branch, Page::everything())).unwrap().len()
        };
        let before = feed();
        for (kind, text) in FILES {
            // A replaced part's file no longer says how it stands: its end is kept.
            let report = keep(store, branch, kind, text).unwrap();
            assert_eq!((report.inserted, report.changed), (0, 0), "{kind}: {report:?}");
            assert_eq!(report.unchanged, report.rows, "{kind}");
        }
        assert_eq!(feed(), before, "no version was raised");
    }

    fn what_the_files_say_is_stored(store: &Store, branch: BranchId) {
        keep_files(store, branch, FILES.len());
        store.read(|c| -> Result<(), hotspell_store::StoreError> {
            let robin = technicians::find_by_key(c, branch, "t1")?.unwrap();
            assert_eq!(robin.phone.as_deref(), Some("+16025550101"));
            let skills: Vec<Skill> = technicians::skills(c, branch, Some(robin.id))?[&robin.id]
                .iter()
                .map(|skill| skill.skill)
                .collect();
            assert_eq!(skills.len(), 2);
            assert_eq!(technicians::shifts(c, branch, Some(robin.id))?[&robin.id].len(), 2);
            let acacia = sites::find_by_key(c, branch, "s1")?.unwrap();
            assert_eq!((acacia.language, acacia.vulnerability.as_deref()), (Language::Spanish, Some("infant")));
            assert_eq!(sites::absences(c, branch, Some(acacia.id))?[&acacia.id].len(), 2);
            let ada = contacts::find_by_key(c, branch, "s1")?.unwrap();
            assert!(ada.may_be_mailed());
            let unit = units::find_by_key(c, branch, "u1")?.unwrap();
            // 3.5 tons of refrigeration of 3516.853 W each (NIST SP 811, appendix B.8).
            assert!((unit.capacity_watts.unwrap() - 12_308.985_5).abs() < 1e-6);
            assert_eq!(unit.installed_latest, "2014-05-31".parse().ok());
            let note = readings::find_by_key(c, branch, "r2")?.unwrap().note.clone();
            assert_eq!(note.as_deref(), Some("top slightly warm, \"see photo\""));
            Ok(())
        }).unwrap();
    }

    fn parts_that_ended_name_the_part_that_followed(store: &Store, branch: BranchId) {
        keep_files(store, branch, 6);
        store.read(|c| -> Result<(), hotspell_store::StoreError> {
            let mut part = |key: &str| components::find_by_key(c, branch, key).unwrap().unwrap();
            let (first, second) = (part("c1"), part("c2"));
            assert_eq!((first.replaced_by_id, first.end_kind), (Some(second.id), Some(ComponentEnd::Failed)));
            let (fourth, fifth, sixth) = (part("c4"), part("c5"), part("c6"));
            assert_eq!((fourth.replaced_by_id, fifth.replaced_by_id), (Some(fifth.id), Some(sixth.id)));
            assert_eq!(fifth.rating.as_deref(), Some("40 uF 440 V"));
            assert_eq!(sixth.rating, fifth.rating);
            assert_eq!(sixth.installed_earliest, "2025-07-01".parse().ok());
            assert_eq!(part("c3").end_kind, Some(ComponentEnd::WentWithUnit));
            // c4 says nothing about it, so the site's first agreement stands in.
            assert_eq!(fourth.observed_from, "2022-03-01".parse().unwrap());
            Ok(())
        }).unwrap();
    }

    fn what_a_file_does_not_say_is_counted_and_listed(store: &Store, branch: BranchId) {
        keep_files(store, branch, 1);
        let report = keep(store, branch, ImportKind::Sites, SITES).unwrap();
        let about = |word: &str| report.assumptions.iter().find(|a| a.what.contains(word)).unwrap();
        assert_eq!(about("no position").keys, ["s2"]);
        assert_eq!(about("no contact").count, 1);
        let (kind, text) = FILES[2];
        keep(store, branch, kind, text).unwrap();
        let report = keep(store, branch, ImportKind::Units, UNITS).unwrap();
        assert!(report.assumptions.iter().any(|a| a.what.contains("no install day") && a.keys == ["u3"]));
        let report = keep(store, branch, ImportKind::Components, COMPONENTS).unwrap();
        assert!(report.assumptions.iter().any(|a| a.what.contains("no install day") && a.keys == ["c3"]));
        assert!(report.assumptions.iter().any(|a| a.what.contains("no observed_from") && a.count == 2));
    }

    fn a_dry_run_keeps_nothing(store: &Store, branch: BranchId) {
        let (kind, text) = FILES[0];
        let report = import(store, branch, kind, text.as_bytes(), Mode::DryRun, now(), today()).unwrap();
        assert_eq!((report.dry_run, report.inserted), (true, 2));
        let left = store.read(|c| technicians::list(c, branch, &Default::default(), Page::everything())).unwrap();
        assert!(left.is_empty());
    }

    fn columns_stand_in_any_order_with_or_without_byte_order_mark(store: &Store, branch: BranchId) {
        let text = "\u{feff}name,technician\r\nRobin Reyes,t1\r\n\r\n  Sam Okafor  , t2 \r\n";
        let report = keep(store, branch, ImportKind::Technicians, text).unwrap();
        assert_eq!(report.inserted, 2);
        let sam = store.read(|c| technicians::find_by_key(c, branch, "t2")).unwrap().unwrap();
        assert_eq!(sam.name, "Sam Okafor");
    }

    fn one_changed_row_changes_one_record(store: &Store, branch: BranchId) {
        keep_files(store, branch, 2);
        let text = SITES.replace("mon;sat", "mon");
        let report = keep(store, branch, ImportKind::Sites, &text).unwrap();
        assert_eq!((report.changed, report.unchanged), (1, 1));
        let text = text.replace("2026-07-03", "2026-07-04");
        let report = keep(store, branch, ImportKind::Sites, &text).unwrap();
        assert_eq!((report.changed, report.unchanged), (1, 1), "a list beside the row");
        let text = text.replace("ada@example.com", "ada.acacia@example.com");
        let report = keep(store, branch, ImportKind::Sites, &text).unwrap();
        assert_eq!((report.changed, report.unchanged), (1, 1), "the contact beside the row");
        let site = store.read(|c| sites::find_by_key(c, branch, "s1")).unwrap().unwrap();
        assert_eq!(site.version, 4);
    }

    fn a_person_who_stopped_the_mail_stays_so_after_an_import(store: &Store, branch: BranchId) {
        keep_files(store, branch, 2);
        store.write(|c| -> Result<(), hotspell_store::StoreError> {
            let ada = contacts::find_by_key(c, branch, "s1")?.unwrap();
            let stopped = contacts::ContactFields { stopped_at: Some(now()), ..ada.fields.clone() };
            contacts::update(c, branch, ada.id, ada.version, &stopped, now())?;
            Ok(())
        }).unwrap();
        let report = keep(store, branch, ImportKind::Sites, SITES).unwrap();
        assert_eq!(report.changed, 0);
        let ada = store.read(|c| contacts::find_by_key(c, branch, "s1")).unwrap().unwrap();
        assert!(!ada.may_be_mailed());
    }

    fn an_end_recorded_since_is_not_taken_back(store: &Store, branch: BranchId) {
        keep_files(store, branch, 6);
        let report = keep(store, branch, ImportKind::Components, COMPONENTS).unwrap();
        assert_eq!((report.inserted, report.changed), (0, 0));
        let kept = report.assumptions.iter().find(|a| a.what.contains("stored end is kept")).unwrap();
        assert_eq!(kept.keys, ["c3", "c4"]);
        let fourth = store.read(|c| components::find_by_key(c, branch, "c4")).unwrap().unwrap();
        assert!(fourth.ended_on.is_some() && fourth.replaced_by_id.is_some());
    }

    fn a_later_file_may_end_a_living_part_and_name_its_successor(store: &Store, branch: BranchId) {
        keep_files(store, branch, 5);
        let text = "component,unit,position,class,rating,installed_on,ended_on,end_kind,replaced_by\n\
            c9,u2,outdoor-capacitor,run-capacitor-single,40 uF 440 V,2025-06-20,,,\n\
            c4,u2,outdoor-capacitor,run-capacitor-single,40 uF 370/440 V,2015,2025-06-20,failed,c9\n";
        let report = keep(store, branch, ImportKind::Components, text).unwrap();
        assert_eq!((report.inserted, report.changed), (1, 1));
        let (old, new) = store.read(|c| -> Result<_, hotspell_store::StoreError> {
            Ok((components::find_by_key(c, branch, "c4")?.unwrap(), components::find_by_key(c, branch, "c9")?.unwrap()))
        }).unwrap();
        assert_eq!(old.replaced_by_id, Some(new.id));
        let ComponentFields { ended_on, .. } = old.fields;
        assert_eq!(ended_on, "2025-06-20".parse().ok());
    }

    fn a_reading_keeps_what_was_measured_under_load(store: &Store, branch: BranchId) {
        keep_files(store, branch, 6);
        keep(store, branch, ImportKind::Readings, READINGS).unwrap();
        let third = store.read(|c| readings::find_by_key(c, branch, "r3")).unwrap().unwrap();
        assert_eq!((third.microfarads, third.volts, third.amperes), (None, Some(353.7), Some(6.0)));
    }
}
