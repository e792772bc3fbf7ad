//! Visits that agreements owe, as rows.

use std::collections::{BTreeMap, BTreeSet};

use chrono::{DateTime, NaiveDate, Utc};
use hotspell_domain::{AgreementId, BranchId, DateRange, VisitKind, VisitState, visits_owed};
use hotspell_store::agreements::{self, AgreementFilter, AgreementRecord};
use hotspell_store::visits::{self, Cause, VisitChange, VisitFields, VisitFilter};
use hotspell_store::{AnyConnection, Page};

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
        follow_agreements(conn, branch, now)?;
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
                let seconds = owed.kind.duration_seconds(machines);
                rows.push(VisitFields {
                    agreement_id: Some(agreement.id),
                    window_first: owed.window.first,
                    window_last: owed.window.last,
                    ..VisitFields::owed(agreement.site_id, owed.kind, owed.within, seconds)
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

/// Brings owed visits without a place to what their agreements say now: one whose window the term no
/// longer owes (it ended and was not renewed, or its rules have changed) is dropped with the reason,
/// one whose part of the window has changed gets the new days. A visit that has a place is left to
/// the office: the household may know of it.
///
/// # Errors
/// Those of the store.
pub fn follow_agreements(
    conn: &mut AnyConnection,
    branch: BranchId,
    now: DateTime<Utc>,
) -> Result<usize, AppError> {
    let filter = VisitFilter { states: Some(vec![VisitState::Owed]), ..VisitFilter::default() };
    let known: BTreeMap<AgreementId, AgreementRecord> =
        agreements::list(conn, branch, &AgreementFilter::default(), Page::everything())?
            .into_iter()
            .map(|agreement| (agreement.id, agreement))
            .collect();
    let mut dropped = 0;
    for visit in visits::list(conn, branch, &filter, Page::everything())? {
        let Some(agreement) = visit.agreement_id.and_then(|id| known.get(&id)) else { continue };
        let Some(window) = DateRange::new(visit.window_first, visit.window_last) else { continue };
        let owed = visits_owed(&agreement.rules, agreement.first_day, agreement.last_day, window)
            .into_iter()
            .find(|owed| owed.kind == visit.kind && owed.window.first == window.first);
        match owed {
            None => {
                let why = no_longer_owed(agreement, window);
                let to = VisitChange { state: VisitState::Dropped, place: None, slot: None };
                let cause = Cause { who: "hotspell", why: Some(&why) };
                visits::change(conn, branch, visit.id, visit.version, to, cause, now)?;
                dropped += 1;
            }
            // Days that the office narrowed stay, if they still lie in the term.
            Some(owed)
                if visit.within_last > owed.within.last
                    || visit.within_first < owed.within.first =>
            {
                let first = visit.within_first.max(owed.within.first).min(owed.within.last);
                let last = visit.within_last.min(owed.within.last).max(first);
                let fields =
                    VisitFields { within_first: first, within_last: last, ..visit.fields.clone() };
                visits::update(conn, branch, visit.id, visit.version, &fields, now)?;
            }
            Some(_) => {}
        }
    }
    Ok(dropped)
}

fn no_longer_owed(agreement: &AgreementRecord, window: DateRange) -> String {
    match agreement.last_day {
        Some(last) if last <= window.last => {
            format!("agreement {} ended on {last}", agreement.key)
        }
        _ => format!("agreement {} no longer owes it", agreement.key),
    }
}
