//! Files that are wrong: each says where and what was expected, and nothing is kept.

use std::io::Read;

use hotspell_imports::{Finding, ImportKind, ImportRefusal, MAX_FINDINGS, Mode, headers, import};
use hotspell_store::components::ComponentFilter;
use hotspell_store::{Page, components, sites, technicians};

use crate::fixture::{SITES, keep, keep_files, now, on_both, today};

fn findings(refusal: ImportRefusal) -> Vec<Finding> {
    match refusal {
        ImportRefusal::Rows { findings, .. } => findings,
        other => panic!("expected findings, not: {other}"),
    }
}

fn places(refusal: ImportRefusal) -> Vec<(usize, String)> {
    findings(refusal)
        .into_iter()
        .map(|finding| (finding.row, finding.column.unwrap_or_default()))
        .collect()
}

fn at(row: usize, column: &str) -> (usize, String) {
    (row, column.to_owned())
}

on_both! {
    fn every_bad_value_of_every_row_is_reported_and_nothing_is_kept(store: &Store, branch: BranchId) {
        let text = SITES.to_owned()
            + "s3,,16 Example St,Exampleton,AZ,00000,91,-112,sunday,9:00,17:00,,fr,Cy,cy.example.com,yes,2027-01-01,,\n"
            + "s1,Again,1 Example St,Exampleton,AZ,00000,33.5,,,,,,,,,,,,\n";
        let refusal = keep(store, branch, ImportKind::Sites, &text).unwrap_err();
        let found = places(refusal);
        for expected in [
            at(4, "name"), at(4, "latitude"), at(4, "refused_weekdays"), at(4, "visit_from"),
            at(4, "language"), at(4, "contact_email"), at(4, "contact_consent_on"),
            at(4, "contact_consent_how"), at(5, "site"), at(5, "longitude"),
        ] {
            assert!(found.contains(&expected), "{expected:?} in {found:?}");
        }
        assert_eq!(found.len(), 10, "{found:?}");
        let left = store.read(|c| sites::list(c, branch, &Default::default(), Page::everything())).unwrap();
        assert!(left.is_empty());
    }

    fn a_finding_reads_like_a_sentence(store: &Store, branch: BranchId) {
        let text = "technician,name,monday\nt1,Robin,16:00-07:30\n";
        let refusal = keep(store, branch, ImportKind::Technicians, text).unwrap_err();
        assert_eq!(
            findings(refusal)[0].to_string(),
            "row 2, column monday: «16:00-07:30»; expected a shift such as 07:30-16:00, ending later than it begins"
        );
    }

    fn columns_that_are_missing_unknown_or_twice_are_named(store: &Store, branch: BranchId) {
        let text = "technician,nmae,phone,phone,\nt1,Robin,,,\n";
        match keep(store, branch, ImportKind::Technicians, text).unwrap_err() {
            ImportRefusal::Headers { missing, unknown, twice } => {
                assert_eq!(missing, ["name"]);
                assert_eq!(unknown, ["nmae", "(column 5 has no name)"]);
                assert_eq!(twice, ["phone"]);
            }
            other => panic!("{other}"),
        }
    }

    fn another_encoding_is_refused_with_its_byte(store: &Store, branch: BranchId) {
        // «Müller» in Latin-1: byte 0xFC after 20 others.
        let bytes = b"technician,name\nt1,M\xfcller\n".as_slice();
        let refusal = import(store, branch, ImportKind::Technicians, bytes, Mode::Keep, now(), today());
        assert!(matches!(refusal, Err(ImportRefusal::NotUtf8 { byte_offset: 20 })), "{refusal:?}");
        let utf16: Vec<u8> = "technician,name\n".encode_utf16().flat_map(u16::to_le_bytes).collect();
        let refusal = import(store, branch, ImportKind::Technicians, utf16.as_slice(), Mode::Keep, now(), today());
        assert!(matches!(refusal, Err(ImportRefusal::NotUtf8 { .. })), "{refusal:?}");
    }

    fn an_empty_a_truncated_and_a_huge_file_are_refused(store: &Store, branch: BranchId) {
        let kind = ImportKind::Technicians;
        for text in ["", "\n\n"] {
            let refusal = keep(store, branch, kind, text);
            assert!(matches!(refusal, Err(ImportRefusal::Empty)), "{text:?}: {refusal:?}");
        }
        let cut_in_quotes = "technician,name\nt1,Robin\nt2,\"Sam Oka";
        let refusal = keep(store, branch, kind, cut_in_quotes);
        assert!(matches!(refusal, Err(ImportRefusal::OpenQuote { line: 3 })), "{refusal:?}");
        let cut_in_row = "technician,name\nt1,Robin\nt2";
        let found = findings(keep(store, branch, kind, cut_in_row).unwrap_err());
        assert_eq!((found[0].row, found[0].expected.as_str()), (3, "2 fields as in the header, not 1"));
        let huge = std::io::repeat(b'x').take(100 * 1024 * 1024);
        let refusal = import(store, branch, kind, huge, Mode::Keep, now(), today());
        assert!(matches!(refusal, Err(ImportRefusal::TooLarge)), "{refusal:?}");
    }

    fn ten_thousand_bad_rows_are_counted_and_the_first_are_listed(store: &Store, branch: BranchId) {
        let rows: String = (0..10_000).map(|i| format!("t{i},\n")).collect();
        match keep(store, branch, ImportKind::Technicians, &format!("technician,name\n{rows}")).unwrap_err() {
            ImportRefusal::Rows { findings, total, rows: bad } => {
                assert_eq!((findings.len(), total, bad), (MAX_FINDINGS, 10_000, 10_000));
                assert_eq!(findings[0].row, 2);
            }
            other => panic!("{other}"),
        }
    }

    fn parts_are_checked_against_their_class_their_place_and_each_other(store: &Store, branch: BranchId) {
        keep_files(store, branch, 5);
        let text = "\
component,unit,position,class,rating,installed_on,ended_on,end_kind,replaced_by
d1,u9,p,contactor,,,,,
d2,u3,p1,run-capacitor-dual,45 uF 440 V,,,,
d3,u3,p2,run-capacitor-single,,,,,
d4,u3,p3,contactor,,2020-01-01,2019-01-01,failed,
d5,u3,p4,contactor,,2020-01-01,2021-01-01,,
d6,u3,p5,contactor,,,2021-01-01,failed,zz
d7,u3,p6,toaster,,,,,
";
        let refusal = keep(store, branch, ImportKind::Components, text).unwrap_err();
        let found = places(refusal);
        assert_eq!(found, [
            at(2, "unit"), at(3, "rating"), at(4, "rating"), at(5, "ended_on"), at(6, "end_kind"),
            at(7, "replaced_by"), at(8, "class"),
        ]);
    }

    fn two_living_parts_in_one_place_are_refused_also_against_the_store(store: &Store, branch: BranchId) {
        keep_files(store, branch, 5);
        let text = "\
component,unit,position,class,rating
d1,u3,contactor,contactor,
d2,u3,contactor,contactor,
d3,u1,outdoor-capacitor,run-capacitor-dual,45+5 uF 440 V
";
        let refusal = keep(store, branch, ImportKind::Components, text).unwrap_err();
        let found = places(refusal);
        assert_eq!(found, [at(3, "position"), at(4, "position")]);
        let overlapping = "\
component,unit,position,class,installed_on,ended_on,end_kind
d1,u3,contactor,contactor,2015-01-01,2020-01-01,failed
d2,u3,contactor,contactor,2019-06-01,,
";
        let found = findings(keep(store, branch, ImportKind::Components, overlapping).unwrap_err());
        assert!(found[0].expected.contains("no other part while d1 sat there until 2020-01-01"), "{found:?}");
    }

    fn parts_that_follow_each_other_in_a_circle_are_refused(store: &Store, branch: BranchId) {
        keep_files(store, branch, 5);
        let text = "\
component,unit,position,class,ended_on,end_kind,replaced_by
d1,u3,contactor,contactor,2020-01-01,failed,d2
d2,u3,contactor,contactor,2021-01-01,failed,d1
";
        let found = places(keep(store, branch, ImportKind::Components, text).unwrap_err());
        assert_eq!(found, [at(2, "replaced_by"), at(3, "replaced_by")]);
    }

    fn a_wrong_replacement_is_refused_with_the_reason(store: &Store, branch: BranchId) {
        keep_files(store, branch, 5);
        let text = "\
component,ended_on,end_kind,new_component,new_rating
c2,2025-07-01,failed,d1,45+5 uF 370 V
zz,2025-07-01,failed,,
c4,2014-07-01,failed,,
c3,2025-07-01,failed,c1,
";
        let found = findings(keep(store, branch, ImportKind::Replacements, text).unwrap_err());
        assert!(found[0].expected.contains("a 440 V part may not be replaced by a 370 V part"), "{found:?}");
        let places: Vec<(usize, &str)> = found.iter().map(|f| (f.row, f.column.as_deref().unwrap())).collect();
        assert_eq!(places, [(2, "new_rating"), (3, "component"), (4, "ended_on"), (5, "new_component")]);
        let living = ComponentFilter { living: Some(true), ..ComponentFilter::default() };
        let left = store.read(|c| components::list(c, branch, &living, Page::everything())).unwrap();
        assert_eq!(left.len(), 3, "no row was taken");
    }

    fn absurd_future_and_negative_readings_are_refused(store: &Store, branch: BranchId) {
        keep_files(store, branch, 5);
        let text = "\
reading,component,taken_on,section,microfarads,volts,amperes
r1,c2,2026-03-03,,44,,
r2,c2,2024-03-05,,-4,,
r3,c2,2024-03-05,,4400,,
r4,c4,2024-03-05,fan,4,,
r5,c2,2024-03-05,,,240,
r6,c2,2024-03-05,,,,
r7,c1,2024-03-05,,44,,
r8,c2,2020-03-05,,44,,
";
        let found = places(keep(store, branch, ImportKind::Readings, text).unwrap_err());
        assert_eq!(found, [
            at(2, "taken_on"), at(3, "microfarads"), at(4, "microfarads"), at(5, "section"),
            at(6, "amperes"), at(7, "microfarads"), at(8, "taken_on"), at(9, "taken_on"),
        ]);
    }

    fn a_row_begins_where_the_finding_says_also_after_line_breaks_in_fields(store: &Store, branch: BranchId) {
        let text = "technician,name,email\nt1,\"Robin\nReyes\",\nt2,Sam,nobody\n";
        let found = findings(keep(store, branch, ImportKind::Technicians, text).unwrap_err());
        assert_eq!((found[0].row, found[0].line), (3, 4));
        let windows = text.replace('\n', "\r\n");
        let found = findings(keep(store, branch, ImportKind::Technicians, &windows).unwrap_err());
        assert_eq!((found[0].row, found[0].line), (3, 4));
        let spaced = "technician,name,email\r\n\r\nt2,Sam,nobody\r\n";
        let found = findings(keep(store, branch, ImportKind::Technicians, spaced).unwrap_err());
        assert_eq!((found[0].row, found[0].line), (2, 3));
        let left = store.read(|c| technicians::list(c, branch, &Default::default(), Page::everything())).unwrap();
        assert!(left.is_empty());
    }
}

#[test]
fn every_kind_names_its_headers_with_the_key_first() {
    for kind in ImportKind::ALL {
        let first = headers(*kind)[0];
        assert!(kind.as_str().starts_with(first) || *kind == ImportKind::Replacements, "{first}");
    }
}
