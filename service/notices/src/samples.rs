//! A sample of every notice from fixed, invented values: what an office looks at before it trusts a
//! text, and what the tests of this room compare with.
//!
//! People, homes and addresses are invented; mail addresses and links are under example.com, telephone
//! numbers end in 555-01 and two digits, which are set aside for such use.

#![expect(
    clippy::unwrap_used,
    clippy::missing_panics_doc,
    reason = "the values are written below, and a test composes every one of them"
)]

mod digest;

use crate::compose::{
    Branch, CalendarIdentity, ChangeCause, ComposeError, ComposedNotice, Finding, FindingAction,
    FollowUp, Household, LoadItem, OfficeDigest, OwnLines, PartReason, RenewalDue, Section,
    SectionReading, SlotChange, SlotChanged, Stop, StopPart, StopUnit, TechnicianDelayed,
    TechnicianRoute, UnitReport, UpcomingVisit, VisitReason, VisitReport, Window, day_before,
    office_digest, reminder, renewal_due, second_reminder, slot_changed, technician_delayed,
    technician_route, visit_report,
};
use crate::message::{OutgoingNotice, Recipient, Sender, StopLinks, is_for_household};
use chrono::{DateTime, NaiveDate, NaiveTime, Utc};
use hotspell_domain::capacitor::Verdict;
use hotspell_domain::{
    CapacitorRating, ComponentClass, Condition, Language, Microfarads, NoticeId, NoticeKind,
    UnitKind, VisitKind,
};

pub use digest::{digest, spell};

fn day(text: &str) -> NaiveDate {
    text.parse().unwrap()
}

fn time(text: &str) -> NaiveTime {
    format!("{text}:00").parse().unwrap()
}

fn at(text: &str) -> DateTime<Utc> {
    text.parse().unwrap()
}

fn rating(text: &str) -> CapacitorRating {
    text.parse().unwrap()
}

fn microfarads(value: f64) -> Microfarads {
    Microfarads::new(value).unwrap()
}

fn window(on: &str, from: &str, to: &str) -> Window {
    Window { day: day(on), from: time(from), to: time(to) }
}

/// When every sample was composed.
#[must_use]
pub fn composed_at() -> DateTime<Utc> {
    at("2026-02-24T16:05:00Z")
}

/// The invented company.
#[must_use]
pub fn branch() -> Branch {
    Branch {
        name: "Palo Brea Cooling".into(),
        phone: Some("(602) 555-0140".into()),
        postal_address: "480 W Encanto Row, Phoenix, AZ 85003".into(),
        reply_to: "office@palobrea.example.com".into(),
        zone: chrono_tz::America::Phoenix,
        own_lines: OwnLines::default(),
    }
}

/// The invented household.
#[must_use]
pub fn household(language: Language) -> Household {
    let name = match language {
        Language::English => "Ann Okafor-Müller",
        Language::Spanish => "Lucía Peñalosa",
    };
    Household {
        name: name.into(),
        email: Some("household@homes.example.com".into()),
        site_address: "1842 E Saguaro Bend, Phoenix, AZ 85016".into(),
        language,
    }
}

const ANSWER: &str =
    "https://notices.palobrea.example.com/a/ARkAAAAAAAAAKQAAAAAAAAAHAAAAAgAAAABpsDFw";
const STOP: &str =
    "https://notices.palobrea.example.com/s/AQQAAAAAAAAAAAAAAAAAAAAHAAAAAgAAAABpsDFw";

fn identity(sequence: u32) -> Option<CalendarIdentity> {
    Some(CalendarIdentity { uid: "visit-41@palobrea.example.com".into(), sequence })
}

/// A visit to come.
#[must_use]
pub fn upcoming(language: Language) -> UpcomingVisit {
    UpcomingVisit {
        branch: branch(),
        household: household(language),
        visit_kind: VisitKind::TuneUp,
        window: window("2026-03-10", "08:00", "10:00"),
        technician_first_name: Some("Marisol".into()),
        why: VisitReason::AgingPart,
        answer_url: ANSWER.into(),
        stop_url: STOP.into(),
        calendar: identity(0),
        composed_at: composed_at(),
    }
}

/// A visit that moved.
#[must_use]
pub fn moved(language: Language) -> SlotChanged {
    SlotChanged {
        branch: branch(),
        household: household(language),
        visit_kind: VisitKind::TuneUp,
        previous: window("2026-03-10", "08:00", "10:00"),
        change: SlotChange::Moved {
            to: window("2026-03-12", "11:00", "13:00"),
            technician_first_name: Some("Teo".into()),
        },
        cause: ChangeCause::TechnicianAway,
        answer_url: ANSWER.into(),
        stop_url: STOP.into(),
        calendar: identity(1),
        composed_at: composed_at(),
    }
}

/// A visit that is cancelled.
#[must_use]
pub fn cancelled(language: Language) -> SlotChanged {
    SlotChanged {
        change: SlotChange::Cancelled,
        cause: ChangeCause::HouseholdAsked,
        calendar: identity(2),
        ..moved(language)
    }
}

/// A technician who is late.
#[must_use]
pub fn delayed(language: Language) -> TechnicianDelayed {
    TechnicianDelayed {
        branch: branch(),
        household: household(language),
        visit_kind: VisitKind::TuneUp,
        window: window("2026-03-10", "08:00", "10:00"),
        expected_from: time("10:15"),
        expected_to: time("11:00"),
        technician_first_name: Some("Marisol".into()),
        answer_url: ANSWER.into(),
        stop_url: STOP.into(),
        calendar: identity(1),
        composed_at: composed_at(),
    }
}

fn reading(section: Section, rated: f64, measured: f64, verdict: Verdict) -> SectionReading {
    SectionReading { section, rated: microfarads(rated), measured: microfarads(measured), verdict }
}

/// What was found and done.
#[must_use]
pub fn report(language: Language) -> VisitReport {
    let (upstairs, downstairs) = match language {
        Language::English => ("Upstairs", "Downstairs"),
        Language::Spanish => ("Planta alta", "Planta baja"),
    };
    let note = match language {
        Language::English => "Rinsed both outdoor coils. The filter upstairs was full of dust.",
        Language::Spanish => {
            "Lavé los dos serpentines exteriores. El filtro de arriba tenía mucho polvo."
        }
    };
    let finding =
        |class, readings, conditions, action| Finding { class, readings, conditions, action };
    VisitReport {
        branch: branch(),
        household: household(language),
        visit_kind: VisitKind::TuneUp,
        day: day("2026-03-10"),
        technician_first_name: Some("Marisol".into()),
        units: vec![
            UnitReport {
                label: upstairs.into(),
                kind: UnitKind::SplitAirConditioner,
                findings: vec![
                    finding(
                        ComponentClass::RunCapacitorDual,
                        vec![
                            reading(Section::Compressor, 45.0, 38.2, Verdict::Out),
                            reading(Section::Fan, 5.0, 4.9, Verdict::WithinTolerance),
                        ],
                        vec![Condition::Bulged],
                        FindingAction::Replaced { rating: Some(rating("45+5 uF 370/440 V")) },
                    ),
                    finding(ComponentClass::Contactor, vec![], vec![], FindingAction::Nothing),
                ],
            },
            UnitReport {
                label: downstairs.into(),
                kind: UnitKind::HeatPump,
                findings: vec![
                    finding(
                        ComponentClass::RunCapacitorSingle,
                        vec![reading(Section::Only, 35.0, 32.6, Verdict::Due)],
                        vec![],
                        FindingAction::ReplaceNextTime,
                    ),
                    finding(
                        ComponentClass::FanMotor,
                        vec![],
                        vec![Condition::Hot],
                        FindingAction::WatchIt,
                    ),
                ],
            },
        ],
        technician_note: Some(note.into()),
        follow_up: FollowUp::ReturnVisit,
        report_url: Some("https://notices.palobrea.example.com/r/AQIAAAAAAAAAKQAAAAAAAAAH".into()),
        stop_url: STOP.into(),
    }
}

/// An agreement that ends.
#[must_use]
pub fn renewal(language: Language) -> RenewalDue {
    RenewalDue {
        branch: branch(),
        household: household(language),
        last_day: day("2026-05-31"),
        visits_done: 2,
        visits_open: 1,
        answer_url: ANSWER.into(),
        stop_url: STOP.into(),
    }
}

fn part(class: ComponentClass, rated: Option<&str>, due: bool, why: Vec<PartReason>) -> StopPart {
    StopPart { class, rating: rated.map(rating), due, why }
}

fn stop_with_sister_units(language: Language) -> Stop {
    let (label, sister, notes) = match language {
        Language::English => ("Upstairs", "Downstairs", "Gate code 4410. Two friendly dogs."),
        Language::Spanish => {
            ("Planta alta", "Planta baja", "Clave del portón 4410. Dos perros tranquilos.")
        }
    };
    let low = PartReason::LowReading { measured: microfarads(41.1), rated: microfarads(45.0) };
    let dual = ComponentClass::RunCapacitorDual;
    Stop {
        arrive: time("08:05"),
        leave: time("09:25"),
        window: window("2026-03-10", "08:00", "10:00"),
        household_name: "Ann Okafor-Müller".into(),
        phone: Some("(602) 555-0117".into()),
        site_address: "1842 E Saguaro Bend, Phoenix, AZ 85016".into(),
        access_notes: Some(notes.into()),
        visit_kind: VisitKind::TuneUp,
        units: vec![
            StopUnit {
                label: label.into(),
                kind: UnitKind::SplitAirConditioner,
                parts: vec![
                    part(
                        dual,
                        Some("45+5 uF 370 V"),
                        true,
                        vec![low, PartReason::Years(9), PartReason::HeatExposure],
                    ),
                    part(ComponentClass::Contactor, None, false, vec![PartReason::UnknownHistory]),
                ],
            },
            StopUnit {
                label: sister.into(),
                kind: UnitKind::HeatPump,
                parts: vec![part(
                    dual,
                    Some("45+5 uF 370/440 V"),
                    true,
                    vec![PartReason::SisterFailed, PartReason::Seen(Condition::Hot)],
                )],
            },
        ],
    }
}

fn stop_without_cooling() -> Stop {
    Stop {
        arrive: time("10:10"),
        leave: time("10:50"),
        window: window("2026-03-10", "10:00", "12:00"),
        household_name: "J. Featherstone & Sons".into(),
        phone: None,
        site_address: "77 N Ironwood Pl, Apt. 3, Tempe, AZ 85281".into(),
        access_notes: None,
        visit_kind: VisitKind::NoCoolCall,
        units: vec![StopUnit {
            label: "1".into(),
            kind: UnitKind::PackagedUnit,
            parts: vec![part(
                ComponentClass::RunCapacitorSingle,
                Some("7.5 uF 440 V"),
                false,
                vec![PartReason::Years(1)],
            )],
        }],
    }
}

/// A technician's day.
#[must_use]
pub fn route(language: Language) -> TechnicianRoute {
    TechnicianRoute {
        branch: branch(),
        technician_first_name: "Marisol".into(),
        language,
        day: day("2026-03-10"),
        leave_depot: time("07:30"),
        back_at_depot: time("15:40"),
        load: vec![
            LoadItem {
                class: ComponentClass::RunCapacitorDual,
                rating: rating("45+5 uF 370/440 V"),
                quantity: 2,
            },
            LoadItem {
                class: ComponentClass::RunCapacitorSingle,
                rating: rating("7.5 uF 440 V"),
                quantity: 1,
            },
        ],
        stops: vec![stop_with_sister_units(language), stop_without_cooling()],
        route_url: "https://palobrea.example.com/technician/routes/2026-03-10".into(),
    }
}

/// A notice with invented values.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Sample {
    /// What it is called; a kind of notice may have several.
    pub name: &'static str,
    /// What it is a sample of.
    pub kind: NoticeKind,
    /// What it says.
    pub content: ComposedNotice,
}

/// Every sample as a branch writes it, in a language; the branch's own lines stand in those to
/// households.
///
/// # Errors
/// Only when a template is at fault.
pub fn all(branch: &Branch, language: Language) -> Result<Vec<Sample>, ComposeError> {
    let branch = || branch.clone();
    let upcoming = UpcomingVisit { branch: branch(), ..upcoming(language) };
    let moved = SlotChanged { branch: branch(), ..moved(language) };
    let cancelled = SlotChanged { branch: branch(), ..cancelled(language) };
    let delayed = TechnicianDelayed { branch: branch(), ..delayed(language) };
    let report = VisitReport { branch: branch(), ..report(language) };
    let renewal = RenewalDue { branch: branch(), ..renewal(language) };
    let route = TechnicianRoute { branch: branch(), ..route(language) };
    let digest = OfficeDigest { branch: branch(), ..digest(language) };
    let sample = |name, kind, content| Sample { name, kind, content };
    Ok(vec![
        sample("reminder", NoticeKind::Reminder, reminder(&upcoming)?),
        sample("second-reminder", NoticeKind::SecondReminder, second_reminder(&upcoming)?),
        sample("day-before", NoticeKind::DayBefore, day_before(&upcoming)?),
        sample("slot-moved", NoticeKind::SlotChanged, slot_changed(&moved)?),
        sample("slot-cancelled", NoticeKind::SlotChanged, slot_changed(&cancelled)?),
        sample("technician-delayed", NoticeKind::TechnicianDelayed, technician_delayed(&delayed)?),
        sample("visit-report", NoticeKind::VisitReport, visit_report(&report)?),
        sample("renewal-due", NoticeKind::RenewalDue, renewal_due(&renewal)?),
        sample("technician-route", NoticeKind::TechnicianRoute, technician_route(&route)?),
        sample("office-digest", NoticeKind::OfficeDigest, office_digest(&digest)?),
    ])
}

/// A notice ready to leave.
#[must_use]
pub fn outgoing(id: i64, kind: NoticeKind, content: ComposedNotice, name: &str) -> OutgoingNotice {
    OutgoingNotice {
        id: NoticeId(id),
        kind,
        composed_at: composed_at(),
        recipient: Recipient {
            name: name.into(),
            email: Some("household@homes.example.com".into()),
            phone: Some("+16025550117".into()),
        },
        sender: Sender {
            name: "Palo Brea Cooling".into(),
            email: "notices@palobrea.example.com".into(),
            reply_to: "office@palobrea.example.com".into(),
            bounce_to: Some("bounces@palobrea.example.com".into()),
        },
        stop: is_for_household(kind).then(|| StopLinks {
            web_url: STOP.into(),
            mailto_url: "mailto:stop@palobrea.example.com?subject=AQQAAAAAAAAAAAAAAAAAAAAH".into(),
        }),
        content,
    }
}
