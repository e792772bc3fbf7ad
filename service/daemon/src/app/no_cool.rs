//! Nothing cools at a home: how urgent it is, what is likely broken, and into whose day it fits.

use chrono::{DateTime, Days, NaiveDate, Utc};
use hotspell_domain::local_time::local_day;
use hotspell_domain::visit::arrival_window_seconds;
use hotspell_domain::{
    BranchId, ComponentClass, ComponentId, DateRange, SiteId, TechnicianId, VisitId, VisitKind,
    VisitState, Vulnerability,
};
use hotspell_planning::insertion::{Delay, Others, insertions};
use hotspell_planning::no_cool::{Circumstances, priority};
use hotspell_reliability::diagnosis::culprit_shares;
use hotspell_reliability::horizon;
use hotspell_store::branches::{self, BranchRecord};
use hotspell_store::no_cool::{self, NewNoCool, NoCoolRecord};
use hotspell_store::sites::SiteRecord;
use hotspell_store::units::{self, UnitFilter};
use hotspell_store::visits::{self, Cause, VisitChange, VisitFields, VisitRecord};
use hotspell_store::{AnyConnection, Page, sites};
use serde::{Deserialize, Serialize};
use serde_json::json;

use super::adopt::Adopted;
use super::calendar::time_of_day;
use super::insertion::{self, Wanted};
use super::plan_change::{self, ProblemNames};
use super::present::{self, Near};
use super::repair::{self, Happened};
use super::{AppError, day, loads, scores, weather};
use crate::routing;
use crate::state::AppState;

/// Days from today within which a call is to be served.
const WITHIN_DAYS: u64 = 2;
/// Days over which the heat to come counts.
const HEAT_DAYS: u64 = 3;
/// Ways to serve it that are shown.
const WAYS: usize = 4;
/// Likely parts that are shown.
const PARTS: usize = 6;
/// A day with such a high or a hotter one is said to be recent enough to stand for today.
const HEAT_AGE_DAYS: i64 = 3;

/// What the office enters.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct NoCoolCall {
    /// The home.
    pub site: SiteId,
    /// Who there bears heat badly, as the household says.
    pub vulnerabilities: Vec<Vulnerability>,
    /// What it says besides.
    pub words: Option<String>,
    /// When it called.
    pub called_at: DateTime<Utc>,
}

/// What the priority was made from.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Heat {
    /// Highest temperature of today, degrees Celsius.
    pub today_celsius: Option<f64>,
    /// Highest one foretold for the next days, degrees Celsius.
    pub to_come_celsius: Option<f64>,
}

/// A part that may be what failed.
#[derive(Debug, Clone, PartialEq)]
pub struct LikelyPart {
    /// The part.
    pub component: ComponentId,
    /// What it is.
    pub class: ComponentClass,
    /// The machine, as the office calls it.
    pub unit: String,
    /// Its rating: what should ride along.
    pub rating: Option<String>,
    /// Chance that it is the one, among the parts on record, 0 to 1.
    pub share: f64,
    /// The heaviest reason of its risk.
    pub why: Option<String>,
}

/// Work of somebody else that starts later.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct OthersDelay {
    /// The visit.
    pub visit: VisitId,
    /// How much later, seconds.
    pub later_s: i32,
    /// How far past the end of the promised time, seconds; 0 within it.
    pub past_promise_s: i32,
}

/// A way to serve the call.
#[derive(Debug, Clone, PartialEq)]
pub struct Way {
    /// The day.
    pub day: NaiveDate,
    /// Who would go.
    pub technician: TechnicianId,
    /// The arrival window that the household would be told, seconds after midnight.
    pub window: (i32, i32),
    /// Start of the work, seconds after midnight.
    pub start_s: i32,
    /// Work that starts later.
    pub delays: Vec<OthersDelay>,
    /// Whether somebody loses a promised time.
    pub breaks_a_promise: bool,
    /// Further driving, seconds.
    pub detour_s: i64,
    /// The same in words.
    pub sentence: String,
}

/// A call as it stands.
#[derive(Debug, Clone)]
pub struct Assessed {
    /// What was said.
    pub call: NoCoolRecord,
    /// The visit that it asks for.
    pub visit: VisitRecord,
    /// The home.
    pub site: SiteRecord,
    /// Most likely first.
    pub parts: Vec<LikelyPart>,
    /// Best first.
    pub ways: Vec<Way>,
    /// Why something is missing, in words.
    pub notes: Vec<String>,
}

impl Assessed {
    /// Who at home bears heat badly.
    ///
    /// # Errors
    /// [`AppError::Internal`] when the stored words are none.
    pub fn vulnerabilities(&self) -> Result<Vec<Vulnerability>, AppError> {
        serde_json::from_value(self.call.vulnerabilities.clone())
            .map_err(|error| AppError::internal("stored vulnerabilities", error))
    }

    /// The heat that its priority was made from.
    ///
    /// # Errors
    /// [`AppError::Internal`] when the stored values are none.
    pub fn heat(&self) -> Result<Heat, AppError> {
        serde_json::from_value(self.call.grounds.clone())
            .map_err(|error| AppError::internal("stored heat of a call", error))
    }
}

/// Takes a call: makes its visit with the priority that person and heat give it.
///
/// # Errors
/// [`AppError::Store`] when there is no such home.
pub fn take(
    state: &AppState,
    branch: BranchId,
    call: &NoCoolCall,
    who: &str,
) -> Result<Assessed, AppError> {
    let record = state.store.read(|conn| branches::find(conn, branch))?;
    let now = state.now();
    let today = local_day(now, record.time_zone);
    let heat = heat(state, &record, today)?;
    let home = state.store.read(|conn| sites::find(conn, branch, call.site))?;
    let urgency = priority(&Circumstances {
        // As the household says now, or has said before.
        vulnerable: !call.vulnerabilities.is_empty() || home.vulnerability.is_some(),
        today_celsius: heat.today_celsius,
        to_come_celsius: heat.to_come_celsius,
    });
    let last = today.checked_add_days(Days::new(WITHIN_DAYS)).unwrap_or(today);
    let id = state.store.write(|conn| {
        let site = sites::find(conn, branch, call.site)?;
        let filter =
            UnitFilter { site: Some(site.id), present_on: Some(today), ..UnitFilter::default() };
        let machines = units::list(conn, branch, &filter, Page::everything())?.len();
        let fields = VisitFields {
            agreement_id: None,
            site_id: site.id,
            kind: VisitKind::NoCoolCall,
            window_first: today,
            window_last: last,
            within_first: today,
            within_last: last,
            days_chosen: false,
            state: VisitState::Owed,
            day: None,
            technician_id: None,
            starts: None,
            ends: None,
            duration_seconds: VisitKind::NoCoolCall.duration_seconds(machines),
            priority: urgency,
            reason: call.words.clone().or_else(|| Some("nothing cools".to_owned())),
        };
        let cause = Cause { who, why: Some("called: nothing cools") };
        let visit = visits::insert_once(conn, branch, &fields, cause, now)?
            .ok_or_else(|| AppError::Conflict("this call is there already".to_owned()))?;
        let new = NewNoCool {
            visit_id: visit.id,
            vulnerabilities: json!(call.vulnerabilities),
            words: call.words.clone(),
            called_at: call.called_at,
            grounds: json!(heat),
        };
        Ok::<_, AppError>(no_cool::insert(conn, branch, new)?.id)
    })?;
    assess(state, branch, id)
}

/// The heat of today and of the next days: the forecast, else a measured day that is recent.
fn heat(state: &AppState, branch: &BranchRecord, today: NaiveDate) -> Result<Heat, AppError> {
    let foretold = weather::forecast(state, branch, today)?;
    let until = today.checked_add_days(Days::new(HEAT_DAYS)).unwrap_or(today);
    let of_today = foretold.iter().find(|day| day.date == today).map(|day| day.tmax_celsius);
    let to_come = foretold
        .iter()
        .filter(|day| today < day.date && day.date <= until)
        .map(|day| day.tmax_celsius)
        .reduce(f64::max);
    let measured = match weather::record(state, branch) {
        Ok(series) => series
            .days
            .last()
            .filter(|day| (today - day.date).num_days() <= HEAT_AGE_DAYS)
            .map(|day| day.tmax_celsius),
        Err(AppError::NotReady(_)) => None,
        Err(error) => return Err(error),
    };
    Ok(Heat { today_celsius: of_today.or(measured), to_come_celsius: to_come })
}

/// How a call stands now: likely parts and ways to serve it.
///
/// # Errors
/// [`AppError::Store`] when there is no such call.
pub fn assess(state: &AppState, branch: BranchId, call: i64) -> Result<Assessed, AppError> {
    let (record, call, visit, site) = state.store.read(|conn| {
        let call = no_cool::find(conn, branch, call)?;
        let visit = visits::find(conn, branch, call.visit_id)?;
        let site = sites::find(conn, branch, visit.site_id)?;
        Ok::<_, AppError>((branches::find(conn, branch)?, call, visit, site))
    })?;
    let today = local_day(state.now(), record.time_zone);
    let mut notes = Vec::new();
    let parts = state.store.read(|conn| likely(conn, &record, site.id, today))?;
    if parts.is_empty() {
        notes.push("No part of this home has a score; look at the machines on record.".to_owned());
    }
    let mut ways = Vec::new();
    if visit.state == VisitState::Owed {
        match ways_of(state, branch, visit.id, today) {
            Ok(found) => ways = found,
            Err(AppError::Conflict(why) | AppError::NotReady(why)) => notes.push(why),
            Err(AppError::Invalid(fields)) => {
                notes.extend(fields.into_iter().map(|(_, why)| why));
            }
            Err(error) => return Err(error),
        }
        if ways.is_empty() && notes.is_empty() {
            notes.push(
                "Nobody's day has room today or tomorrow; state the call as an event of a repair of the \
                 plan to make room."
                    .to_owned(),
            );
        }
    }
    Ok(Assessed { call, visit, site, parts, ways, notes })
}

/// The parts of a home in the order of the chance that one of them is what failed.
fn likely(
    conn: &mut AnyConnection,
    branch: &BranchRecord,
    site: SiteId,
    today: NaiveDate,
) -> Result<Vec<LikelyPart>, AppError> {
    let machines = day::units_at(conn, branch, site, today)?;
    let by = loads::culprit_until(today);
    let named: Vec<(String, day::DayPart)> = machines
        .into_iter()
        .flat_map(|machine| {
            let name = machine.unit.label.clone().unwrap_or_else(|| machine.unit.key.clone());
            machine.parts.into_iter().map(move |part| (name.clone(), part))
        })
        .collect();
    let ids = named.iter().map(|(_, part)| part.component.id).collect();
    let scored = scores::of_parts(conn, branch.id, ids)?;
    let mut found = Vec::new();
    for (unit, part) in named {
        let Some(row) = scored.get(&part.component.id) else { continue };
        found.push((unit, horizon::at(&scores::curve(row)?, by), part));
    }
    let chances: Vec<f64> = found.iter().map(|(_, chance, _)| *chance).collect();
    let mut parts: Vec<LikelyPart> = found
        .into_iter()
        .zip(culprit_shares(&chances))
        .map(|((unit, _, part), share)| LikelyPart {
            component: part.component.id,
            class: part.component.class,
            unit,
            rating: part.component.rating.clone(),
            share,
            why: part.reasons.first().map(|reason| reason.sentence.clone()),
        })
        .collect();
    parts.sort_by(|a, b| b.share.total_cmp(&a.share).then(a.component.cmp(&b.component)));
    parts.truncate(PARTS);
    Ok(parts)
}

/// The best insertions into the days of today and tomorrow.
fn ways_of(
    state: &AppState,
    branch: BranchId,
    visit: VisitId,
    today: NaiveDate,
) -> Result<Vec<Way>, AppError> {
    let soon = [today, today.succ_opt().unwrap_or(today)];
    let near = Near { visit, plan: None, days: Some(&soon), spell: None };
    let present = present::near(state, branch, near, routing::travel)?;
    let (posed, problem) = (&present.posed, &present.posed.built.problem);
    let days: Vec<usize> =
        soon.iter().filter_map(|day| posed.days.binary_search(day).ok()).collect();
    if days.is_empty() {
        let next = posed.days.first().copied().unwrap_or(present.horizon.last);
        return Err(AppError::Conflict(format!(
            "Nobody has a route today or tomorrow: the next working day of the plan is {}.",
            plan_change::day(next)
        )));
    }
    let index = present.index(visit)?;
    let now = repair::moment(state, &present, present.inputs.homes.branch.time_zone);
    let before = present.whole_plan()?;
    let found = insertions(problem, &before, index, now, &days, WAYS)
        .map_err(|error| AppError::planning("insertions of a call", error))?;
    let names = ProblemNames::new(&present.inputs, posed);
    let broken = || AppError::internal("insertions of a call", "no such day or person");
    found
        .into_iter()
        .map(|way| {
            Ok(Way {
                day: *posed.days.get(way.day).ok_or_else(broken)?,
                technician: *posed.built.technicians.get(way.technician).ok_or_else(broken)?,
                window: arrival_window_seconds(way.start_s),
                start_s: way.start_s,
                breaks_a_promise: way.breaks_a_promise(),
                delays: way
                    .delays
                    .iter()
                    .filter_map(|Delay { visit, later_s, past_promise_s }| {
                        let visit = *posed.built.visits.get(*visit)?;
                        let (later_s, past_promise_s) = (*later_s, *past_promise_s);
                        Some(OthersDelay { visit, later_s, past_promise_s })
                    })
                    .collect(),
                detour_s: way.detour_s,
                sentence: way.sentence(&names),
            })
        })
        .collect()
}

/// Where the office puts a call.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Acceptance {
    /// The day.
    pub day: NaiveDate,
    /// Who goes.
    pub technician: TechnicianId,
    /// Whether others on that day may lose the time that they were promised; they are written to.
    pub break_promises: bool,
}

/// What became of an accepted call.
#[derive(Debug)]
pub struct Accepted {
    /// The visit in its place.
    pub visit: VisitRecord,
    /// What became of everybody else.
    pub adopted: Adopted,
    /// Load lists that were written for the changed routes.
    pub load_lists: usize,
}

/// Puts a call into a technician's day: plan, route and load list follow, and whoever was told something
/// that no longer holds hears of it. The household of the call is on the telephone: its visit counts as
/// announced.
///
/// # Errors
/// [`AppError::Conflict`] when it is decided already or does not fit there any more.
pub fn accept(
    state: &AppState,
    branch: BranchId,
    call: i64,
    place: Acceptance,
    who: &str,
) -> Result<Accepted, AppError> {
    let visit = open_visit(state, branch, call)?;
    let others = if place.break_promises { Others::MayBeLate } else { Others::KeepTheirTime };
    let Acceptance { day, technician, .. } = place;
    let wanted = Wanted { visit: visit.id, day, technician, starts: None, others };
    let happened = Happened::VisitAdded { visit_id: visit.id };
    let prepared = insertion::prepare(state, branch, wanted, &happened)?.ok_or_else(|| {
        AppError::Conflict("the call does not fit into that day any more; look again".to_owned())
    })?;
    let done = state.store.write(|conn| {
        let adopted = insertion::adopt_prepared(conn, state, branch, &prepared, who)?;
        let placed = visits::find(conn, branch, visit.id)?;
        let to = VisitChange {
            state: VisitState::Announced,
            place: placed.day.zip(placed.technician_id),
            slot: placed.starts.zip(placed.ends),
        };
        let cause = Cause { who, why: Some("told on the telephone") };
        let now = state.now();
        let visit = visits::change(conn, branch, placed.id, placed.version, to, cause, now)?;
        Ok::<_, AppError>((visit, adopted))
    });
    if done.is_err() {
        insertion::put_away(state, branch, &prepared)?;
    }
    let (visit, adopted) = done?;
    let zone = state.store.read(|conn| branches::find(conn, branch))?.time_zone;
    let today = local_day(state.now(), zone);
    let days = DateRange { first: place.day, last: place.day };
    let load_lists = match loads::write_load_lists(state, branch, days, today) {
        Ok(count) => count,
        Err(AppError::NotReady(_)) => 0,
        Err(error) => return Err(error),
    };
    Ok(Accepted { visit, adopted, load_lists })
}

/// Turns a call down, with the reason.
///
/// # Errors
/// [`AppError::Conflict`] when it is decided already.
pub fn reject(
    state: &AppState,
    branch: BranchId,
    call: i64,
    why: &str,
    who: &str,
) -> Result<VisitRecord, AppError> {
    let visit = open_visit(state, branch, call)?;
    let to = VisitChange { state: VisitState::Dropped, place: None, slot: None };
    let cause = Cause { who, why: Some(why) };
    state.store.write(|conn| {
        Ok(visits::change(conn, branch, visit.id, visit.version, to, cause, state.now())?)
    })
}

fn open_visit(state: &AppState, branch: BranchId, call: i64) -> Result<VisitRecord, AppError> {
    let visit = state.store.read(|conn| {
        let call = no_cool::find(conn, branch, call)?;
        visits::find(conn, branch, call.visit_id)
    })?;
    if visit.state == VisitState::Owed {
        return Ok(visit);
    }
    Err(AppError::Conflict(format!(
        "this call is decided: its visit is {}; change the visit's state instead",
        visit.state
    )))
}

/// The window of a way in words of the clock.
#[must_use]
pub fn window_times(way: &Way) -> (chrono::NaiveTime, chrono::NaiveTime) {
    (time_of_day(way.window.0), time_of_day(way.window.1))
}
