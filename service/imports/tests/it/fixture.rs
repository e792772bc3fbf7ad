//! A branch and a small set of files.

use chrono::{DateTime, NaiveDate, Utc};
use hotspell_domain::BranchId;
use hotspell_imports::{ImportKind, ImportRefusal, ImportReport, Mode, import};
use hotspell_store::Store;
use hotspell_store::branches;
use hotspell_test_support::branch_fields;

pub(crate) const TECHNICIANS: &str = "\
technician,name,email,phone,skills,start_latitude,start_longitude,monday,tuesday,absences
t1,Robin Reyes,robin@example.com,+1 (602) 555-0101,standard;heat-pump,33.41,-111.92,07:30-16:00,07:30-16:00,2026-04-06..2026-04-10
t2,Sam Okafor,,,,,,,08:00-12:00,
";

pub(crate) const SITES: &str = "\
site,name,address_1,city,region,postal_code,latitude,longitude,refused_weekdays,visit_from,visit_until,vulnerability,language,contact_name,contact_email,contact_mail_consent,contact_consent_on,contact_consent_how,absences
s1,Acacia,12 Example St,Exampleton,AZ,00000,33.5,-112.0,mon;sat,09:00,17:00,infant,es,Ada Acacia,ada@example.com,yes,2024-02-05,agreement form,2026-06-01..2026-06-14; 2026-07-03
s2,Bramble,14 Example St,Exampleton,AZ,00000,,,,,,,,,,,,,
";

pub(crate) const AGREEMENTS: &str = "\
agreement,site,first_day,last_day,visits
a1,s1,2022-03-01,,tune-up@02-01..05-15; tune-up@09-15..11-30
a2,s2,2024-01-01,2026-12-31,capacitor-check@11-01..02-28
";

pub(crate) const UNITS: &str = "\
unit,site,kind,label,capacity_tons,installed_on,exposure
u1,s1,split-air-conditioner,upstairs,3.5,2014-05,sun
u2,s1,heat-pump,downstairs,3,..2015-12-31,shade
u3,s2,packaged-unit,,,,
";

pub(crate) const COMPONENTS: &str = "\
component,unit,position,class,rating,installed_on,observed_from,history_complete,ended_on,end_kind,last_seen_good_on,replaced_by
c1,u1,outdoor-capacitor,run-capacitor-dual,45+5 uF 370 V,2014-05-20,2022-03-01,yes,2023-07-14,failed,2023-03-02,c2
c2,u1,outdoor-capacitor,run-capacitor-dual,45+5 uF 440 V,2023-07-14,2023-07-14,yes,,,,
c3,u2,contactor,contactor,24 V coil 30 A,,,,,,,
c4,u2,outdoor-capacitor,run-capacitor-single,40 uF 370/440 V,2015,,,,,,
";

pub(crate) const REPLACEMENTS: &str = "\
component,ended_on,end_kind,last_seen_good_on,new_component,new_rating
c4,2025-06-20,failed,2025-03-11,c5,40 uF 440 V
c5,2025-07-01,replaced-before-failing,,c6,
c3,2025-07-02,went-with-unit,,,
";

pub(crate) const READINGS: &str = "\
reading,component,taken_on,technician,section,microfarads,volts,amperes,conditions,note
r1,c2,2024-03-05,t1,main,44.1,,,,
r2,c2,2024-03-05,t1,fan,4.9,,,hot,\"top slightly warm, \"\"see photo\"\"\"
r3,c2,2025-03-04,,main,,353.7,6.0,,
";

/// Every file in the order of import.
pub(crate) const FILES: [(ImportKind, &str); 7] = [
    (ImportKind::Technicians, TECHNICIANS),
    (ImportKind::Sites, SITES),
    (ImportKind::Agreements, AGREEMENTS),
    (ImportKind::Units, UNITS),
    (ImportKind::Components, COMPONENTS),
    (ImportKind::Replacements, REPLACEMENTS),
    (ImportKind::Readings, READINGS),
];

pub(crate) fn now() -> DateTime<Utc> {
    "2026-03-02T15:00:00Z".parse().unwrap()
}

pub(crate) fn today() -> NaiveDate {
    "2026-03-02".parse().unwrap()
}

pub(crate) fn branch(store: &Store) -> BranchId {
    let fields = branch_fields("main");
    store.write(|c| branches::insert(c, &fields, now())).unwrap().id
}

pub(crate) fn keep(
    store: &Store,
    branch: BranchId,
    kind: ImportKind,
    text: &str,
) -> Result<ImportReport, ImportRefusal> {
    import(store, branch, kind, text.as_bytes(), Mode::Keep, now(), today())
}

/// Imports the first files of the set.
pub(crate) fn keep_files(store: &Store, branch: BranchId, count: usize) {
    for (kind, text) in &FILES[..count] {
        keep(store, branch, *kind, text).unwrap_or_else(|error| panic!("{kind}: {error}"));
    }
}

/// Runs a test on both databases, with a branch in it.
macro_rules! on_both {
    ($(fn $name:ident($store:ident: &Store, $branch:ident: BranchId) $body:block)+) => {$(
        mod $name {
            use super::*;

            fn check($store: &hotspell_store::Store, $branch: hotspell_domain::BranchId) $body

            #[test]
            fn sqlite() {
                let database = hotspell_test_support::TestDatabase::new(hotspell_store::DatabaseKind::Sqlite);
                let store = database.store();
                check(&store, crate::fixture::branch(&store));
            }

            #[test]
            fn postgres() {
                let database = hotspell_test_support::TestDatabase::new(hotspell_store::DatabaseKind::Postgres);
                let store = database.store();
                check(&store, crate::fixture::branch(&store));
            }
        }
    )+};
}
pub(crate) use on_both;
