//! What was found and done at a visit, in words for the household.

use chrono::NaiveDate;
use hotspell_domain::capacitor::Verdict;
use hotspell_domain::{
    CapacitorRating, ComponentClass, Condition, Microfarads, UnitKind, VisitKind,
};

use super::{Branch, ComposeError, ComposedNotice, Household, Section, pages, to_household};

/// One section of a capacitor as measured.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SectionReading {
    /// Which section.
    pub section: Section,
    /// Printed on the part.
    pub rated: Microfarads,
    /// Measured.
    pub measured: Microfarads,
    /// What the branch's limits say.
    pub verdict: Verdict,
}

/// What was done about a part.
#[derive(Debug, Clone, PartialEq)]
pub enum FindingAction {
    /// It stays.
    Nothing,
    /// It was replaced.
    Replaced {
        /// Rating of the new part, if it is a capacitor.
        rating: Option<CapacitorRating>,
    },
    /// It stays and is looked at again.
    WatchIt,
    /// It is to be replaced at a return visit.
    ReplaceNextTime,
}

/// One part of a unit.
#[derive(Debug, Clone, PartialEq)]
pub struct Finding {
    /// What the part is.
    pub class: ComponentClass,
    /// What was measured.
    pub readings: Vec<SectionReading>,
    /// What was seen.
    pub conditions: Vec<Condition>,
    /// What was done.
    pub action: FindingAction,
}

/// One machine.
#[derive(Debug, Clone, PartialEq)]
pub struct UnitReport {
    /// What the household calls it, such as «Upstairs».
    pub label: String,
    /// What it is.
    pub kind: UnitKind,
    /// Part by part.
    pub findings: Vec<Finding>,
}

/// What comes next.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum FollowUp {
    /// Nothing.
    Nothing,
    /// The branch comes back.
    ReturnVisit,
    /// The household is asked to call.
    CallOffice,
}

/// What was found and done.
#[derive(Debug, Clone, PartialEq)]
pub struct VisitReport {
    /// Who writes.
    pub branch: Branch,
    /// Who is written to.
    pub household: Household,
    /// What the visit was for.
    pub visit_kind: VisitKind,
    /// When it took place.
    pub day: NaiveDate,
    /// Who came, if that may be told.
    pub technician_first_name: Option<String>,
    /// Machine by machine.
    pub units: Vec<UnitReport>,
    /// The technician's own words, as typed, in whatever language.
    pub technician_note: Option<String>,
    /// What comes next.
    pub follow_up: FollowUp,
    /// Signed link to the whole report.
    pub report_url: Option<String>,
    /// Signed link that stops the mail.
    pub stop_url: String,
}

impl VisitReport {
    fn findings(&self) -> impl Iterator<Item = &Finding> {
        self.units.iter().flat_map(|unit| &unit.findings)
    }

    fn replaced_count(&self) -> usize {
        self.findings()
            .filter(|finding| matches!(finding.action, FindingAction::Replaced { .. }))
            .count()
    }

    fn has_readings(&self) -> bool {
        self.findings().any(|finding| !finding.readings.is_empty())
    }
}

pages!(page(VisitReport) { English => "en/visit-report.md", Spanish => "es/visit-report.md" });

/// What was found and done, with the readings explained.
///
/// # Errors
/// Only when a template is at fault.
pub fn visit_report(values: &VisitReport) -> Result<ComposedNotice, ComposeError> {
    let document = page(values, values.household.language)?;
    to_household(document, &values.branch, &values.household, None)
}
