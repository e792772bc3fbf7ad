//! What changed and what needs a person, to the office.

use chrono::{NaiveDate, NaiveTime};
use hotspell_domain::quantity::fahrenheit_from_celsius;
use hotspell_domain::{Celsius, ComponentClass, Language, TemperatureUnit, VisitKind, text_enum};

use super::{Branch, ComposeError, ComposedNotice, Window, compose, pages};

text_enum!(
    /// Why somebody must be reached by telephone.
    PhoneReason, "phone reason" {
        /// The household asked for a call.
        AskedForCall => "asked-for-call",
        /// The household wants another time and has not chosen one.
        WantsAnotherTime => "wants-another-time",
        /// It waits for a visit that was moved or taken back, and no mail said so.
        StillExpectsUs => "still-expects-us",
        /// Its visit is near, and no mail could tell it in time.
        NotToldYet => "not-told-yet",
        /// Mail was refused or came back.
        MailComesBack => "mail-comes-back",
        /// There is no address.
        NoAddress => "no-address",
        /// It never agreed to mail.
        NoConsent => "no-consent",
        /// It stopped the mail.
        StoppedMail => "stopped-mail",
        /// Nobody is on record for the home.
        NobodyOnRecord => "nobody-on-record",
    }
);

/// The first rows of a list, and how many there are in all.
#[derive(Debug, Clone, PartialEq)]
pub struct DigestList<T> {
    /// The rows to show, in order.
    pub rows: Vec<T>,
    /// How many there are, shown or not.
    pub total: usize,
}

impl<T> DigestList<T> {
    /// A mail shows at most this many rows of a list; the page shows all.
    pub const MOST_ROWS: usize = 20;

    /// Keeps the first [`Self::MOST_ROWS`].
    #[must_use]
    pub fn new(mut rows: Vec<T>) -> Self {
        let total = rows.len();
        rows.truncate(Self::MOST_ROWS);
        Self { rows, total }
    }

    fn more(&self) -> usize {
        self.total.saturating_sub(self.rows.len())
    }
}

/// What a call is about.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum CallAbout {
    /// A visit, and its day if it has one.
    Visit {
        /// What it is for.
        kind: VisitKind,
        /// When.
        day: Option<NaiveDate>,
    },
    /// An agreement that ends.
    Renewal {
        /// Its last day.
        last_day: NaiveDate,
    },
}

/// Somebody whom the office must call.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ReachByPhone {
    /// Whose home.
    pub household_name: String,
    /// Telephone.
    pub phone: Option<String>,
    /// What about.
    pub about: CallAbout,
    /// Why.
    pub why: PhoneReason,
    /// What the household wrote.
    pub words: Option<String>,
}

/// A household that has not answered.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Unanswered {
    /// Whose home.
    pub household_name: String,
    /// Telephone.
    pub phone: Option<String>,
    /// What the visit is for.
    pub visit_kind: VisitKind,
    /// When.
    pub window: Window,
    /// How many messages about this window left for it.
    pub times_told: usize,
}

/// A part of which a truck was loaded with fewer than its route now asks for.
#[derive(Debug, Clone, PartialEq)]
pub struct PartShort {
    /// What.
    pub class: ComponentClass,
    /// Which rating, as printed.
    pub rating: String,
    /// How many the load list in force asks for.
    pub needed: u32,
    /// How many the load list asked for with which the truck was loaded.
    pub loaded: u32,
    /// For whom.
    pub technician_first_name: String,
    /// For which day.
    pub day: NaiveDate,
}

/// What the trucks of a day must carry, by what is known now.
#[derive(Debug, Clone, PartialEq)]
pub struct DayLoad {
    /// The next day with a route.
    pub day: NaiveDate,
    /// Part by part.
    pub parts: DigestList<PartToCarry>,
}

/// A part that trucks must carry on a day.
#[derive(Debug, Clone, PartialEq)]
pub struct PartToCarry {
    /// What.
    pub class: ComponentClass,
    /// Which rating, as printed.
    pub rating: String,
    /// How many, all trucks together.
    pub quantity: u32,
    /// First names of those who carry it, and how many each.
    pub carried_by: Vec<(String, u32)>,
}

/// A day, and the hours of it if a household was given any.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct DigestSlot {
    /// The day.
    pub day: NaiveDate,
    /// Earliest and latest arrival.
    pub hours: Option<(NaiveTime, NaiveTime)>,
}

/// What happened.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum DigestChange {
    /// Nothing cools there: the household called.
    CalledIn,
    /// The household said yes.
    Agreed {
        /// To this.
        slot: DigestSlot,
    },
    /// It moved.
    Moved {
        /// From this day.
        from: NaiveDate,
        /// To here.
        to: DigestSlot,
    },
    /// Somebody else comes, on the same day.
    OtherTechnician {
        /// When.
        slot: DigestSlot,
        /// Who.
        technician_first_name: String,
    },
    /// It lost its place and is owed again.
    LostItsPlace {
        /// Where it was.
        day: NaiveDate,
    },
    /// It was carried out.
    Done {
        /// How many parts were replaced.
        parts_replaced: u32,
    },
    /// Its day passed without it.
    Missed {
        /// Where it was.
        day: NaiveDate,
    },
    /// It was taken off.
    Dropped,
    /// The household wants its agreement to go on: the office makes the new one.
    WantsToGoOn {
        /// Last day of the present agreement.
        last_day: NaiveDate,
    },
    /// It wants no more mail.
    StoppedMail,
}

/// A household for which something changed.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct DigestRow {
    /// Whose home.
    pub household_name: String,
    /// What the visit is for, if it is about one.
    pub visit_kind: Option<VisitKind>,
    /// What happened.
    pub what: DigestChange,
}

/// Heat to come.
#[derive(Debug, Clone, PartialEq)]
pub enum HeatAhead {
    /// There is no forecast, or too little weather on record to judge it by.
    Unknown,
    /// The forecast has no hot spell.
    None {
        /// Last day of the forecast.
        until: NaiveDate,
    },
    /// It has one.
    Spell(HeatOutlook),
}

/// A hot spell of the forecast.
#[derive(Debug, Clone, PartialEq)]
pub struct HeatOutlook {
    /// Its first day that is still to come, today included.
    pub first_day: NaiveDate,
    /// Whether it had begun before.
    pub goes_on: bool,
    /// How many hot days in a row, from that day on.
    pub days: usize,
    /// Whether the forecast ends before the spell does.
    pub open_end: bool,
    /// Highest forecast temperature.
    pub highest: Celsius,
    /// Visits whose windows open by then and that have no day before.
    pub visits_still_open: usize,
}

impl HeatOutlook {
    fn highest_text(&self, unit: &TemperatureUnit) -> String {
        match unit {
            TemperatureUnit::DegC => format!("{:.0} °C", self.highest.get()),
            TemperatureUnit::DegF => {
                format!("{:.0} °F", fahrenheit_from_celsius(self.highest.get()))
            }
        }
    }
}

/// One day in the office.
#[derive(Debug, Clone, PartialEq)]
pub struct OfficeDigest {
    /// Which office.
    pub branch: Branch,
    /// Language of the text.
    pub language: Language,
    /// The day that the digest is about.
    pub day: NaiveDate,
    /// In which unit temperatures are read.
    pub temperature_unit: TemperatureUnit,
    /// Heat to come.
    pub heat: HeatAhead,
    /// Whom the office must call.
    pub reach_by_phone: DigestList<ReachByPhone>,
    /// Who has not answered.
    pub unanswered: DigestList<Unanswered>,
    /// What trucks will lack.
    pub parts_short: DigestList<PartShort>,
    /// What trucks must carry next; nothing without routes or before the first scoring.
    pub next_load: Option<DayLoad>,
    /// What changed since the last digest.
    pub changes: DigestList<DigestRow>,
    /// Visits that had no day and have one now.
    pub newly_placed: usize,
    /// The day of the last digest; nothing when this is the first, which tells of one day.
    pub last_digest: Option<NaiveDate>,
    /// Link to the list of calls.
    pub calls_url: String,
    /// Link to the season overview.
    pub overview_url: String,
}

impl OfficeDigest {
    fn needs_a_person(&self) -> usize {
        self.reach_by_phone.total + self.unanswered.total + self.parts_short.total
    }
}

pages!(page(OfficeDigest) { English => "en/office-digest.md", Spanish => "es/office-digest.md" });

/// What changed, who must be called, who has not answered, which parts are short, what heat comes.
///
/// # Errors
/// Only when a template is at fault.
pub fn office_digest(values: &OfficeDigest) -> Result<ComposedNotice, ComposeError> {
    compose(&page(values, values.language)?, values.language, None)
}
