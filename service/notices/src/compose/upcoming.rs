//! Word of a visit to come: first reminder, second reminder, and the day before.

use chrono::{DateTime, Utc};
use hotspell_domain::{VisitKind, text_enum};

use super::calendar_part::{self, Event};
use super::{
    Branch, CalendarIdentity, ComposeError, ComposedNotice, Household, Window, pages, to_household,
};
use crate::calendar::Method;

text_enum!(
    /// Why a visit comes now, as the household is told: one calm sentence per reason.
    VisitReason, "visit reason" {
        /// The agreement includes it.
        ByAgreement => "by-agreement",
        /// The heat is still to come.
        BeforeTheHeat => "before-the-heat",
        /// A part has gathered much heat age.
        AgingPart => "aging-part",
        /// A part measured low.
        LowReading => "low-reading",
        /// The sister unit's part failed or was replaced.
        SisterUnit => "sister-unit",
        /// An earlier visit left something open.
        FollowUp => "follow-up",
        /// The household called.
        HouseholdCalled => "household-called",
    }
);

/// A visit that is placed, announced or agreed.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct UpcomingVisit {
    /// Who writes.
    pub branch: Branch,
    /// Who is written to.
    pub household: Household,
    /// What the visit is for.
    pub visit_kind: VisitKind,
    /// When.
    pub window: Window,
    /// Who comes, if that may be told.
    pub technician_first_name: Option<String>,
    /// Why now.
    pub why: VisitReason,
    /// Signed link to the answer page.
    pub answer_url: String,
    /// Signed link that stops the mail.
    pub stop_url: String,
    /// Identity in the household's calendar; none for no calendar part.
    pub calendar: Option<CalendarIdentity>,
    /// When this is composed (DTSTAMP).
    pub composed_at: DateTime<Utc>,
}

pages!(reminder_page(UpcomingVisit) { English => "en/reminder.md", Spanish => "es/reminder.md" });
pages!(second_reminder_page(UpcomingVisit) {
    English => "en/second-reminder.md",
    Spanish => "es/second-reminder.md",
});
pages!(day_before_page(UpcomingVisit) { English => "en/day-before.md", Spanish => "es/day-before.md" });

/// First word to a household about its visit.
///
/// # Errors
/// [`ComposeError::Window`] for a window that ends before it begins.
pub fn reminder(values: &UpcomingVisit) -> Result<ComposedNotice, ComposeError> {
    let calendar = request(values)?;
    let document = reminder_page(values, values.household.language)?;
    to_household(document, &values.branch, &values.household, calendar)
}

/// Second word when no answer came.
///
/// # Errors
/// As [`reminder`].
pub fn second_reminder(values: &UpcomingVisit) -> Result<ComposedNotice, ComposeError> {
    let calendar = request(values)?;
    let document = second_reminder_page(values, values.household.language)?;
    to_household(document, &values.branch, &values.household, calendar)
}

/// The day before the visit.
///
/// # Errors
/// As [`reminder`].
pub fn day_before(values: &UpcomingVisit) -> Result<ComposedNotice, ComposeError> {
    let calendar = request(values)?;
    let document = day_before_page(values, values.household.language)?;
    to_household(document, &values.branch, &values.household, calendar)
}

fn request(values: &UpcomingVisit) -> Result<Option<String>, ComposeError> {
    calendar_part::part(&Event {
        method: Method::Request,
        identity: values.calendar.clone(),
        branch: values.branch.clone(),
        household: values.household.clone(),
        visit_kind: values.visit_kind,
        window: values.window,
        technician_first_name: values.technician_first_name.clone(),
        answer_url: values.answer_url.clone(),
        composed_at: values.composed_at,
    })
}
