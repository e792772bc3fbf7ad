//! Something happened to the adopted plan: the best new plan close to it, as a draft.

use chrono::{NaiveDate, NaiveTime};
use chrono_tz::Tz;
use hotspell_domain::local_time::local_day;
use hotspell_domain::{BranchId, DateRange, SiteId, TechnicianId, VisitId};
use hotspell_planning::repair::{self, Event, Now, Repaired, Scope};
use hotspell_planning::season::{Budget, Window};
use hotspell_planning::stability::Stability;
use hotspell_store::sites::{self, SiteAbsence};
use hotspell_store::technicians::{self, TechnicianAbsence};
use hotspell_store::visits::{self, VisitFields};
use hotspell_store::words::RunKind;
use hotspell_store::{AnyConnection, StoreError, branches};
use serde::{Deserialize, Serialize};
use serde_json::json;

use super::AppError;
use super::calendar::seconds_of_day;
use super::plan_change::{self, Because};
use super::present::{self, Present};
use super::season_draft::{self, Drafted};
use super::season_plan::{Composed, PlanFigures, threads};
use super::season_problem::Agreed;
use crate::state::AppState;

/// Iterations for a few days and for the season; `cargo bench -p hotspell-planning` says how long they
/// take.
const DAYS_ITERATIONS: u64 = 20_000;
const SEASON_ITERATIONS: u64 = 60_000;
/// Working days that count as a few.
const FEW_DAYS: usize = 10;

/// What happened.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(tag = "kind", rename_all = "kebab-case")]
pub enum Happened {
    /// A technician does not work on some days. Kept as an absence.
    TechnicianAbsent {
        /// Who.
        technician_id: TechnicianId,
        /// First day.
        first_day: NaiveDate,
        /// Last day.
        last_day: NaiveDate,
    },
    /// A technician cannot work for some hours of a day.
    TechnicianBlocked {
        /// Who.
        technician_id: TechnicianId,
        /// The day.
        day: NaiveDate,
        /// From when.
        from: NaiveTime,
        /// Until when.
        until: NaiveTime,
    },
    /// Homes cannot be reached for some hours of a day.
    RoadBlocked {
        /// Which.
        site_ids: Vec<SiteId>,
        /// The day.
        day: NaiveDate,
        /// From when.
        from: NaiveTime,
        /// Until when.
        until: NaiveTime,
    },
    /// A household declines a day, or hours of it. A whole day is kept as an absence of the home.
    SlotDeclined {
        /// Which visit.
        visit_id: VisitId,
        /// The day.
        day: NaiveDate,
        /// The hours; nothing means the whole day.
        hours: Option<(NaiveTime, NaiveTime)>,
    },
    /// A visit that was added needs a place, such as a no-cool call.
    VisitAdded {
        /// Which visit.
        visit_id: VisitId,
    },
    /// A household chose another slot for its visit; said by the service itself.
    SlotChosen {
        /// Which visit.
        visit_id: VisitId,
    },
    /// A visit takes longer. Kept as its duration.
    Overrun {
        /// Which visit.
        visit_id: VisitId,
        /// How much longer, seconds.
        extra_seconds: i32,
    },
}

/// What the office states.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct RepairRequest {
    /// What happened, in order.
    pub events: Vec<Happened>,
    /// Days that may change; the rest of the season otherwise.
    pub days: Option<DateRange>,
    /// Seed of every random choice.
    pub seed: u64,
}

/// Mends the adopted plan: a draft to adopt like any other. What is known for good (absences, a longer
/// visit) is stored with it, so that later plans know it too.
///
/// # Errors
/// [`AppError::Conflict`] without an adopted plan or for a visit that is not open,
/// [`AppError::Invalid`] for an event that names what is not there.
pub fn mend(
    state: &AppState,
    branch: BranchId,
    request: &RepairRequest,
) -> Result<Composed, AppError> {
    let record = state.store.read(|conn| branches::find(conn, branch))?;
    let today = local_day(state.now(), record.time_zone);
    let present = present::load(state, branch, today, Agreed::Dear)?;
    let (posed, problem) = (&present.posed, &present.posed.built.problem);
    let events = events(&present, &request.events)?;
    let days = request.days.map(|range| day_span(&posed.days, range)).transpose()?;
    let now = moment(state, &present, record.time_zone);
    let scope = Scope { now, days, stability: Stability::default() };
    let few = days.is_some_and(|(first, last)| last - first < FEW_DAYS);
    let iterations = if few { DAYS_ITERATIONS } else { SEASON_ITERATIONS };
    let budget = Budget { threads: threads(state), ..Budget::iterations(iterations) };
    let before = present.plan(problem)?;
    let mended = repair::repair(problem, &before, &events, &scope, &budget, request.seed)
        .map_err(|error| AppError::planning("repair of the plan", error))?;
    season_draft::checked(&mended.problem, &mended.plan)?;
    let given = json!({
        "plan": present.inputs.adopted.as_ref().map(|plan| plan.id),
        "first_day": present.horizon.first,
        "last_day": present.horizon.last,
        "events": request.events,
        "days": request.days,
        "at": state.now(),
        "seed": request.seed,
        "iterations": iterations,
        "scored_as_of": present.inputs.scored_as_of,
    });
    let drafted = Drafted {
        posed,
        problem: &mended.problem,
        plan: &mended.plan,
        figures: figures(&present, &mended)?,
        horizon: present.horizon,
        seed: request.seed,
    };
    let beside = |conn: &mut AnyConnection| keep_facts(state, conn, branch, &request.events);
    season_draft::keep(state, branch, RunKind::Repair, &given, &drafted, &beside)
}

/// Until when the plan has happened: before the first planned day of the problem nothing has begun.
pub(super) fn moment(state: &AppState, present: &Present, zone: Tz) -> Now {
    let local = state.now().with_timezone(&zone);
    let begun = present.posed.days.first() == Some(&local.date_naive());
    Now { day: 0, second: if begun { seconds_of_day(local.time()) } else { -1 } }
}

/// What the mended plan says of itself and of what it changes; what is in force is reckoned with the
/// events in it, so that visits which no longer fit count as left out.
pub(super) fn figures(present: &Present, mended: &Repaired) -> Result<PlanFigures, AppError> {
    let (problem, plan) = (&mended.problem, &mended.plan);
    let left = present.plan(problem)?;
    let change = plan_change::told(
        Because::Repair,
        (&present.inputs, &present.posed),
        problem,
        &left,
        plan,
        &mended.difference,
    )?;
    let figures = season_draft::figures_of(&present.inputs, &present.posed, problem, plan)?;
    Ok(PlanFigures { change: Some(change), ..figures })
}

/// The first and last problem day of a range.
fn day_span(days: &[NaiveDate], range: DateRange) -> Result<(usize, usize), AppError> {
    let first = days.partition_point(|day| *day < range.first);
    let end = days.partition_point(|day| *day <= range.last);
    if first < end {
        Ok((first, end - 1))
    } else {
        Err(AppError::field(
            "/days",
            "there is no working day of the adopted plan from today on in this range",
        ))
    }
}

/// What happened, by the problem's indices; an event names its place when it is wrong.
fn events(present: &Present, happened: &[Happened]) -> Result<Vec<Event>, AppError> {
    let mut events = Vec::new();
    for (number, what) in happened.iter().enumerate() {
        events.extend(event(present, number, what)?);
    }
    Ok(events)
}

fn event(present: &Present, number: usize, what: &Happened) -> Result<Option<Event>, AppError> {
    let days = &present.posed.days;
    let at = |member: &str| format!("/events/{number}/{member}");
    let technician = |id: &TechnicianId| {
        let people = &present.posed.built.technicians;
        people.iter().position(|known| known == id).ok_or_else(|| {
            AppError::field(
                at("technician_id"),
                format!("technician {id} does not work on the days of the adopted plan"),
            )
        })
    };
    let on = |day: NaiveDate| {
        days.binary_search(&day).map_err(|_| {
            AppError::field(
                at("day"),
                format!("{day} is no working day of the adopted plan from today on"),
            )
        })
    };
    Ok(Some(match what {
        Happened::TechnicianAbsent { technician_id, first_day, last_day } => {
            let away = |(_, day): &(usize, &NaiveDate)| first_day <= *day && *day <= last_day;
            let days: Vec<usize> =
                days.iter().enumerate().filter(away).map(|(index, _)| index).collect();
            if days.is_empty() {
                return Err(AppError::field(
                    at("first_day"),
                    "no working day of the adopted plan from today on is among these days",
                ));
            }
            Event::Sick { technician: technician(technician_id)?, days }
        }
        Happened::TechnicianBlocked { technician_id, day, from, until } => Event::Blocked {
            technician: technician(technician_id)?,
            day: on(*day)?,
            span: window(*from, *until),
        },
        Happened::RoadBlocked { site_ids, day, from, until } => Event::Unreachable {
            visits: visits_at(present, site_ids),
            day: on(*day)?,
            span: window(*from, *until),
        },
        Happened::SlotDeclined { visit_id, day, hours } => Event::Declined {
            visit: present.index(*visit_id)?,
            day: on(*day)?,
            span: hours.map(|(from, until)| window(from, until)),
        },
        Happened::VisitAdded { visit_id } | Happened::SlotChosen { visit_id } => {
            // It is among the visits of the problem already; whoever names another one is told.
            present.index(*visit_id)?;
            return Ok(None);
        }
        Happened::Overrun { visit_id, extra_seconds } => {
            Event::Overrun { visit: present.index(*visit_id)?, extra_s: *extra_seconds }
        }
    }))
}

fn window(from: NaiveTime, until: NaiveTime) -> Window {
    Window { start_s: seconds_of_day(from), end_s: seconds_of_day(until) }
}

fn visits_at(present: &Present, sites: &[SiteId]) -> Vec<usize> {
    let there = |id: &VisitId| {
        let visit = present.inputs.visits.iter().find(|visit| visit.id == *id);
        visit.is_some_and(|visit| sites.contains(&visit.site_id))
    };
    let built = &present.posed.built;
    built.visits.iter().enumerate().filter(|(_, id)| there(id)).map(|(index, _)| index).collect()
}

/// Stores what later plans must know too.
fn keep_facts(
    state: &AppState,
    conn: &mut AnyConnection,
    branch: BranchId,
    happened: &[Happened],
) -> Result<(), StoreError> {
    let now = state.now();
    for what in happened {
        match what {
            Happened::TechnicianAbsent { technician_id, first_day, last_day } => {
                let absence = TechnicianAbsence {
                    first_day: *first_day,
                    last_day: *last_day,
                    reason: Some("stated for a repair of the plan".to_owned()),
                };
                let stored = technicians::absences(conn, branch, Some(*technician_id))?;
                let mut list = stored.get(technician_id).cloned().unwrap_or_default();
                if !list.iter().any(|a| a.first_day <= *first_day && *last_day <= a.last_day) {
                    list.push(absence);
                    technicians::set_absences(conn, branch, *technician_id, &list)?;
                    technicians::touch(conn, branch, *technician_id, now)?;
                }
            }
            Happened::SlotDeclined { visit_id, day, hours: None } => {
                let site = visits::find(conn, branch, *visit_id)?.site_id;
                let absence = SiteAbsence {
                    first_day: *day,
                    last_day: *day,
                    reason: Some("the household declined this day".to_owned()),
                };
                let stored = sites::absences(conn, branch, Some(site))?;
                let mut list = stored.get(&site).cloned().unwrap_or_default();
                if !list.iter().any(|a| a.first_day <= *day && *day <= a.last_day) {
                    list.push(absence);
                    sites::set_absences(conn, branch, site, &list)?;
                    sites::touch(conn, branch, site, now)?;
                }
            }
            Happened::Overrun { visit_id, extra_seconds } => {
                let visit = visits::find(conn, branch, *visit_id)?;
                let duration_seconds = visit.duration_seconds.saturating_add(*extra_seconds);
                let fields = VisitFields { duration_seconds, ..visit.fields.clone() };
                visits::update(conn, branch, visit.id, visit.version, &fields, now)?;
            }
            _ => {}
        }
    }
    Ok(())
}
