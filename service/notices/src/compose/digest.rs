//! What changed and what needs a person, to the office.

use chrono::NaiveDate;
use hotspell_domain::quantity::fahrenheit_from_celsius;
use hotspell_domain::{
    CapacitorRating, Celsius, ComponentClass, Language, TemperatureUnit, VisitKind, text_enum,
};

use super::{Branch, ComposeError, ComposedNotice, Window, compose, pages};

text_enum!(
    /// Why somebody must be reached by telephone.
    PhoneReason, "phone reason" {
        /// The receiving server refused the message for good.
        MailRefused => "mail-refused",
        /// It was accepted and came back.
        MailBounced => "mail-bounced",
        /// There is no address.
        NoAddress => "no-address",
        /// The household asked for a call.
        AskedForCall => "asked-for-call",
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

/// Somebody whom mail does not reach.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ReachByPhone {
    /// Whose home.
    pub household_name: String,
    /// Telephone.
    pub phone: Option<String>,
    /// Why.
    pub why: PhoneReason,
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
    /// How often it was told.
    pub times_told: u32,
}

/// A part that a truck will lack.
#[derive(Debug, Clone, PartialEq)]
pub struct PartShort {
    /// What.
    pub class: ComponentClass,
    /// Which rating.
    pub rating: CapacitorRating,
    /// How many the load list asks for.
    pub needed: u32,
    /// How many are there.
    pub at_hand: u32,
    /// For whom.
    pub technician_first_name: String,
    /// For which day.
    pub day: NaiveDate,
}

/// What happened to a visit.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum DigestChange {
    /// The household said yes.
    Agreed {
        /// To this window.
        window: Window,
    },
    /// It moved.
    Moved {
        /// From here.
        from: Window,
        /// To here.
        to: Window,
    },
    /// The household said no.
    Declined {
        /// To this window.
        window: Window,
    },
    /// It was carried out.
    Done {
        /// How many parts were replaced.
        parts_replaced: u32,
    },
    /// Its day passed without it.
    Missed {
        /// Where it was.
        window: Window,
    },
    /// It was taken off.
    Dropped,
}

/// A visit that changed.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct DigestVisit {
    /// Whose home.
    pub household_name: String,
    /// What the visit is for.
    pub visit_kind: VisitKind,
    /// What happened.
    pub what: DigestChange,
}

/// Heat to come.
#[derive(Debug, Clone, PartialEq)]
pub struct HeatOutlook {
    /// First hot day.
    pub first_day: NaiveDate,
    /// How many hot days in a row.
    pub days: u32,
    /// Highest forecast temperature.
    pub highest: Celsius,
    /// Visits that are due and not yet done before then.
    pub visits_still_open: u32,
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
    /// Heat to come, if any.
    pub heat: Option<HeatOutlook>,
    /// Whom mail does not reach.
    pub reach_by_phone: DigestList<ReachByPhone>,
    /// Who has not answered.
    pub unanswered: DigestList<Unanswered>,
    /// What trucks will lack.
    pub parts_short: DigestList<PartShort>,
    /// What changed since the last digest.
    pub changes: DigestList<DigestVisit>,
    /// Link to the season overview.
    pub overview_url: String,
}

impl OfficeDigest {
    fn needs_a_person(&self) -> usize {
        self.reach_by_phone.total + self.unanswered.total + self.parts_short.total
    }

    fn is_quiet(&self) -> bool {
        self.needs_a_person() + self.changes.total == 0 && self.heat.is_none()
    }
}

pages!(page(OfficeDigest) { English => "en/office-digest.md", Spanish => "es/office-digest.md" });

/// What changed, who has not answered, which parts are short, what heat comes.
///
/// # Errors
/// Only when a template is at fault.
pub fn office_digest(values: &OfficeDigest) -> Result<ComposedNotice, ComposeError> {
    compose(&page(values, values.language)?, values.language, None)
}
