//! Whether there are people enough: technician-days that are short, and what one more would save.

use chrono::NaiveDate;
use hotspell_planning::season::{Budget, SeasonPlan};
use hotspell_planning::staffing::{one_more, shortage};
use serde::{Deserialize, Serialize};

use super::AppError;
use super::season_inputs::Posed;
use super::season_plan::threads;
use crate::state::AppState;

/// Iterations for each visit that no extra day has taken yet, and for planning again with one more.
const SHORTAGE_ITERATIONS: u64 = 200;
const ONE_MORE_ITERATIONS: u64 = 20;

/// The answer for one plan.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Staffing {
    /// Technician-days that would take the visits left out.
    pub technician_days_short: usize,
    /// On which days.
    pub short_days: Vec<ShortDay>,
    /// Visits that they would take.
    pub placed_by_them: usize,
    /// Visits left out that no extra person could place.
    pub left: usize,
    /// What one technician-day more would change; nothing when nobody works at all.
    pub one_more: Option<OneMoreDay>,
}

/// A day that lacks people.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub struct ShortDay {
    /// Which.
    pub day: NaiveDate,
    /// How many.
    pub technician_days: usize,
}

/// What one technician-day more would change.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct OneMoreDay {
    /// The day: the first short one, or else the fullest.
    pub day: NaiveDate,
    /// Driving that it saves, in minutes; below zero when the visits that it places cost some.
    pub travel_saved_minutes: i64,
    /// No-cool calls that it saves, as an expectation.
    pub saved_calls: f64,
    /// Visits placed in addition.
    pub placed: i64,
}

/// Answers for a plan.
///
/// # Errors
/// [`AppError::Internal`] when plan and problem do not belong together.
pub fn answer(
    state: &AppState,
    posed: &Posed,
    plan: &SeasonPlan,
    seed: u64,
) -> Result<Staffing, AppError> {
    let problem = &posed.built.problem;
    let told = |error| AppError::planning("staffing", error);
    let date = |day: usize| {
        posed.days.get(day).copied().ok_or_else(|| AppError::internal("staffing", "no such day"))
    };
    // An extra person is like whoever works most.
    let works = |index: &usize| problem.technicians[*index].shifts.iter().flatten().count();
    let like = (0..problem.technicians.len()).max_by_key(works).unwrap_or(0);
    let count = |visits: usize| u64::try_from(visits).unwrap_or(u64::MAX);
    let budget = |iterations| Budget { threads: threads(state), ..Budget::iterations(iterations) };
    let few = budget(count(plan.unplaced.len()).saturating_mul(SHORTAGE_ITERATIONS));
    let short = shortage(problem, plan, like, &few, seed).map_err(told)?;
    let fullest = plan.routes.iter().max_by_key(|route| route.stops.len()).map(|route| route.day);
    let one_more = match short.days.first().map(|(day, _)| *day).or(fullest) {
        None => None,
        Some(day) => {
            let some = budget(count(problem.visits.len()).saturating_mul(ONE_MORE_ITERATIONS));
            let more = one_more(problem, plan, day, like, &some, seed).map_err(told)?;
            Some(OneMoreDay {
                day: date(day)?,
                travel_saved_minutes: (more.without.travel_s - more.with.travel_s) / 60,
                saved_calls: more.saved_calls(state.config.planning.failure_cost_s),
                placed: more.placed,
            })
        }
    };
    let short_days = short
        .days
        .iter()
        .map(|&(day, technician_days)| Ok(ShortDay { day: date(day)?, technician_days }))
        .collect::<Result<Vec<_>, AppError>>()?;
    Ok(Staffing {
        technician_days_short: short.technician_days(),
        short_days,
        placed_by_them: short.placed,
        left: short.left,
        one_more,
    })
}
