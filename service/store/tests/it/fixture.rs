//! A small branch that most tests begin with.

use chrono::{DateTime, NaiveDate, Utc};
use hotspell_domain::{
    BranchId, ComponentClass, ContactId, Exposure, Language, SiteId, TechnicianId, TemperatureUnit,
    UnitId, UnitKind, VisitId, VisitKind, VisitState,
};
use hotspell_store::branches::BranchFields;
use hotspell_store::components::{ComponentFields, ComponentRecord};
use hotspell_store::contacts::ContactFields;
use hotspell_store::sites::SiteFields;
use hotspell_store::technicians::TechnicianFields;
use hotspell_store::units::UnitFields;
use hotspell_store::visits::{Cause, VisitFields};
use hotspell_store::{
    Store, StoreError, WeekdaySet, branches, components, contacts, sites, technicians, units,
    visits,
};

pub(crate) fn now() -> DateTime<Utc> {
    "2026-03-02T15:04:05.123456Z".parse().unwrap()
}

pub(crate) fn day(text: &str) -> NaiveDate {
    text.parse().unwrap()
}

pub(crate) fn branch_fields(key: &str) -> BranchFields {
    BranchFields {
        key: key.to_owned(),
        name: "Mesa Verde Cooling".to_owned(),
        time_zone: chrono_tz::America::Phoenix,
        station_id: None,
        temperature_unit: TemperatureUnit::DegF,
        degree_day_base: 65.0,
        depot_latitude_degrees: Some(33.45),
        depot_longitude_degrees: Some(-112.07),
        postal_address: "1 Example Way, Exampleton".to_owned(),
        phone: Some("+16025550100".to_owned()),
        reply_to: Some("office@example.com".to_owned()),
        quiet_from: "20:00:00".parse().ok(),
        quiet_until: "08:00:00".parse().ok(),
        working_weekdays: WeekdaySet::MONDAY_TO_FRIDAY,
        mains_hertz: 60.0,
    }
}

pub(crate) fn site_fields(key: &str) -> SiteFields {
    SiteFields {
        key: key.to_owned(),
        name: "Household Acacia".to_owned(),
        address_1: "12 Example Street".to_owned(),
        address_2: None,
        city: "Exampleton".to_owned(),
        region: "AZ".to_owned(),
        postal_code: "00000".to_owned(),
        latitude_degrees: Some(33.5),
        longitude_degrees: Some(-112.0),
        elevation_metres: None,
        access_notes: None,
        refused_weekdays: WeekdaySet::NONE,
        visit_from: None,
        visit_until: None,
        vulnerability: None,
        language: Language::English,
    }
}

pub(crate) fn technician_fields(key: &str) -> TechnicianFields {
    TechnicianFields {
        key: key.to_owned(),
        name: "Robin Reyes".to_owned(),
        email: Some("robin@example.com".to_owned()),
        phone: None,
        language: Language::Spanish,
        start_latitude_degrees: None,
        start_longitude_degrees: None,
        active_from: None,
        active_until: None,
    }
}

pub(crate) fn unit_fields(key: &str, site: SiteId) -> UnitFields {
    UnitFields {
        key: key.to_owned(),
        site_id: site,
        kind: UnitKind::SplitAirConditioner,
        label: Some("upstairs".to_owned()),
        capacity_watts: Some(10_550.55),
        installed_earliest: Some(day("2014-05-01")),
        installed_latest: Some(day("2014-05-31")),
        removed_on: None,
        exposure: Exposure::Sun,
        supply_volts: 240.0,
    }
}

pub(crate) fn component_fields(key: &str, unit: UnitId) -> ComponentFields {
    ComponentFields {
        key: key.to_owned(),
        unit_id: unit,
        position: "outdoor-capacitor".to_owned(),
        class: ComponentClass::RunCapacitorDual,
        rating: Some("45+5 uF 370/440 V".to_owned()),
        installed_earliest: Some(day("2019-06-01")),
        installed_latest: Some(day("2019-06-01")),
        observed_from: day("2019-06-01"),
        history_complete: false,
        ended_on: None,
        end_kind: None,
        last_seen_good_on: None,
        replaced_by_id: None,
        batch: None,
    }
}

pub(crate) fn contact_fields(key: &str, site: SiteId) -> ContactFields {
    ContactFields {
        key: key.to_owned(),
        site_id: site,
        name: "Ada Acacia".to_owned(),
        email: Some("ada@example.com".to_owned()),
        phone: None,
        role: None,
        mail_consent: true,
        consent_at: Some(now()),
        consent_how: Some("agreement form".to_owned()),
        stopped_at: None,
        reachable_by_mail: true,
        unreachable_reason: None,
    }
}

pub(crate) fn visit_fields(site: SiteId) -> VisitFields {
    VisitFields {
        agreement_id: None,
        site_id: site,
        kind: VisitKind::TuneUp,
        window_first: day("2026-02-01"),
        window_last: day("2026-05-15"),
        within_first: day("2026-02-01"),
        within_last: day("2026-05-15"),
        days_chosen: false,
        state: VisitState::Owed,
        day: None,
        technician_id: None,
        starts: None,
        ends: None,
        duration_seconds: 3600,
        priority: 0,
        reason: None,
    }
}

pub(crate) const OFFICE: Cause<'static> = Cause { who: "office", why: Some("test") };

/// One of each.
pub(crate) struct Fixture {
    pub(crate) branch: BranchId,
    pub(crate) site: SiteId,
    pub(crate) contact: ContactId,
    pub(crate) technician: TechnicianId,
    pub(crate) unit: UnitId,
    pub(crate) component: ComponentRecord,
    pub(crate) visit: VisitId,
}

pub(crate) fn fixture(store: &Store) -> Fixture {
    store
        .write(|c| -> Result<Fixture, StoreError> {
            let branch = branches::insert(c, &branch_fields("main"), now())?.id;
            let site = sites::insert(c, branch, &site_fields("S1"), now())?.id;
            let contact = contacts::insert(c, branch, &contact_fields("S1", site), now())?.id;
            let technician = technicians::insert(c, branch, &technician_fields("T1"), now())?.id;
            let unit = units::insert(c, branch, &unit_fields("U1", site), now())?.id;
            let component = components::insert(c, branch, &component_fields("C1", unit), now())?;
            let visit = visits::insert_once(c, branch, &visit_fields(site), OFFICE, now())?
                .expect("a new visit")
                .id;
            Ok(Fixture { branch, site, contact, technician, unit, component, visit })
        })
        .expect("the fixture is stored")
}

/// Runs a test on both databases.
macro_rules! on_both {
    ($($(#[$meta:meta])* fn $name:ident($store:ident: &Store) $body:block)+) => {$(
        mod $name {
            use super::*;

            fn check($store: &hotspell_store::Store) $body

            $(#[$meta])*
            #[test]
            fn sqlite() {
                let database = hotspell_test_support::TestDatabase::new(hotspell_store::DatabaseKind::Sqlite);
                check(&database.store());
            }

            $(#[$meta])*
            #[test]
            fn postgres() {
                let database = hotspell_test_support::TestDatabase::new(hotspell_store::DatabaseKind::Postgres);
                check(&database.store());
            }
        }
    )+};
}
pub(crate) use on_both;
