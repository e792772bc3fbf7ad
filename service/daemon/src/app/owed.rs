//! Visits that agreements owe, as rows.

use std::collections::BTreeSet;

use chrono::NaiveDate;
use hotspell_domain::{AgreementId, BranchId, DateRange, VisitKind, VisitState, visits_owed};
use hotspell_store::Page;
use hotspell_store::visits::{self, Cause, VisitFields, VisitFilter};

use super::AppError;
use super::fleet::Fleet;
use crate::state::AppState;

/// Writes the owed visits of the horizon that are not there yet; says how many were new.
///
/// A visit is known by agreement, kind and first day of its window, so running this again adds
/// nothing.
///
/// # Errors
/// Those of the store.
pub fn write_owed(
    state: &AppState,
    branch: BranchId,
    horizon: DateRange,
) -> Result<usize, AppError> {
    let now = state.now();
    state.store.write(|conn| {
        let fleet = Fleet::load(conn, branch, None)?;
        let known: BTreeSet<(AgreementId, VisitKind, NaiveDate)> =
            visits::list(conn, branch, &VisitFilter::default(), Page::everything())?
                .iter()
                .filter_map(|visit| Some((visit.agreement_id?, visit.kind, visit.window_first)))
                .collect();
        let mut rows = Vec::new();
        for agreement in fleet.agreements.values().flatten() {
            for owed in
                visits_owed(&agreement.rules, agreement.first_day, agreement.last_day, horizon)
            {
                if known.contains(&(agreement.id, owed.kind, owed.window.first)) {
                    continue;
                }
                let machines = fleet.units_at(agreement.site_id, owed.within.first).count();
                rows.push(VisitFields {
                    agreement_id: Some(agreement.id),
                    site_id: agreement.site_id,
                    kind: owed.kind,
                    window_first: owed.window.first,
                    window_last: owed.window.last,
                    within_first: owed.within.first,
                    within_last: owed.within.last,
                    state: VisitState::Owed,
                    day: None,
                    technician_id: None,
                    starts: None,
                    ends: None,
                    duration_seconds: owed.kind.duration_seconds(machines),
                    priority: 0,
                    reason: None,
                });
            }
        }
        let count = rows.len();
        let cause = Cause { who: "hotspell", why: Some("owed by the agreement") };
        for row in &rows {
            visits::insert_once(conn, branch, row, cause, now)?;
        }
        Ok(count)
    })
}
