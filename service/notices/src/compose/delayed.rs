//! The technician is late today.

use chrono::{DateTime, NaiveTime, Utc};
use hotspell_domain::VisitKind;

use super::calendar_part::{self, Event};
use super::{
    Branch, CalendarIdentity, ComposeError, ComposedNotice, Household, Window, pages, to_household,
};
use crate::calendar::Method;

/// A visit of today that begins later than promised.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct TechnicianDelayed {
    /// Who writes.
    pub branch: Branch,
    /// Who is written to.
    pub household: Household,
    /// What the visit is for.
    pub visit_kind: VisitKind,
    /// The window that was promised.
    pub window: Window,
    /// Earliest arrival now, on the same day.
    pub expected_from: NaiveTime,
    /// Latest arrival now.
    pub expected_to: NaiveTime,
    /// Who comes, if that may be told.
    pub technician_first_name: Option<String>,
    /// Signed link to the answer page.
    pub answer_url: String,
    /// Signed link that stops the mail.
    pub stop_url: String,
    /// The identity told before, with its sequence raised; none for no calendar part.
    pub calendar: Option<CalendarIdentity>,
    /// When this is composed (DTSTAMP).
    pub composed_at: DateTime<Utc>,
}

pages!(page(TechnicianDelayed) {
    English => "en/technician-delayed.md",
    Spanish => "es/technician-delayed.md",
});

/// The technician is late today.
///
/// # Errors
/// [`ComposeError::Window`] for a window that ends before it begins.
pub fn technician_delayed(values: &TechnicianDelayed) -> Result<ComposedNotice, ComposeError> {
    values.window.check()?;
    let calendar = calendar_part::part(&Event {
        method: Method::Request,
        identity: values.calendar.clone(),
        branch: values.branch.clone(),
        household: values.household.clone(),
        visit_kind: values.visit_kind,
        window: Window {
            day: values.window.day,
            from: values.expected_from,
            to: values.expected_to,
        },
        technician_first_name: values.technician_first_name.clone(),
        answer_url: values.answer_url.clone(),
        composed_at: values.composed_at,
    })?;
    let document = page(values, values.household.language)?;
    to_household(document, &values.branch, &values.household, calendar)
}
