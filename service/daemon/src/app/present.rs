//! What is in force, as a plan of the season problem: the places that visits hold today.

use std::collections::BTreeMap;

use chrono::NaiveDate;
use hotspell_domain::local_time::local_day;
use hotspell_domain::{BranchId, DateRange, PlanId, TechnicianId, VisitId};
use hotspell_planning::difference::Names as _;
use hotspell_planning::season::{SeasonPlan, SeasonProblem, plan_of};
use hotspell_planning::travel::TravelTable;
use hotspell_store::plans::{self, PlanRecord, PlanStopFilter};
use hotspell_store::to_plan::{self, StopToPlan, VisitToPlan};
use hotspell_store::visits::{self, VisitRecord};
use hotspell_store::{AnyConnection, Page, branches};

use super::AppError;
use super::calendar::seconds_of_day;
use super::plan_change::{self, ProblemNames};
use super::season_inputs::{self, Among, FirstHotSpell, Inputs, Posed, TravelOf};
use super::season_problem::Agreed;
use crate::routing;
use crate::state::AppState;

/// For each technician-day the visits in order, by index.
pub type Sequences = Vec<(usize, usize, Vec<usize>)>;

/// The problem of the days from today on with what is in force in it.
#[derive(Debug)]
pub struct Present<T = TravelTable> {
    /// What is stored.
    pub inputs: Inputs,
    /// The problem.
    pub posed: Posed<T>,
    /// What is in force.
    pub sequences: Sequences,
    /// Its days.
    pub horizon: DateRange,
}

impl Present {
    /// What is in force as a plan of a problem; what does not fit is left out.
    ///
    /// # Errors
    /// [`AppError::Internal`] when the problem is not sound.
    pub fn plan(&self, problem: &SeasonProblem) -> Result<SeasonPlan, AppError> {
        plan_of(problem, &self.sequences).map_err(|error| AppError::planning("plan", error))
    }

    /// What is in force as a plan of its own problem, whole: nothing is left out.
    ///
    /// # Errors
    /// [`AppError::Conflict`] that names the visits which do not fit into their days any more; as
    /// [`Self::plan`].
    pub fn whole_plan(&self) -> Result<SeasonPlan, AppError> {
        let built = &self.posed.built;
        let plan = self.plan(&built.problem)?;
        let names = ProblemNames::new(&self.inputs, &self.posed);
        let lost: Vec<String> = self
            .sequences
            .iter()
            .flat_map(|(_, _, visits)| visits)
            .filter(|visit| plan.find(**visit).is_none())
            .filter_map(|visit| Some((built.visits.get(*visit)?, names.visit(*visit))))
            .map(|(id, home)| format!("{home} (visit {id})"))
            .collect();
        if lost.is_empty() {
            return Ok(plan);
        }
        Err(AppError::Conflict(format!(
            "what is planned at {} does not fit into its day any more; have the plan repaired first",
            lost.join(", ")
        )))
    }
}

impl<T> Present<T> {
    /// The index of a visit in the problem.
    ///
    /// # Errors
    /// [`AppError::Conflict`] when it is not among the visits to be planned, with the reason.
    pub fn index(&self, visit: VisitId) -> Result<usize, AppError> {
        let built = &self.posed.built;
        if let Some(index) = built.visits.iter().position(|id| *id == visit) {
            return Ok(index);
        }
        let impossible = built.impossible.iter().find(|(id, _)| *id == visit);
        Err(AppError::Conflict(impossible.map_or_else(
            || {
                format!(
                    "visit {visit} is not open from {} to {}, the days that are planned",
                    plan_change::day(self.horizon.first),
                    plan_change::day(self.horizon.last)
                )
            },
            |(_, why)| why.clone(),
        )))
    }
}

/// Loads what is in force of the adopted plan from a day on.
///
/// # Errors
/// [`AppError::Conflict`] when no plan is adopted or it has ended; those of loading.
pub fn load(
    state: &AppState,
    branch: BranchId,
    from: NaiveDate,
    agreed: Agreed,
) -> Result<Present, AppError> {
    let (_, horizon) = state.store.read(|conn| adopted_from(conn, branch, from))?;
    let inputs = season_inputs::load(state, branch, horizon)?;
    let posed = season_inputs::pose(state, &inputs, horizon, agreed, routing::travel, None)?;
    let sequences = held(&inputs, &posed);
    Ok(Present { inputs, posed, sequences, horizon })
}

/// Loads what is in force from today on; what is agreed may move at its price.
///
/// # Errors
/// As [`load`].
pub fn in_force(state: &AppState, branch: BranchId) -> Result<Present, AppError> {
    let record = state.store.read(|conn| branches::find(conn, branch))?;
    load(state, branch, local_day(state.now(), record.time_zone), Agreed::Dear)
}

/// The adopted plan and its days from a day on.
fn adopted_from(
    conn: &mut AnyConnection,
    branch: BranchId,
    from: NaiveDate,
) -> Result<(PlanRecord, DateRange), AppError> {
    let plan = season_inputs::adopted(conn, branch)?.ok_or_else(|| {
        AppError::Conflict("no plan is adopted; compose one and adopt it first".to_owned())
    })?;
    let horizon = DateRange::new(from.max(plan.first_day), plan.last_day).ok_or_else(|| {
        AppError::Conflict(format!("the adopted plan ended on {}", plan.last_day))
    })?;
    Ok((plan, horizon))
}

/// The same problem with the stops of any plan in it, such as a draft.
///
/// # Errors
/// [`AppError::NotFound`] when there is no such plan, [`AppError::Conflict`] when it has ended.
pub fn load_plan(state: &AppState, branch: BranchId, plan: PlanId) -> Result<Present, AppError> {
    let (record, stops) = state.store.read(|conn| {
        let record = plans::find(conn, branch, plan)?;
        let stops = season_inputs::stops_of(conn, branch, record.id, None)?;
        Ok::<_, AppError>((record, stops))
    })?;
    let horizon = DateRange { first: record.first_day, last: record.last_day };
    let inputs = season_inputs::load(state, branch, horizon)?;
    let posed = season_inputs::pose(state, &inputs, horizon, Agreed::Dear, routing::travel, None)?;
    let sequences = drafted(&stops, &inputs, &posed);
    Ok(Present { inputs, posed, sequences, horizon })
}

/// A visit, and the days on which it is looked at.
#[derive(Debug, Clone, Copy)]
pub struct Near<'a> {
    /// The visit.
    pub visit: VisitId,
    /// A plan that is not in force, such as a draft; else what is in force.
    pub plan: Option<PlanId>,
    /// Only these days and the one on which it stands; else all days on which it may happen.
    pub days: Option<&'a [NaiveDate]>,
    /// The first hot spell, where an earlier look has reckoned it.
    pub spell: Option<FirstHotSpell>,
}

/// One visit and what stands on its days: all that bears on what it would cost there as long as nobody
/// else moves, for a small part of the work of [`load`] and [`load_plan`]. Days and people are those
/// of the whole problem.
///
/// # Errors
/// [`AppError::Conflict`] as [`load`], [`AppError::NotFound`] when there is no such visit or plan.
pub fn near<T>(
    state: &AppState,
    branch: BranchId,
    near: Near<'_>,
    travel: TravelOf<T>,
) -> Result<Present<T>, AppError> {
    let (inputs, horizon, days) = state.store.read(|conn| {
        let visit = visits::find(conn, branch, near.visit)?;
        let (plan, horizon) = match near.plan {
            Some(plan) => {
                let plan = plans::find(conn, branch, plan)?;
                let horizon = DateRange { first: plan.first_day, last: plan.last_day };
                (plan, horizon)
            }
            None => {
                let record = branches::find(conn, branch)?;
                adopted_from(conn, branch, local_day(state.now(), record.time_zone))?
            }
        };
        let days = days_of(conn, &visit, near, horizon)?;
        let stops = season_inputs::stops_of(conn, branch, plan.id, Some(&days))?;
        let mut records = match near.plan {
            Some(_) => {
                let ids: Vec<VisitId> = stops.keys().copied().collect();
                to_plan::visits_numbered(conn, branch, &ids)?
            }
            None => to_plan::visits_on(conn, branch, &days)?,
        };
        if let Err(place) = records.binary_search_by_key(&visit.id, |record| record.id) {
            records.insert(place, VisitToPlan::of(&visit));
        }
        let among = Among::Near { visit: near.visit, records, stops };
        let inputs = season_inputs::read(conn, state, branch, horizon, among)?;
        Ok::<_, AppError>((inputs, horizon, days))
    })?;
    let mut posed = season_inputs::pose(state, &inputs, horizon, Agreed::Dear, travel, near.spell)?;
    // Nobody goes to a day that is not looked at.
    let looked_at: Vec<bool> = posed.days.iter().map(|day| days.contains(day)).collect();
    for visit in &mut posed.built.problem.visits {
        visit.days.retain(|day| looked_at.get(*day) == Some(&true));
    }
    let sequences = match near.plan {
        Some(_) => drafted(&inputs.stops, &inputs, &posed),
        None => held(&inputs, &posed),
    };
    Ok(Present { inputs, posed, sequences, horizon })
}

/// The days on which a visit is looked at.
fn days_of(
    conn: &mut AnyConnection,
    visit: &VisitRecord,
    near: Near<'_>,
    horizon: DateRange,
) -> Result<Vec<NaiveDate>, AppError> {
    let Some(days) = near.days else {
        let possible = DateRange { first: visit.within_first, last: visit.within_last };
        let possible = possible.intersection(&horizon);
        return Ok(possible.into_iter().flat_map(|range| range.each_day()).collect());
    };
    let own = match near.plan {
        Some(plan) => {
            let filter = PlanStopFilter {
                plan: Some(plan),
                visit: Some(visit.id),
                ..PlanStopFilter::default()
            };
            let stops = plans::list_stops(conn, visit.branch_id, &filter, Page::everything())?;
            stops.first().map(|stop| stop.day)
        }
        None => visit.day,
    };
    Ok(days.iter().copied().chain(own).collect())
}

/// The places that a plan's stops give.
fn drafted<T>(
    stops: &BTreeMap<VisitId, StopToPlan>,
    inputs: &Inputs,
    posed: &Posed<T>,
) -> Sequences {
    let place = |stop: &StopToPlan| Some((stop.day, stop.technician_id, stop.start_seconds));
    ordered(posed, |id, _| stops.get(&id).and_then(place), inputs)
}

/// The places that visits hold, in the order of the adopted plan where they still stand where it put
/// them.
fn held<T>(inputs: &Inputs, posed: &Posed<T>) -> Sequences {
    let place = |id: VisitId, record: &VisitToPlan| {
        let (day, technician) = record.day.zip(record.technician_id)?;
        let planned = inputs
            .stops
            .get(&id)
            .filter(|stop| stop.day == day && stop.technician_id == technician)
            .map(|stop| stop.start_seconds);
        Some((day, technician, planned.or(record.starts.map(seconds_of_day)).unwrap_or(0)))
    };
    ordered(posed, |id, record| place(id, record), inputs)
}

fn ordered<T>(
    posed: &Posed<T>,
    place: impl Fn(VisitId, &VisitToPlan) -> Option<(NaiveDate, TechnicianId, i32)>,
    inputs: &Inputs,
) -> Sequences {
    let built = &posed.built;
    let records: BTreeMap<VisitId, &VisitToPlan> =
        inputs.visits.iter().map(|record| (record.id, record)).collect();
    let mut slots: BTreeMap<(usize, usize), Vec<(i32, usize)>> = BTreeMap::new();
    for (index, id) in built.visits.iter().enumerate() {
        let Some((day, technician, start)) = records.get(id).and_then(|record| place(*id, record))
        else {
            continue;
        };
        let Ok(day) = posed.days.binary_search(&day) else { continue };
        let Some(technician) = built.technicians.iter().position(|id| *id == technician) else {
            continue;
        };
        slots.entry((day, technician)).or_default().push((start, index));
    }
    slots
        .into_iter()
        .map(|((day, technician), mut visits)| {
            visits.sort_unstable();
            (day, technician, visits.into_iter().map(|(_, index)| index).collect())
        })
        .collect()
}
