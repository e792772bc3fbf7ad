//! Everything that planning reads, taken from one view of the database, and the problem made of it.

use std::collections::{BTreeMap, BTreeSet};

use chrono::NaiveDate;
use hotspell_domain::local_time::local_day;
use hotspell_domain::{BranchId, DateRange, PlanId, SiteId, VisitId};
use hotspell_planning::travel::TravelTable;
use hotspell_reliability::horizon::HorizonPoint;
use hotspell_store::components::{self, ComponentFilter};
use hotspell_store::plans::{self, PlanFilter, PlanRecord};
use hotspell_store::sites::{self, SiteAbsence};
use hotspell_store::to_plan::{self, StopToPlan, VisitToPlan};
use hotspell_store::words::PlanState;
use hotspell_store::{AnyConnection, Page, StoreError};

use super::calendar::Calendar;
use super::homes::Homes;
use super::season_problem::{self, Agreed, BranchProblem, ProblemInput};
use super::{AppError, outlook, risk, scores};
use crate::routing::Travelled;
use crate::state::AppState;

/// What is stored of a branch, as far as planning needs it.
#[derive(Debug)]
pub struct Inputs {
    /// Homes and machines.
    pub homes: Homes,
    /// Days and people.
    pub calendar: Calendar,
    /// Visits that are owed or hold a place and may happen within the horizon, or some of them.
    pub visits: Vec<VisitToPlan>,
    /// For each home, the failures to be expected by a day; only that of the visit in question
    /// where there is one.
    pub expected: BTreeMap<SiteId, Vec<HorizonPoint>>,
    /// Absences of each home.
    pub site_absences: BTreeMap<SiteId, Vec<SiteAbsence>>,
    /// Day of the scores.
    pub scored_as_of: NaiveDate,
    /// The branch's today.
    pub today: NaiveDate,
    /// The adopted plan, if there is one.
    pub adopted: Option<PlanRecord>,
    /// Stops by visit: the adopted plan's, or those of the plan that is looked at.
    pub stops: BTreeMap<VisitId, StopToPlan>,
}

/// Which visits a problem takes in.
#[derive(Debug)]
pub enum Among {
    /// All that may happen within its days.
    All,
    /// One visit and those that stand on its days, with the stops of the plan that is looked at:
    /// enough to say what that one would cost anywhere as long as nobody else moves.
    Near {
        /// The one.
        visit: VisitId,
        /// All of them.
        records: Vec<VisitToPlan>,
        /// Where the plan has them.
        stops: BTreeMap<VisitId, StopToPlan>,
    },
}

/// Loads what planning needs for a horizon.
///
/// # Errors
/// [`AppError::NotReady`] before the first scoring, those of the store.
pub fn load(state: &AppState, branch: BranchId, horizon: DateRange) -> Result<Inputs, AppError> {
    state.store.read(|conn| read(conn, state, branch, horizon, Among::All))
}

/// The same within the caller's view of the database, for some visits or all.
///
/// # Errors
/// As [`load`].
pub(super) fn read(
    conn: &mut AnyConnection,
    state: &AppState,
    branch: BranchId,
    horizon: DateRange,
    among: Among,
) -> Result<Inputs, AppError> {
    let adopted = adopted(conn, branch)?;
    let (only, mut open, stops) = match among {
        Among::Near { visit, records, stops } => (Some(visit), records, stops),
        Among::All => {
            let stops = adopted.as_ref().map(|plan| stops_of(conn, branch, plan.id, None));
            let open = to_plan::visits_within(conn, branch, horizon)?;
            (None, open, stops.transpose()?.unwrap_or_default())
        }
    };
    open.retain(|visit| {
        visit.is_open()
            && DateRange { first: visit.within_first, last: visit.within_last }
                .intersection(&horizon)
                .is_some()
    });
    let at: Option<BTreeSet<SiteId>> =
        only.map(|_| open.iter().map(|visit| visit.site_id).collect());
    let homes = Homes::load(conn, branch, at.as_ref())?;
    let asked = only.and_then(|id| open.iter().find(|visit| visit.id == id));
    let (expected, scored_as_of) = match only {
        None => expected_everywhere(conn, branch)?,
        Some(_) => expected_at(conn, branch, asked.map(|visit| visit.site_id))?,
    };
    Ok(Inputs {
        calendar: Calendar::load(conn, &homes.branch)?,
        visits: open,
        expected,
        site_absences: sites::absences(conn, branch, None)?,
        scored_as_of,
        today: local_day(state.now(), homes.branch.time_zone),
        adopted,
        stops,
        homes,
    })
}

/// Failures to be expected at each home, and the day of the scores.
type Expected = (BTreeMap<SiteId, Vec<HorizonPoint>>, NaiveDate);

fn expected_everywhere(conn: &mut AnyConnection, branch: BranchId) -> Result<Expected, AppError> {
    let latest = scores::latest(conn, branch)?;
    let living = components::living_homes(conn, branch)?;
    Ok((risk::by_site(&living, &latest.curves), latest.as_of))
}

/// Failures to be expected at one home, if any is asked about.
fn expected_at(
    conn: &mut AnyConnection,
    branch: BranchId,
    site: Option<SiteId>,
) -> Result<Expected, AppError> {
    let (_, as_of) = scores::last_scoring(conn, branch)?;
    let Some(site) = site else { return Ok((BTreeMap::new(), as_of)) };
    let filter =
        ComponentFilter { site: Some(site), living: Some(true), ..ComponentFilter::default() };
    let living = components::list(conn, branch, &filter, Page::everything())?;
    let living: Vec<_> = living.into_iter().map(|part| (part.id, site)).collect();
    let parts = living.iter().map(|(part, _)| *part).collect();
    let rows = scores::of_parts(conn, branch, parts)?;
    let curves = rows.iter().map(|(part, row)| Ok((*part, scores::curve(row)?)));
    let curves = curves.collect::<Result<BTreeMap<_, _>, AppError>>()?;
    Ok((risk::by_site(&living, &curves), as_of))
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

/// A plan's stops by visit, of all its days or of these.
///
/// # Errors
/// Those of the database.
pub fn stops_of(
    conn: &mut AnyConnection,
    branch: BranchId,
    plan: PlanId,
    days: Option<&[NaiveDate]>,
) -> Result<BTreeMap<VisitId, StopToPlan>, StoreError> {
    let stops = to_plan::stops(conn, branch, plan, days)?;
    Ok(stops.into_iter().map(|stop| (stop.visit_id, stop)).collect())
}

/// When the first hot spell of the season is likely to come.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct FirstHotSpell {
    /// Date before which it comes with one tenth.
    pub early: Option<NaiveDate>,
    /// Its median date.
    pub median: Option<NaiveDate>,
}

impl FirstHotSpell {
    fn of(state: &AppState, inputs: &Inputs) -> Result<Self, AppError> {
        let spell = outlook::first_hot_spell(state, &inputs.homes.branch, inputs.scored_as_of)?;
        Ok(Self { early: spell.p10, median: spell.p50 })
    }
}

/// The problem of some days, and when the first hot spell is likely.
#[derive(Debug)]
pub struct Posed<T = TravelTable> {
    /// The problem.
    pub built: BranchProblem<T>,
    /// The date of each of its days.
    pub days: Vec<NaiveDate>,
    /// The first hot spell.
    pub spell: FirstHotSpell,
}

/// Gives the travel times of a branch between places: [`crate::routing::travel`] for a table of all trips,
/// [`crate::routing::times`] for who needs few.
pub type TravelOf<T> = fn(&AppState, BranchId, Vec<(f64, f64)>) -> Result<Travelled<T>, AppError>;

/// Makes the problem of the working days of a horizon; `spell` is the first hot spell where an earlier look
/// has reckoned it.
///
/// # Errors
/// [`AppError::NotReady`] without technicians or weather, [`AppError::Invalid`] without working days.
pub fn pose<T>(
    state: &AppState,
    inputs: &Inputs,
    horizon: DateRange,
    agreed: Agreed,
    travel: TravelOf<T>,
    spell: Option<FirstHotSpell>,
) -> Result<Posed<T>, AppError> {
    let spell = spell.map_or_else(|| FirstHotSpell::of(state, inputs), Ok)?;
    let days = inputs.calendar.working_days(horizon);
    let built = season_problem::build(&ProblemInput {
        homes: &inputs.homes,
        calendar: &inputs.calendar,
        days: &days,
        visits: &inputs.visits,
        site_absences: &inputs.site_absences,
        expected_failures: &inputs.expected,
        first_hot_spell_early: spell.early,
        settings: &state.config.planning,
        today: inputs.today,
        agreed,
        travel: &|positions| travel(state, inputs.homes.branch.id, positions),
    })?;
    Ok(Posed { built, days, spell })
}
