//! A visit has another day, time or technician, or is cancelled.

use chrono::{DateTime, Utc};
use hotspell_domain::{VisitKind, text_enum};

use super::calendar_part::{self, Event};
use super::{
    Branch, CalendarIdentity, ComposeError, ComposedNotice, Household, Window, pages, to_household,
};
use crate::calendar::Method;

text_enum!(
    /// What led to the change, as the household is told.
    ChangeCause, "change cause" {
        /// The household asked for it.
        HouseholdAsked => "household-asked",
        /// The technician is sick or away.
        TechnicianAway => "technician-away",
        /// Homes without cooling come first.
        UrgentCalls => "urgent-calls",
        /// The office decided so.
        OfficeDecision => "office-decision",
    }
);

/// What became of the slot.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum SlotChange {
    /// It moved, or another technician comes.
    Moved {
        /// The new window.
        to: Window,
        /// Who comes now, if that may be told.
        technician_first_name: Option<String>,
    },
    /// It is gone; the calendar event is cancelled.
    Cancelled,
}

/// A change to a visit that the household already knows of.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct SlotChanged {
    /// Who writes.
    pub branch: Branch,
    /// Who is written to.
    pub household: Household,
    /// What the visit is for.
    pub visit_kind: VisitKind,
    /// The window that the household was told before.
    pub previous: Window,
    /// What it became.
    pub change: SlotChange,
    /// Why.
    pub cause: ChangeCause,
    /// Signed link to the answer page.
    pub answer_url: String,
    /// Signed link that stops the mail.
    pub stop_url: String,
    /// The identity told before, with its sequence raised.
    pub calendar: Option<CalendarIdentity>,
    /// When this is composed (DTSTAMP).
    pub composed_at: DateTime<Utc>,
}

pages!(page(SlotChanged) { English => "en/slot-changed.md", Spanish => "es/slot-changed.md" });

/// The visit has another day, time or technician, or is cancelled.
///
/// # Errors
/// [`ComposeError::Window`] for a window that ends before it begins.
pub fn slot_changed(values: &SlotChanged) -> Result<ComposedNotice, ComposeError> {
    values.previous.check()?;
    let (method, window, technician_first_name) = match &values.change {
        SlotChange::Moved { to, technician_first_name } => {
            (Method::Request, *to, technician_first_name.clone())
        }
        SlotChange::Cancelled => (Method::Cancel, values.previous, None),
    };
    let calendar = calendar_part::part(&Event {
        method,
        identity: values.calendar.clone(),
        branch: values.branch.clone(),
        household: values.household.clone(),
        visit_kind: values.visit_kind,
        window,
        technician_first_name,
        answer_url: values.answer_url.clone(),
        composed_at: values.composed_at,
    })?;
    let document = page(values, values.household.language)?;
    to_household(document, &values.branch, &values.household, calendar)
}
