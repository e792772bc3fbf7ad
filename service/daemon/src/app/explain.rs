//! Why a visit stands where it stands, and where else it could stand.

use chrono::NaiveDate;
use hotspell_domain::{BranchId, PlanId, TechnicianId, VisitId};
use hotspell_planning::offers::{Offer, Refused, offers_by_day};
use hotspell_planning::reasons::{Account, account_by_day};

use super::AppError;
use super::plan_change::ProblemNames;
use super::present::{self, Near};
use super::season_inputs::{FirstHotSpell, Posed};
use crate::routing;
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
    /// The first hot spell, which the risk of waiting was reckoned with.
    pub spell: FirstHotSpell,
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
    let near = Near { visit, plan, days: None, spell: None };
    let present = present::near(state, branch, near, routing::times)?;
    let index = present.index(visit)?;
    let account = account_by_day(&present.posed.built.problem, &present.sequences, index)
        .map_err(|error| AppError::planning("reasons of a visit", error))?;
    let sentences = account.sentences(&ProblemNames::new(&present.inputs, &present.posed));
    let Posed { built, days, spell } = present.posed;
    Ok(Explained { account, sentences, days, technicians: built.technicians, spell })
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

/// The best other slots of a visit in what is in force, without moving anybody else. Days that it cannot
/// take are left out, and so is its present one.
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
    let near = Near { visit, plan: None, days: None, spell: None };
    let present = present::near(state, branch, near, routing::times)?;
    let index = present.index(visit)?;
    let posed = &present.posed;
    let own = present.sequences.iter().find(|(_, _, stops)| stops.contains(&index));
    let refused: Vec<Refused> = refused
        .iter()
        .filter_map(|day| posed.days.binary_search(day).ok())
        .chain(own.map(|(day, _, _)| *day))
        // What is left of today is for who is already on the way.
        .chain((posed.days.first() == Some(&present.inputs.today)).then_some(0))
        .map(|day| Refused { day, span: None })
        .collect();
    let (problem, sequences) = (&posed.built.problem, &present.sequences);
    let found = offers_by_day(problem, sequences, index, &refused, count)
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
