//! Travel times of a branch: from a routing engine's table service where one is configured, by
//! straight-line distance elsewhere.
//!
//! The engine is met as one that may be slow, broken or wrong. What it gave is kept in the store;
//! what it did not give is estimated, and the report says how many trips that are and why.

mod engine;
mod known;

use chrono::{TimeDelta, Timelike as _};
use hotspell_domain::BranchId;
use hotspell_planning::PlanningError;
use hotspell_planning::travel::{
    DayProfile, GreatCircle, MAX_LOCATIONS, RoadTimes, TravelTable, TravelTimes,
};
use hotspell_store::Page;
use hotspell_store::travel::{self as rows, NewTravelTimes, TravelTimesFilter};
use serde::{Deserialize, Serialize};

use crate::app::AppError;
use crate::config::{Planning, Routing};
use crate::state::AppState;

use engine::Asked;
use known::Known;

pub use engine::EngineError;

/// Different problems of an engine that a report names.
const PROBLEMS_TOLD: usize = 5;

/// Where the travel times of a plan come from.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct TravelReport {
    /// `great-circle` or `routing-engine`.
    pub source: String,
    /// Trips between different places, each way.
    pub trips: usize,
    /// Trips whose time an earlier answer of the engine gave.
    pub kept: usize,
    /// Trips whose time came from the engine just now.
    pub fetched: usize,
    /// Trips that are estimated by straight-line distance.
    pub estimated: usize,
    /// Estimated trips for which the engine knows no road.
    pub without_road: usize,
    /// Questions to the engine that failed, and those not asked any more because of that.
    pub failed_questions: usize,
    /// What went wrong, in words; each kind once.
    pub problems: Vec<String>,
}

/// Travel times, a table of all trips unless said otherwise, and where they come from.
#[derive(Debug, Clone)]
pub struct Travelled<T = TravelTable> {
    /// Seconds between the places.
    pub times: T,
    /// Where they come from.
    pub report: TravelReport,
}

/// The configured hours with slower roads; `None` when there are none.
///
/// # Errors
/// When the times do not ascend or a factor is out of bounds.
pub fn day_profile(settings: &Planning) -> Result<Option<DayProfile>, PlanningError> {
    let mut steps: Vec<(i32, u16)> = settings
        .slower_hours
        .iter()
        .map(|hours| {
            (i32::try_from(hours.from.num_seconds_from_midnight()).unwrap_or(0), hours.percent)
        })
        .collect();
    match steps.first() {
        None => return Ok(None),
        // Until the first hour named, the roads are as usual.
        Some((from, _)) if *from > 0 => steps.insert(0, (0, 100)),
        Some(_) => {}
    }
    DayProfile::new(&steps).map(Some)
}

/// A table of the travel times between places given by latitude and longitude in degrees.
///
/// May wait for the engine: not to be called from a task that others wait for.
///
/// # Errors
/// [`AppError::Internal`] for too many places, those of the store; never for an engine that fails.
pub fn travel(
    state: &AppState,
    branch: BranchId,
    positions_deg: Vec<(f64, f64)>,
) -> Result<Travelled, AppError> {
    let Travelled { times, report } = times(state, branch, positions_deg)?;
    let table =
        TravelTable::build(&times).map_err(|error| AppError::planning("travel times", error))?;
    Ok(Travelled { times: table, report })
}

/// The same without the table, for who needs few of the trips: each is reckoned when it is asked for.
///
/// # Errors
/// As [`travel`].
pub fn times(
    state: &AppState,
    branch: BranchId,
    positions_deg: Vec<(f64, f64)>,
) -> Result<Travelled<RoadTimes>, AppError> {
    let settings = &state.config.planning;
    let estimate = GreatCircle {
        positions_deg,
        detour: settings.detour,
        speed_m_per_s: settings.speed_m_per_s,
        door_s: i32::try_from(settings.park_s).unwrap_or(0),
    };
    let Some(url) = state.config.routing.url.as_deref() else {
        let places = estimate.locations();
        let trips = places * places.saturating_sub(1);
        let source = "great-circle".to_owned();
        let report = TravelReport { source, trips, estimated: trips, ..TravelReport::default() };
        return Ok(Travelled { times: RoadTimes { estimate, driving_s: Vec::new() }, report });
    };
    if estimate.locations() > MAX_LOCATIONS {
        let (what, count) = ("locations", estimate.locations());
        let error = PlanningError::TooMany { what, count, limit: MAX_LOCATIONS };
        return Err(AppError::planning("travel times", error));
    }
    let (known, report) = learn(state, branch, url, &estimate.positions_deg)?;
    Ok(Travelled { times: RoadTimes { estimate, driving_s: known.driving_s() }, report })
}

/// What is kept, and what the engine answers to the rest.
fn learn(
    state: &AppState,
    branch: BranchId,
    url: &str,
    positions_deg: &[(f64, f64)],
) -> Result<(Known, TravelReport), AppError> {
    let settings = &state.config.routing;
    let now = state.now();
    let oldest = now - TimeDelta::days(i64::from(settings.keep_days));
    let filter = TravelTimesFilter { fetched_from: Some(oldest) };
    let stored = state.store.read(|conn| rows::list(conn, branch, &filter, Page::everything()))?;
    let mut known = Known::of(positions_deg);
    for row in &stored {
        known.recall(row)?;
    }
    let kept = known.count();
    let asked = ask(settings, url, &known)?;
    let mut fresh = Vec::new();
    for answer in &asked.answers {
        for (origin, seconds) in known.learn(answer) {
            fresh.push(NewTravelTimes {
                origin,
                destinations: serde_json::to_string(&known.keys(&answer.question.destinations))
                    .map_err(|error| AppError::internal("travel times", error))?,
                seconds: serde_json::to_string(&seconds)
                    .map_err(|error| AppError::internal("travel times", error))?,
                fetched_at: now,
            });
        }
    }
    state.store.write(|conn| {
        rows::forget_before(conn, branch, oldest)?;
        rows::insert_many(conn, branch, &fresh)
    })?;
    let trips = known.trips();
    let report = TravelReport {
        source: "routing-engine".to_owned(),
        trips,
        kept,
        fetched: known.count() - kept,
        estimated: trips - known.count(),
        without_road: known.without_road(),
        failed_questions: asked.failures.len() + asked.unasked,
        problems: problems(&asked),
    };
    for problem in &report.problems {
        tracing::warn!(%branch, problem, "routing engine");
    }
    Ok((known, report))
}

/// Asks for the missing trips, on a thread of its own: the caller may be inside a runtime.
fn ask(settings: &Routing, url: &str, known: &Known) -> Result<Asked, AppError> {
    let questions = known.questions(settings.places_per_question);
    if questions.is_empty() {
        return Ok(Asked::default());
    }
    let coordinates = known.coordinates();
    std::thread::scope(|scope| {
        let asking = scope.spawn(|| {
            tokio::runtime::Builder::new_current_thread()
                .enable_all()
                .build()
                .map(|runtime| {
                    runtime.block_on(engine::ask_all(settings, url, coordinates, questions))
                })
                .map_err(|error| AppError::internal("routing engine", error))
        });
        asking.join().map_err(|_| AppError::internal("routing engine", "the asking thread died"))?
    })
}

/// Each kind of failure once, and that the rest was not asked.
fn problems(asked: &Asked) -> Vec<String> {
    let mut told: Vec<String> = Vec::new();
    for failure in &asked.failures {
        let words = failure.to_string();
        if !told.contains(&words) && told.len() < PROBLEMS_TOLD {
            told.push(words);
        }
    }
    if asked.unasked > 0 {
        told.push(format!("{} more questions were not asked after that", asked.unasked));
    }
    told
}

#[cfg(test)]
mod tests;
