//! What was found and done at a finished visit, to its household.

use std::collections::{BTreeMap, BTreeSet};

use hotspell_domain::capacitor::Verdict;
use hotspell_domain::{BranchId, CapacitorRating, ComponentId, NoticeKind, VisitKind};
use hotspell_notices::compose::{
    self, Finding, FindingAction, FollowUp, Section, SectionReading, UnitReport, VisitReport,
};
use hotspell_store::branches::{self, BranchRecord};
use hotspell_store::components::{self, ComponentRecord};
use hotspell_store::readings::{self, ReadingFilter, ReadingRecord};
use hotspell_store::units::{self, UnitFilter, UnitRecord};
use hotspell_store::visits::{self, VisitFilter, VisitRecord, VisitResultFilter};
use hotspell_store::{AnyConnection, Page, sites, technicians, words};

use super::AppError;
use super::judging::{judged, measured};
use super::letters::{self, HouseholdLetter};
use super::results::{VisitResult, rated};
use crate::state::AppState;

/// Writes the report of a visit that has just been done; `false` when its household cannot or need
/// not be written to. One visit makes one report. What the technician wrote for the office is not in it.
///
/// # Errors
/// Those of the store and of composing.
pub fn write(
    conn: &mut AnyConnection,
    state: &AppState,
    branch: BranchId,
    visit: &VisitRecord,
) -> Result<bool, AppError> {
    let branch = branches::find(conn, branch)?;
    let site = sites::find(conn, branch.id, visit.site_id)?;
    let contact = letters::addressee(conn, branch.id, site.id)?;
    let Some(contact) = contact.filter(|contact| contact.may_be_mailed()) else {
        return Ok(false);
    };
    let found = Found::load(conn, &branch, visit)?;
    let first_name = match found.results.iter().rev().find_map(|result| result.technician) {
        Some(id) => technicians::find(conn, branch.id, id)?
            .name
            .split_whitespace()
            .next()
            .map(str::to_owned),
        None => None,
    };
    let units = found.by_unit(conn, &branch, visit)?;
    let follow_up = follow_up(conn, &branch, visit, &units)?;
    let Some(day) = found.results.iter().map(|result| result.day).max().or(visit.day) else {
        return Ok(false);
    };
    let stop_url = letters::stop_url(state, contact.id, state.now());
    let values = VisitReport {
        branch: letters::writer_of(conn, state, &branch, NoticeKind::VisitReport, site.language)?,
        household: letters::household_of(&site, &contact),
        visit_kind: visit.kind,
        day,
        technician_first_name: first_name,
        units,
        technician_note: None,
        follow_up,
        report_url: None,
        stop_url: stop_url.clone(),
    };
    let content = compose::visit_report(&values)
        .map_err(|error| AppError::internal("report of a visit", error))?;
    let letter = HouseholdLetter {
        branch: &branch,
        site: &site,
        contact: &contact,
        kind: NoticeKind::VisitReport,
        event_key: format!("{}/visit-{}", NoticeKind::VisitReport, visit.id),
        visit: Some(visit.id),
        content,
        stop_url,
        told: None,
        sequence: None,
        useful_until: None,
    };
    letters::to_household(conn, state, letter)
}

/// What technicians sent in about the visit.
struct Found {
    results: Vec<VisitResult>,
    readings: Vec<ReadingRecord>,
    /// The part that went out and the rating of the new one.
    replaced: BTreeMap<ComponentId, Option<String>>,
}

impl Found {
    fn load(
        conn: &mut AnyConnection,
        branch: &BranchRecord,
        visit: &VisitRecord,
    ) -> Result<Self, AppError> {
        let filter = VisitResultFilter { visit: Some(visit.id) };
        let results = visits::list_results(conn, branch.id, &filter, Page::everything())?
            .into_iter()
            .map(|row| serde_json::from_value(row.row.payload))
            .collect::<Result<Vec<VisitResult>, _>>()
            .map_err(|error| AppError::internal("stored result of a visit", error))?;
        let filter = ReadingFilter { site: Some(visit.site_id), ..ReadingFilter::default() };
        let mut readings = readings::list(conn, branch.id, &filter, Page::everything())?;
        readings.retain(|reading| {
            results.iter().any(|result| {
                let rest = reading.client_key.strip_prefix(result.client_key.as_str());
                rest.is_some_and(|rest| rest.starts_with('/'))
            })
        });
        let replaced = results
            .iter()
            .flat_map(|result| &result.replacements)
            .map(|replacement| (replacement.component, replacement.new_rating.clone()))
            .collect();
        Ok(Self { results, readings, replaced })
    }

    /// Machine by machine; those of which nothing is to be said only when there is nothing else.
    fn by_unit(
        &self,
        conn: &mut AnyConnection,
        branch: &BranchRecord,
        visit: &VisitRecord,
    ) -> Result<Vec<UnitReport>, AppError> {
        let named: BTreeSet<ComponentId> = self
            .readings
            .iter()
            .map(|reading| reading.component_id)
            .chain(self.replaced.keys().copied())
            .collect();
        let mut parts = Vec::new();
        for id in named {
            parts.push(components::find(conn, branch.id, id)?);
        }
        let filter = UnitFilter { site: Some(visit.site_id), ..UnitFilter::default() };
        let machines = units::list(conn, branch.id, &filter, Page::everything())?;
        let report = |unit: &UnitRecord| UnitReport {
            label: unit.label.clone().unwrap_or_else(|| unit.key.clone()),
            kind: unit.kind,
            findings: parts
                .iter()
                .filter(|part| part.unit_id == unit.id)
                .map(|part| self.finding(branch, part))
                .collect(),
        };
        let mut reports: Vec<UnitReport> = machines.iter().map(report).collect();
        if reports.iter().any(|report| !report.findings.is_empty()) {
            reports.retain(|report| !report.findings.is_empty());
        }
        Ok(reports)
    }

    fn finding(&self, branch: &BranchRecord, part: &ComponentRecord) -> Finding {
        let own: Vec<&ReadingRecord> =
            self.readings.iter().filter(|reading| reading.component_id == part.id).collect();
        let verdicts = own.iter().filter_map(|reading| judged(part, reading, branch.mains_hertz));
        let action = match (self.replaced.get(&part.id), verdicts.max()) {
            (Some(new), _) => {
                let rating = new.as_deref().or(part.rating.as_deref());
                FindingAction::Replaced { rating: rating.and_then(|text| text.parse().ok()) }
            }
            (None, Some(Verdict::Out | Verdict::Due)) => FindingAction::ReplaceNextTime,
            (None, _) => FindingAction::Nothing,
        };
        let readings = own.iter().filter_map(|reading| section_reading(branch, part, reading));
        let mut conditions: Vec<_> =
            own.iter().flat_map(|reading| &reading.conditions).copied().collect();
        conditions.sort_unstable();
        conditions.dedup();
        Finding { class: part.class, readings: readings.collect(), conditions, action }
    }
}

/// A reading as the household is told it; nothing when the rating of the part is not known.
fn section_reading(
    branch: &BranchRecord,
    part: &ComponentRecord,
    reading: &ReadingRecord,
) -> Option<SectionReading> {
    let rating: CapacitorRating = part.rating.as_deref()?.parse().ok()?;
    let verdict = judged(part, reading, branch.mains_hertz)?;
    Some(SectionReading {
        section: match (reading.section, rating.fan) {
            (words::Section::Fan, _) => Section::Fan,
            (words::Section::Main, Some(_)) => Section::Compressor,
            (words::Section::Main, None) => Section::Only,
        },
        rated: rated(part, reading.section)?,
        measured: measured(reading, branch.mains_hertz)?,
        verdict,
    })
}

/// What comes next: a return visit that stands in the book, a call when something was left to do.
fn follow_up(
    conn: &mut AnyConnection,
    branch: &BranchRecord,
    visit: &VisitRecord,
    units: &[UnitReport],
) -> Result<FollowUp, AppError> {
    let filter = VisitFilter {
        site: Some(visit.site_id),
        kind: Some(VisitKind::ReturnVisit),
        ..VisitFilter::default()
    };
    let returns = visits::list(conn, branch.id, &filter, Page::everything())?;
    if returns.iter().any(|other| other.id != visit.id && !other.state.next_states().is_empty()) {
        return Ok(FollowUp::ReturnVisit);
    }
    let left = units
        .iter()
        .flat_map(|unit| &unit.findings)
        .any(|finding| finding.action == FindingAction::ReplaceNextTime);
    Ok(if left { FollowUp::CallOffice } else { FollowUp::Nothing })
}
