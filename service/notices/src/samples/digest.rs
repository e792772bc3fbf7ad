//! The sample of the office's digest.

use hotspell_domain::{Celsius, ComponentClass, Language, TemperatureUnit, VisitKind};

use super::{branch, day, time, window};
use crate::compose::{
    CallAbout, DayLoad, DigestChange, DigestList, DigestRow, DigestSlot, HeatAhead, HeatOutlook,
    OfficeDigest, PartShort, PartToCarry, PhoneReason, ReachByPhone, Unanswered,
};

/// A hot spell that is forecast.
#[must_use]
pub fn spell() -> HeatOutlook {
    HeatOutlook {
        first_day: day("2026-03-14"),
        goes_on: false,
        days: 4,
        open_end: false,
        highest: Celsius::new(37.2).unwrap(),
        visits_still_open: 63,
    }
}

fn calls() -> Vec<ReachByPhone> {
    let call = |name: &str, phone: Option<&str>, why| ReachByPhone {
        household_name: name.into(),
        phone: phone.map(str::to_owned),
        about: CallAbout::Visit { kind: VisitKind::TuneUp, day: Some(day("2026-03-12")) },
        why,
        words: None,
    };
    let asked = ReachByPhone {
        words: Some("mornings are bad".into()),
        ..call("Lucía Peñalosa", Some("(480) 555-0121"), PhoneReason::WantsAnotherTime)
    };
    let renewal = ReachByPhone {
        about: CallAbout::Renewal { last_day: day("2026-04-30") },
        ..call("K. Redhouse", Some("(480) 555-0177"), PhoneReason::AskedForCall)
    };
    let without_a_day = ReachByPhone {
        about: CallAbout::Visit { kind: VisitKind::CapacitorCheck, day: None },
        ..call("T. Nakai", Some("(480) 555-0102"), PhoneReason::StillExpectsUs)
    };
    vec![
        asked,
        renewal,
        without_a_day,
        call("R. Whitlock", Some("(602) 555-0163"), PhoneReason::MailComesBack),
        call("The Abernathys", None, PhoneReason::NoAddress),
        call("B. Osei", Some("(602) 555-0188"), PhoneReason::NoConsent),
        call("C. Lindqvist", Some("(602) 555-0189"), PhoneReason::StoppedMail),
        call("H. Baptiste", Some("(602) 555-0190"), PhoneReason::NotToldYet),
        call("2201 E Example Way", None, PhoneReason::NobodyOnRecord),
    ]
}

/// The office's digest of a day with something of everything.
#[must_use]
pub fn digest(language: Language) -> OfficeDigest {
    OfficeDigest {
        branch: branch(),
        language,
        day: day("2026-03-09"),
        temperature_unit: TemperatureUnit::DegF,
        heat: HeatAhead::Spell(spell()),
        reach_by_phone: DigestList::new(calls()),
        unanswered: DigestList::new(
            (0..23)
                .map(|number| Unanswered {
                    household_name: format!("Household {number:02}"),
                    phone: (number != 3).then(|| format!("(602) 555-01{number:02}")),
                    visit_kind: VisitKind::CapacitorCheck,
                    window: window("2026-03-12", "08:00", "10:00"),
                    times_told: 1 + number % 3,
                })
                .collect(),
        ),
        parts_short: DigestList::new(vec![PartShort {
            class: ComponentClass::RunCapacitorDual,
            rating: "45+5 uF 370/440 V".into(),
            needed: 6,
            loaded: 4,
            technician_first_name: "Teo".into(),
            day: day("2026-03-09"),
        }]),
        next_load: Some(DayLoad {
            day: day("2026-03-10"),
            parts: DigestList::new(vec![
                PartToCarry {
                    class: ComponentClass::RunCapacitorDual,
                    rating: "45+5 uF 370/440 V".into(),
                    quantity: 5,
                    carried_by: vec![("Marisol".into(), 3), ("Teo".into(), 2)],
                },
                PartToCarry {
                    class: ComponentClass::Contactor,
                    rating: "2-pole 30 A".into(),
                    quantity: 1,
                    carried_by: vec![("Teo".into(), 1)],
                },
            ]),
        }),
        changes: DigestList::new(changes()),
        newly_placed: 12,
        last_digest: Some(day("2026-03-06")),
        calls_url: "https://palobrea.example.com/office/season#needs".into(),
        overview_url: "https://palobrea.example.com/office/season".into(),
    }
}

fn slot(on: &str, from: &str, to: &str) -> DigestSlot {
    DigestSlot { day: day(on), hours: Some((time(from), time(to))) }
}

fn changes() -> Vec<DigestRow> {
    let without_hours = DigestSlot { day: day("2026-03-18"), hours: None };
    let household =
        |name: &str, what| DigestRow { household_name: name.into(), visit_kind: None, what };
    vec![
        change("Q. Amari", DigestChange::CalledIn),
        change(
            "Ann Okafor-Müller",
            DigestChange::Agreed { slot: slot("2026-03-10", "08:00", "10:00") },
        ),
        change(
            "J. Featherstone",
            DigestChange::Moved {
                from: day("2026-03-10"),
                to: slot("2026-03-17", "13:00", "15:00"),
            },
        ),
        change(
            "N. Quintero",
            DigestChange::OtherTechnician {
                slot: without_hours,
                technician_first_name: "Marisol".into(),
            },
        ),
        change("M. Castellanos", DigestChange::LostItsPlace { day: day("2026-03-11") }),
        change("D. Hollis", DigestChange::Done { parts_replaced: 2 }),
        change("P. Iyer", DigestChange::Missed { day: day("2026-03-09") }),
        change("S. Yazzie", DigestChange::Dropped),
        household("V. Moreau", DigestChange::WantsToGoOn { last_day: day("2026-04-12") }),
        household("C. Lindqvist", DigestChange::StoppedMail),
    ]
}

fn change(name: &str, what: DigestChange) -> DigestRow {
    DigestRow { household_name: name.into(), visit_kind: Some(VisitKind::TuneUp), what }
}
