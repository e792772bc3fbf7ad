//! The agreement ends soon.

use chrono::NaiveDate;

use super::{Branch, ComposeError, ComposedNotice, Household, pages, to_household};

/// An agreement near its last day.
///
/// The text says when it ends and what is still owed. It makes no offer: an offer in a notice can
/// make all of it commercial mail (15 USC 7702(17), 16 CFR 316.3).
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct RenewalDue {
    /// Who writes.
    pub branch: Branch,
    /// Who is written to.
    pub household: Household,
    /// Last day of the agreement.
    pub last_day: NaiveDate,
    /// Visits made in this term.
    pub visits_done: u32,
    /// Visits still owed in this term.
    pub visits_open: u32,
    /// Signed link to the answer page.
    pub answer_url: String,
    /// Signed link that stops the mail.
    pub stop_url: String,
}

pages!(page(RenewalDue) { English => "en/renewal-due.md", Spanish => "es/renewal-due.md" });

/// The agreement ends soon.
///
/// # Errors
/// Only when a template is at fault.
pub fn renewal_due(values: &RenewalDue) -> Result<ComposedNotice, ComposeError> {
    let document = page(values, values.household.language)?;
    to_household(document, &values.branch, &values.household, None)
}
