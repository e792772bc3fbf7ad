//! Everything that planning reads, taken from one view of the database, and the problem made of it.

use std::collections::BTreeMap;

use chrono::NaiveDate;
use hotspell_domain::local_time::local_day;
use hotspell_domain::{BranchId, DateRange, SiteId, VisitId, VisitState};
use hotspell_reliability::horizon::HorizonPoint;
use hotspell_store::plans::{self, PlanFilter, PlanRecord, PlanStopFilter, PlanStopRecord};
use hotspell_store::sites::{self, SiteAbsence};
use hotspell_store::visits::{self, VisitFilter, VisitRecord};
use hotspell_store::words::PlanState;
use hotspell_store::{AnyConnection, Page, StoreError};

use super::calendar::Calendar;
use super::fleet::Fleet;
use super::season_problem::{self, Agreed, BranchProblem, ProblemInput};
use super::{AppError, outlook, risk, scores};
use crate::routing;
use crate::state::AppState;

/// What is stored of a branch, as far as planning needs it.
#[derive(Debug)]
pub struct Inputs {
    /// Homes and machines.
    pub fleet: Fleet,
    /// Days and people.
    pub calendar: Calendar,
    /// Visits that are owed or hold a place and may happen within the horizon.
    pub visits: Vec<VisitRecord>,
    /// For each home, the failures to be expected by a day.
    pub expected: BTreeMap<SiteId, Vec<HorizonPoint>>,
    /// Absences of each home.
    pub site_absences: BTreeMap<SiteId, Vec<SiteAbsence>>,
    /// Day of the scores.
    pub scored_as_of: NaiveDate,
    /// The branch's today.
    pub today: NaiveDate,
    /// The adopted plan, if there is one.
    pub adopted: Option<PlanRecord>,
    /// Its stops by visit.
    pub stops: BTreeMap<VisitId, PlanStopRecord>,
}

/// Loads what planning needs for a horizon.
///
/// # Errors
/// [`AppError::NotReady`] before the first scoring, those of the store.
pub fn load(state: &AppState, branch: BranchId, horizon: DateRange) -> Result<Inputs, AppError> {
    state.store.read(|conn| {
        let fleet = Fleet::load(conn, branch, None)?;
        let calendar = Calendar::load(conn, &fleet.branch)?;
        let mut open = visits::list(conn, branch, &VisitFilter::default(), Page::everything())?;
        open.retain(|visit| {
            (visit.state == VisitState::Owed || visit.state.holds_a_place())
                && DateRange { first: visit.within_first, last: visit.within_last }
                    .intersection(&horizon)
                    .is_some()
        });
        let latest = scores::latest(conn, branch)?;
        let expected = risk::by_site(&fleet, &latest.curves);
        let site_absences = sites::absences(conn, branch, None)?;
        let adopted = adopted(conn, branch)?;
        let stops = match &adopted {
            None => BTreeMap::new(),
            Some(plan) => stops_of(conn, branch, plan)?,
        };
        let today = local_day(state.now(), fleet.branch.time_zone);
        Ok(Inputs {
            fleet,
            calendar,
            visits: open,
            expected,
            site_absences,
            scored_as_of: latest.as_of,
            today,
            adopted,
            stops,
        })
    })
}

/// The adopted plan of a branch.
///
/// # Errors
/// Those of the database.
pub fn adopted(
    conn: &mut AnyConnection,
    branch: BranchId,
) -> Result<Option<PlanRecord>, StoreError> {
    let filter = PlanFilter { state: Some(PlanState::Adopted), ..PlanFilter::default() };
    Ok(plans::list(conn, branch, &filter, Page::everything())?.pop())
}

/// A plan's stops by visit.
///
/// # Errors
/// Those of the database.
pub fn stops_of(
    conn: &mut AnyConnection,
    branch: BranchId,
    plan: &PlanRecord,
) -> Result<BTreeMap<VisitId, PlanStopRecord>, StoreError> {
    let filter = PlanStopFilter { plan: Some(plan.id), ..PlanStopFilter::default() };
    let stops = plans::list_stops(conn, branch, &filter, Page::everything())?;
    Ok(stops.into_iter().map(|stop| (stop.visit_id, stop)).collect())
}

/// The problem of some days, and the dates between which the first hot spell is likely.
#[derive(Debug)]
pub struct Posed {
    /// The problem.
    pub built: BranchProblem,
    /// The date of each of its days.
    pub days: Vec<NaiveDate>,
    /// Date before which the first hot spell comes with one tenth.
    pub early: Option<NaiveDate>,
    /// Median date of the first hot spell.
    pub median: Option<NaiveDate>,
}

/// Makes the problem of the working days of a horizon.
///
/// # Errors
/// [`AppError::NotReady`] without technicians or weather, [`AppError::Invalid`] without working days.
pub fn pose(
    state: &AppState,
    inputs: &Inputs,
    horizon: DateRange,
    agreed: Agreed,
) -> Result<Posed, AppError> {
    let branch = &inputs.fleet.branch;
    let season = outlook::of_branch(state, branch, inputs.scored_as_of)?;
    let spell = season.outlook.first_hot_spell;
    let days = inputs.calendar.working_days(horizon);
    let built = season_problem::build(&ProblemInput {
        fleet: &inputs.fleet,
        calendar: &inputs.calendar,
        days: &days,
        visits: &inputs.visits,
        site_absences: &inputs.site_absences,
        expected_failures: &inputs.expected,
        first_hot_spell_early: spell.p10,
        settings: &state.config.planning,
        today: inputs.today,
        agreed,
        travel: &|positions| routing::travel(state, branch.id, positions),
    })?;
    Ok(Posed { built, days, early: spell.p10, median: spell.p50 })
}
