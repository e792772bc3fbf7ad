//! Visits that agreements owe, as rows.

use std::collections::{BTreeMap, BTreeSet};

use chrono::{DateTime, NaiveDate, Utc};
use hotspell_domain::{
    AgreementId, BranchId, DateRange, OwedVisit, VisitKind, VisitState, visits_owed,
};
use hotspell_store::agreements::{self, AgreementFilter, AgreementRecord};
use hotspell_store::visits::{
    self, Cause, OwedDays, VisitChange, VisitEventFilter, VisitFields, VisitFilter, VisitRecord,
};
use hotspell_store::{AnyConnection, Page};

use super::AppError;
use super::homes::Homes;
use crate::state::AppState;

/// Who owes and drops by what agreements say.
const WHO: &str = "hotspell";
const OWED: Cause<'_> = Cause { who: WHO, why: Some("owed by the agreement") };

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
        let homes = Homes::load(conn, branch, None)?;
        let mut agreements =
            agreements::list(conn, branch, &AgreementFilter::default(), Page::everything())?;
        // Home by home, so that visits of one home have numbers side by side.
        agreements.sort_by_key(|agreement| (agreement.site_id, agreement.id));
        let known: BTreeMap<(AgreementId, VisitKind, NaiveDate), VisitRecord> =
            visits::list(conn, branch, &VisitFilter::default(), Page::everything())?
                .into_iter()
                .filter_map(|it| Some(((it.agreement_id?, it.kind, it.window_first), it)))
                .collect();
        let (mut rows, mut again) = (Vec::new(), 0);
        for agreement in &agreements {
            for owed in
                visits_owed(&agreement.rules, agreement.first_day, agreement.last_day, horizon)
            {
                if let Some(visit) = known.get(&(agreement.id, owed.kind, owed.window.first)) {
                    again += usize::from(owe_again(conn, branch, visit, &owed, now)?);
                    continue;
                }
                let machines = homes.machines_at(agreement.site_id, owed.within.first).count();
                let seconds = owed.kind.duration_seconds(machines);
                rows.push(VisitFields {
                    agreement_id: Some(agreement.id),
                    window_first: owed.window.first,
                    window_last: owed.window.last,
                    ..VisitFields::owed(agreement.site_id, owed.kind, owed.within, seconds)
                });
            }
        }
        for row in &rows {
            visits::insert_once(conn, branch, row, OWED, now)?;
        }
        Ok(rows.len() + again)
    })
}

/// Owes a visit again that was dropped only because its agreement did not owe it for a while, such as
/// after a slip in its last day; what a person dropped stays dropped. Says whether it did.
fn owe_again(
    conn: &mut AnyConnection,
    branch: BranchId,
    visit: &VisitRecord,
    owed: &OwedVisit,
    now: DateTime<Utc>,
) -> Result<bool, AppError> {
    if visit.state != VisitState::Dropped {
        return Ok(false);
    }
    let filter = VisitEventFilter { visit: Some(visit.id), ..VisitEventFilter::default() };
    let events = visits::list_events(conn, branch, &filter, Page::everything())?;
    if events.last().is_none_or(|event| event.who != WHO) {
        return Ok(false);
    }
    let days = OwedDays { window: owed.window, within: owed.within };
    visits::owe_again(conn, branch, visit, days, OWED, now)?;
    Ok(true)
}

/// Brings owed visits without a place to what their agreements say now: one whose window the term no
/// longer owes (it ended and was not renewed, or its rules have changed) is dropped with the reason,
/// one whose window or part of it has changed gets the new days. A visit that has a place is left to
/// the office: the household may know of it. Says how many were dropped.
///
/// # Errors
/// Those of the store.
pub fn follow_agreements(
    conn: &mut AnyConnection,
    branch: BranchId,
    now: DateTime<Utc>,
) -> Result<usize, AppError> {
    let known: BTreeMap<AgreementId, AgreementRecord> =
        agreements::list(conn, branch, &AgreementFilter::default(), Page::everything())?
            .into_iter()
            .map(|agreement| (agreement.id, agreement))
            .collect();
    let filter = VisitFilter { states: Some(vec![VisitState::Owed]), ..VisitFilter::default() };
    let mut dropped = 0;
    for visit in visits::list(conn, branch, &filter, Page::everything())? {
        let Some(agreement) = visit.agreement_id.and_then(|id| known.get(&id)) else { continue };
        dropped += usize::from(follow_one(conn, branch, agreement, &visit, now)?);
    }
    Ok(dropped)
}

/// As [`follow_agreements`], for the visits of one agreement that has changed.
///
/// # Errors
/// Those of the store.
pub fn follow_agreement(
    conn: &mut AnyConnection,
    branch: BranchId,
    agreement: &AgreementRecord,
    now: DateTime<Utc>,
) -> Result<usize, AppError> {
    let filter = VisitFilter {
        agreement: Some(agreement.id),
        states: Some(vec![VisitState::Owed]),
        ..VisitFilter::default()
    };
    let mut dropped = 0;
    for visit in visits::list(conn, branch, &filter, Page::everything())? {
        dropped += usize::from(follow_one(conn, branch, agreement, &visit, now)?);
    }
    Ok(dropped)
}

/// Whether the visit was dropped.
fn follow_one(
    conn: &mut AnyConnection,
    branch: BranchId,
    agreement: &AgreementRecord,
    visit: &VisitRecord,
    now: DateTime<Utc>,
) -> Result<bool, AppError> {
    let Some(window) = DateRange::new(visit.window_first, visit.window_last) else {
        return Ok(false);
    };
    let Some(owed) = owed_now(conn, branch, agreement, visit, window)? else {
        let why = no_longer_owed(agreement, window);
        let to = VisitChange { state: VisitState::Dropped, place: None, slot: None };
        let cause = Cause { who: WHO, why: Some(&why) };
        visits::change(conn, branch, visit.id, visit.version, to, cause, now)?;
        return Ok(true);
    };
    let within = if visit.days_chosen { chosen_days(visit, owed.within) } else { owed.within };
    let fields = VisitFields {
        window_first: owed.window.first,
        window_last: owed.window.last,
        within_first: within.first,
        within_last: within.last,
        ..visit.fields.clone()
    };
    if fields != visit.fields {
        visits::update(conn, branch, visit.id, visit.version, &fields, now)?;
    }
    Ok(false)
}

/// What the agreement owes now in place of a visit: the window that begins on the same day, else the one
/// that has most days in common with the old one and is nobody else's.
fn owed_now(
    conn: &mut AnyConnection,
    branch: BranchId,
    agreement: &AgreementRecord,
    visit: &VisitRecord,
    window: DateRange,
) -> Result<Option<OwedVisit>, AppError> {
    let mut owed = visits_owed(&agreement.rules, agreement.first_day, agreement.last_day, window);
    owed.retain(|owed| owed.kind == visit.kind);
    if let Some(same) = owed.iter().find(|owed| owed.window.first == window.first) {
        return Ok(Some(*same));
    }
    if owed.is_empty() {
        return Ok(None);
    }
    let filter = VisitFilter {
        agreement: Some(agreement.id),
        kind: Some(visit.kind),
        ..VisitFilter::default()
    };
    let taken: BTreeSet<NaiveDate> = visits::list(conn, branch, &filter, Page::everything())?
        .iter()
        .map(|visit| visit.window_first)
        .collect();
    owed.retain(|owed| !taken.contains(&owed.window.first));
    let common = |owed: &OwedVisit| owed.window.intersection(&window).map(|days| days.days());
    Ok(owed.into_iter().max_by_key(common))
}

/// Days that the office chose stay, as far as they lie in what is owed.
fn chosen_days(visit: &VisitRecord, owed: DateRange) -> DateRange {
    let first = visit.within_first.max(owed.first).min(owed.last);
    DateRange { first, last: visit.within_last.min(owed.last).max(first) }
}

fn no_longer_owed(agreement: &AgreementRecord, window: DateRange) -> String {
    match agreement.last_day {
        Some(last) if last <= window.last => {
            format!("agreement {} ended on {last}", agreement.key)
        }
        _ => format!("agreement {} no longer owes it", agreement.key),
    }
}
