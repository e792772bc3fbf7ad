//! The household whose story the demo tells: two systems of the same age, the capacitor of one
//! failed in last summer's heat, its sister still runs.

use chrono::NaiveDate;
use hotspell_domain::{ComponentClass, Exposure, UnitKind};

use crate::calendar::HeatCalendar;
use crate::days::{day, later};
use crate::dice::Dice;
use crate::household::{Promise, Term};
use crate::life::{Machine, fresh_machine};
use crate::machine::{Drift, Make, Surroundings};
use crate::records::SiteRow;

/// The site's number; its key is `S-0217`.
pub(crate) const NUMBER: usize = 217;
/// Both systems were put in on the day on which the agreement began.
const INSTALLED: NaiveDate = day(2016, 4, 19);
/// The downstairs capacitor failed in the hottest stretch of the summer of 2024.
const FAILED: NaiveDate = day(2024, 7, 8);
/// Other parts of the house that failed in hot weather before, by system and class.
const EARLIER_FAILURES: [(usize, ComponentClass, NaiveDate); 2] = [
    (1, ComponentClass::FanMotor, day(2021, 6, 18)),
    (2, ComponentClass::Contactor, day(2022, 7, 12)),
];
/// A spring day at which the levels below are reached.
const SPRING: NaiveDate = day(2024, 4, 1);
/// Level of each system's sections when new and in spring 2024 against the rating, percent.
const LEVELS: [[(f64, f64); 2]; 2] = [[(1.2, -5.3), (0.6, -3.1)], [(0.9, -4.6), (1.0, -2.2)]];

/// Frailty of the site: a hard place for parts.
pub(crate) const FRAILTY: f64 = 1.6;

pub(crate) const fn term() -> Term {
    Term { first_day: INSTALLED, last_day: None, promise: Promise::Spring }
}

/// What the household told, over what the dice gave it.
pub(crate) fn adorn(row: &mut SiteRow) {
    let text = str::to_owned;
    row.name = text("Okafor-Lindqvist");
    row.address_1 = text("1747 Emberquince Way");
    row.address_2.clear();
    row.city = text("Saltbush Park");
    (row.latitude, row.longitude) = (text("33.52860"), text("-112.04730"));
    row.vulnerability = text("infant");
    row.language = text("en");
    row.refused_weekdays.clear();
    (row.visit_from, row.visit_until) = (text("08:00"), text("12:00"));
    row.absences.clear();
    row.access_notes = text("large friendly dog, please call before opening the gate");
    row.contact_name = text("Imani Okafor-Lindqvist");
    row.contact_email = text("imani.okafor-lindqvist@home.example.com");
    row.contact_phone = text("+16025550117");
    row.contact_mail_consent = text("yes");
    row.contact_consent_on = Some(INSTALLED);
    row.contact_consent_how = text("agreement form");
}

pub(crate) fn machines(site: &str, heat: &HeatCalendar, dice: &mut Dice) -> Vec<Machine> {
    let make = Make {
        kind: UnitKind::SplitAirConditioner,
        tons: Some(3.5),
        has_blower: false,
        exposure: Exposure::Sun,
        supply_volts: 240.0,
    };
    let around = Surroundings { heat, make: &make, frailty: FRAILTY };
    let mut machines = Vec::new();
    for ((number, label), levels) in (1..).zip(["downstairs", "upstairs"]).zip(LEVELS) {
        let key = format!("{site}-{number}");
        let mut machine =
            fresh_machine(&key, label, (heat, make.clone(), FRAILTY), INSTALLED, dice);
        machine.retires = later(INSTALLED, 6_600);
        for occupant in &mut machine.occupants {
            let part = &mut occupant.part;
            part.fails = EARLIER_FAILURES
                .iter()
                .find(|(system, class, _)| (*system, *class) == (number, part.place.class))
                .map(|(_, _, on)| *on);
            part.batch = "1608".to_owned();
            if part.place.class.is_run_capacitor() {
                part.rating = "45+5 uF 370/440 V".to_owned();
                let hours = around.heat_age(part, SPRING);
                part.sections = [45.0, 5.0]
                    .into_iter()
                    .zip(levels)
                    .map(|(rated, (new, then))| Drift::through(rated, new, (hours, then)))
                    .collect();
                part.quiet = false;
                part.fails = (number == 1).then_some(FAILED);
            }
        }
        machines.push(machine);
    }
    machines
}
