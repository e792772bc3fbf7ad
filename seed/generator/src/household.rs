//! The homes: where they are, whom to write to, when somebody may come, what is owed.

use chrono::NaiveDate;

use crate::days::{TODAY, day, later, working};
use crate::dice::Dice;
use crate::records::{AgreementRow, SiteRow};
use crate::words;

/// Centre of a quarter, latitude and longitude, its spread in kilometres and its share of homes.
type Quarter = (&'static str, (f64, f64), f64, f64);

/// Invented quarters inside the box of a metropolis.
const QUARTERS: &[Quarter] = &[
    ("Cobre Flats", (33.405, -111.905), 2.4, 0.19),
    ("Lantern Mesa", (33.612, -112.178), 2.6, 0.16),
    ("Ocotillo Wells East", (33.338, -111.838), 2.1, 0.13),
    ("Tres Acequias", (33.478, -112.243), 1.8, 0.12),
    ("Saltbush Park", (33.522, -112.052), 1.6, 0.13),
    ("Quarry Bend", (33.655, -111.962), 2.0, 0.10),
    ("Verbena Heights", (33.371, -112.108), 1.5, 0.10),
    ("Mirador del Sol", (33.561, -111.885), 1.2, 0.07),
];

/// Box of the metropolis: latitude and longitude, degrees.
const BOX: ((f64, f64), (f64, f64)) = ((33.30, 33.70), (-112.35, -111.75));
const KILOMETRES_PER_DEGREE_LATITUDE: f64 = 110.9;
const KILOMETRES_PER_DEGREE_LONGITUDE: f64 = 92.9;

/// Spring window of the company's agreements.
const SPRING: &str = "02-15..05-15";
/// Autumn window of the larger agreements.
const AUTUMN: &str = "09-15..11-30";

/// What the household is promised.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Promise {
    Spring,
    SpringAndAutumn,
    CapacitorsOnly,
}

impl Promise {
    pub(crate) fn rules(self) -> String {
        match self {
            Self::Spring => format!("tune-up@{SPRING}"),
            Self::SpringAndAutumn => format!("tune-up@{SPRING}; tune-up@{AUTUMN}"),
            Self::CapacitorsOnly => format!("capacitor-check@{SPRING}"),
        }
    }
}

/// What a site's machines need to know of it.
#[derive(Debug, Clone)]
pub(crate) struct Term {
    pub(crate) first_day: NaiveDate,
    pub(crate) last_day: Option<NaiveDate>,
    pub(crate) promise: Promise,
}

/// How a site stands on the demo's day.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Standing {
    Active,
    Lapsed,
    StartsLater,
}

pub(crate) fn term(standing: Standing, dice: &mut Dice) -> Term {
    let promise = dice.share(
        &[
            (Promise::Spring, 0.76),
            (Promise::SpringAndAutumn, 0.18),
            (Promise::CapacitorsOnly, 0.06),
        ],
        Promise::Spring,
    );
    let mut first_day = working(later(day(2013, 1, 14), dice.whole(0, 4_400)));
    let mut last_day = None;
    match standing {
        Standing::Active => {
            first_day = first_day.min(day(2025, 2, 14));
            // A few run out within the season and are due for renewal.
            if dice.chance(0.06) {
                last_day = Some(later(TODAY, dice.whole(10, 150)));
            }
        }
        Standing::Lapsed => {
            first_day = first_day.min(day(2021, 6, 1));
            last_day = Some(later(first_day, dice.whole(2, 3) * 365));
        }
        Standing::StartsLater => first_day = working(later(TODAY, dice.whole(14, 40))),
    }
    Term { first_day, last_day, promise }
}

/// Agreements of a site; some took a larger one after a smaller.
pub(crate) fn agreements(
    number: usize,
    site: &str,
    term: &Term,
    dice: &mut Dice,
) -> Vec<AgreementRow> {
    let row = |key: String, first_day, last_day, promise: Promise| AgreementRow {
        agreement: key,
        site: site.to_owned(),
        first_day,
        last_day,
        visits: promise.rules(),
    };
    let key = format!("A-{number:04}");
    let change = later(term.first_day, 3 * 365);
    if term.promise == Promise::SpringAndAutumn
        && change < term.last_day.unwrap_or(TODAY)
        && dice.chance(0.3)
    {
        let eve = later(change, -1);
        vec![
            row(format!("{key}-a"), term.first_day, Some(eve), Promise::Spring),
            row(format!("{key}-b"), change, term.last_day, term.promise),
        ]
    } else {
        vec![row(key, term.first_day, term.last_day, term.promise)]
    }
}

/// The site's row. `number` also makes the addresses differ.
pub(crate) fn site(number: usize, key: &str, term: &Term, dice: &mut Dice) -> SiteRow {
    let spanish = dice.chance(0.24);
    let (given_names, family_names) = if spanish {
        (words::SPANISH_GIVEN_NAMES, words::SPANISH_FAMILY_NAMES)
    } else {
        (words::GIVEN_NAMES, words::FAMILY_NAMES)
    };
    let given = dice.pick(given_names).unwrap_or_default();
    let family = dice.pick(family_names).unwrap_or_default();
    let mut row = SiteRow {
        site: key.to_owned(),
        name: family.to_owned(),
        region: "AZ".to_owned(),
        postal_code: "85000".to_owned(),
        language: if spanish { "es" } else { "en" }.to_owned(),
        ..SiteRow::default()
    };
    place(&mut row, dice);
    if dice.chance(0.14) {
        row.access_notes = dice.pick(words::ACCESS_NOTES).unwrap_or_default().to_owned();
    }
    if dice.chance(0.06) {
        row.vulnerability = dice.pick(words::VULNERABILITIES).unwrap_or_default().to_owned();
    }
    availability(&mut row, dice);
    contact(&mut row, number, (given, family), term, dice);
    row
}

fn place(row: &mut SiteRow, dice: &mut Dice) {
    let street = format!(
        "{}{} {}",
        dice.pick(words::STREET_BEGINNINGS).unwrap_or_default(),
        dice.pick(words::STREET_ENDINGS).unwrap_or_default(),
        dice.pick(words::STREET_KINDS).unwrap_or_default(),
    );
    row.address_1 = format!("{} {street}", dice.whole(101, 9_899));
    if dice.chance(0.05) {
        row.address_2 = format!("Unit {}", dice.whole(1, 24));
    }
    let ((south, north), (west, east)) = BOX;
    let weighted: Vec<(Option<&Quarter>, f64)> =
        QUARTERS.iter().map(|quarter| (Some(quarter), quarter.3)).collect();
    let quarter = dice.share(&weighted, None);
    let (mut latitude, mut longitude) = (dice.between(south, north), dice.between(west, east));
    row.city = "Phoenix".to_owned();
    if let Some((name, centre, spread, _)) = quarter.filter(|_| dice.chance(0.87)) {
        row.city = (*name).to_owned();
        latitude = centre.0 + dice.normal(0.0, *spread) / KILOMETRES_PER_DEGREE_LATITUDE;
        longitude = centre.1 + dice.normal(0.0, *spread) / KILOMETRES_PER_DEGREE_LONGITUDE;
    }
    if !dice.chance(0.018) {
        row.latitude = format!("{:.5}", latitude.clamp(south, north));
        row.longitude = format!("{:.5}", longitude.clamp(west, east));
    }
}

fn availability(row: &mut SiteRow, dice: &mut Dice) {
    let weekdays = ["mon", "tue", "wed", "thu", "fri"];
    if dice.chance(0.28) {
        let first = dice.whole(0, 4);
        let mut refused: Vec<&str> = usize::try_from(first)
            .ok()
            .and_then(|at| weekdays.get(at))
            .copied()
            .into_iter()
            .collect();
        if dice.chance(0.3) {
            let second = usize::try_from((first + 2) % 5).ok().and_then(|at| weekdays.get(at));
            refused.extend(second.copied());
        }
        row.refused_weekdays = refused.join(";");
    }
    let part = dice.share(&[(0, 0.54), (1, 0.27), (2, 0.19)], 0);
    let (from, until) = [("", ""), ("08:00", "12:00"), ("12:00", "17:00")][part];
    (row.visit_from, row.visit_until) = (from.to_owned(), until.to_owned());
    if dice.chance(0.05) {
        // Winter visitors, away from spring to autumn.
        let leave = later(day(2025, 4, 5), dice.whole(0, 30));
        row.absences = format!("{leave}..{}", later(leave, dice.whole(150, 190)));
    } else if dice.chance(0.11) {
        let leave = later(day(2025, 2, 22), dice.whole(0, 70));
        row.absences = format!("{leave}..{}", later(leave, dice.whole(2, 13)));
    } else if dice.chance(0.04) {
        let first = later(day(2025, 3, 1), dice.whole(0, 20));
        row.absences = format!("{first}; {}", later(first, dice.whole(5, 30)));
    }
}

fn contact(row: &mut SiteRow, number: usize, who: (&str, &str), term: &Term, dice: &mut Dice) {
    if dice.chance(0.015) {
        return;
    }
    let (given, family) = who;
    row.contact_name = format!("{given} {family}");
    row.contact_phone = format!("+1602555{:04}", 110 + number % 90);
    row.contact_mail_consent = "no".to_owned();
    if dice.chance(0.95) {
        row.contact_email =
            format!("{}.{}.{number:04}@home.example.com", plain(given), plain(family));
        if dice.chance(0.92) {
            row.contact_mail_consent = "yes".to_owned();
            row.contact_consent_on = Some(term.first_day.min(TODAY));
            row.contact_consent_how =
                dice.share(&[("agreement form", 0.8), ("web form", 0.15)], "by phone").to_owned();
        }
    }
}

/// A name in letters that every mail system takes.
fn plain(name: &str) -> String {
    name.to_lowercase()
        .chars()
        .filter_map(|letter| match letter {
            'á' => Some('a'),
            'é' => Some('e'),
            'í' => Some('i'),
            'ó' | 'ō' => Some('o'),
            'ú' => Some('u'),
            'ñ' => Some('n'),
            'a'..='z' => Some(letter),
            _ => None,
        })
        .collect()
}
