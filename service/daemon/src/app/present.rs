//! What is in force, as a plan of the season problem: the places that visits hold today.

use std::collections::BTreeMap;

use chrono::NaiveDate;
use hotspell_domain::{BranchId, DateRange, PlanId, VisitId};
use hotspell_planning::difference::Names as _;
use hotspell_planning::season::{SeasonPlan, SeasonProblem, plan_of};
use hotspell_store::plans::{self, PlanStopRecord};
use hotspell_store::visits::VisitRecord;

use super::AppError;
use super::calendar::seconds_of_day;
use super::plan_change::{self, ProblemNames};
use super::season_inputs::{self, Inputs, Posed};
use super::season_problem::Agreed;
use crate::state::AppState;

/// For each technician-day the visits in order, by index.
pub type Sequences = Vec<(usize, usize, Vec<usize>)>;

/// The problem of the days from today on with what is in force in it.
#[derive(Debug)]
pub struct Present {
    /// What is stored.
    pub inputs: Inputs,
    /// The problem.
    pub posed: Posed,
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
    let adopted = state.store.read(|conn| season_inputs::adopted(conn, branch))?;
    let plan = adopted.ok_or_else(|| {
        AppError::Conflict("no plan is adopted; compose one and adopt it first".to_owned())
    })?;
    let horizon = DateRange::new(from.max(plan.first_day), plan.last_day).ok_or_else(|| {
        AppError::Conflict(format!("the adopted plan ended on {}", plan.last_day))
    })?;
    let inputs = season_inputs::load(state, branch, horizon)?;
    let posed = season_inputs::pose(state, &inputs, horizon, agreed)?;
    let sequences = held(&inputs, &posed);
    Ok(Present { inputs, posed, sequences, horizon })
}

/// The same problem with the stops of any plan in it, such as a draft.
///
/// # Errors
/// [`AppError::NotFound`] when there is no such plan, [`AppError::Conflict`] when it has ended.
pub fn load_plan(state: &AppState, branch: BranchId, plan: PlanId) -> Result<Present, AppError> {
    let (record, stops) = state.store.read(|conn| {
        let record = plans::find(conn, branch, plan)?;
        let stops = season_inputs::stops_of(conn, branch, &record)?;
        Ok::<_, AppError>((record, stops))
    })?;
    let horizon = DateRange { first: record.first_day, last: record.last_day };
    let inputs = season_inputs::load(state, branch, horizon)?;
    let posed = season_inputs::pose(state, &inputs, horizon, Agreed::Dear)?;
    let place = |stop: &PlanStopRecord| Some((stop.day, stop.technician_id, stop.start_seconds));
    let sequences = ordered(&posed, |id, _| stops.get(&id).and_then(place), &inputs);
    Ok(Present { inputs, posed, sequences, horizon })
}

/// The places that visits hold, in the order of the adopted plan where they still stand where it put
/// them.
fn held(inputs: &Inputs, posed: &Posed) -> Sequences {
    let place = |id: VisitId, record: &VisitRecord| {
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

fn ordered(
    posed: &Posed,
    place: impl Fn(VisitId, &VisitRecord) -> Option<(NaiveDate, hotspell_domain::TechnicianId, i32)>,
    inputs: &Inputs,
) -> Sequences {
    let built = &posed.built;
    let records: BTreeMap<VisitId, &VisitRecord> =
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
