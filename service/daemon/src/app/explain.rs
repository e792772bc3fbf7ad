//! Why a visit stands where it stands, and where else it could stand.

use chrono::NaiveDate;
use hotspell_domain::local_time::local_day;
use hotspell_domain::{BranchId, PlanId, TechnicianId, VisitId};
use hotspell_planning::offers::{Offer, Refused, offers};
use hotspell_planning::reasons::{Account, account};
use hotspell_store::branches;

use super::AppError;
use super::plan_change::ProblemNames;
use super::present::{self, Present};
use super::season_problem::Agreed;
use crate::state::AppState;

/// A visit's account with the dates and people behind its indices.
#[derive(Debug)]
pub struct Explained {
    /// The account, by the problem's indices.
    pub account: Account,
    /// The same in words.
    pub sentences: Vec<String>,
    /// The date of each problem day.
    pub days: Vec<NaiveDate>,
    /// The person behind each index.
    pub technicians: Vec<TechnicianId>,
}

/// What is in force from today on.
pub(super) fn in_force(state: &AppState, branch: BranchId) -> Result<Present, AppError> {
    let record = state.store.read(|conn| branches::find(conn, branch))?;
    present::load(state, branch, local_day(state.now(), record.time_zone), Agreed::Dear)
}

/// Explains a visit's place in a plan, or in what is in force.
///
/// # Errors
/// [`AppError::Conflict`] when the visit is not open or there is no plan, [`AppError::NotFound`].
pub fn reasons(
    state: &AppState,
    branch: BranchId,
    visit: VisitId,
    plan: Option<PlanId>,
) -> Result<Explained, AppError> {
    let present = match plan {
        Some(plan) => present::load_plan(state, branch, plan)?,
        None => in_force(state, branch)?,
    };
    let index = present.index(visit)?;
    let problem = &present.posed.built.problem;
    let account = account(problem, &present.plan(problem)?, index)
        .map_err(|error| AppError::planning("reasons of a visit", error))?;
    let sentences = account.sentences(&ProblemNames::new(&present.inputs, &present.posed));
    let Present { posed, .. } = present;
    Ok(Explained { account, sentences, days: posed.days, technicians: posed.built.technicians })
}

/// An offer with its date and person.
#[derive(Debug, Clone, Copy)]
pub struct Offered {
    /// The day.
    pub day: NaiveDate,
    /// Who would come.
    pub technician: TechnicianId,
    /// Times and costs.
    pub offer: Offer,
}

/// The best other slots of a visit, without moving anybody else. Days that it cannot take are left out,
/// and so is its present one.
///
/// # Errors
/// As [`reasons`].
pub fn other_slots(
    state: &AppState,
    branch: BranchId,
    visit: VisitId,
    refused: &[NaiveDate],
    count: usize,
) -> Result<Vec<Offered>, AppError> {
    let present = in_force(state, branch)?;
    let index = present.index(visit)?;
    let (posed, problem) = (&present.posed, &present.posed.built.problem);
    let plan = present.plan(problem)?;
    let own = plan.find(index).map(|(route, _)| plan.routes[route].day);
    let refused: Vec<Refused> = refused
        .iter()
        .filter_map(|day| posed.days.binary_search(day).ok())
        .chain(own)
        // What is left of today is for who is already on the way.
        .chain((posed.days.first() == Some(&present.inputs.today)).then_some(0))
        .map(|day| Refused { day, span: None })
        .collect();
    let found = offers(problem, &plan, index, &refused, count)
        .map_err(|error| AppError::planning("offers", error))?;
    found
        .into_iter()
        .map(|offer| {
            let place =
                posed.days.get(offer.day).zip(posed.built.technicians.get(offer.technician));
            let (day, technician) =
                place.ok_or_else(|| AppError::internal("offers", "no such day or person"))?;
            Ok(Offered { day: *day, technician: *technician, offer })
        })
        .collect()
}
