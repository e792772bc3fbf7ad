//! What a draft changes against what is in force, in numbers and in words.

use chrono::NaiveDate;
use hotspell_planning::difference::{Difference, Names};
use hotspell_planning::figures::figures;
use hotspell_planning::season::{SeasonPlan, SeasonProblem};
use hotspell_planning::travel::TravelTable;
use serde::{Deserialize, Serialize};

use super::AppError;
use super::calendar::{clock_time, time_of_day};
use super::season_inputs::{Inputs, Posed};

/// Sentences that a draft keeps; the rest is counted.
const SENTENCES_MAX: usize = 200;

/// A draft against what is in force.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct PlanChange {
    /// Why it was made.
    pub because: Because,
    /// Visits on another day.
    pub moved_day: usize,
    /// Visits on the same day with another person or at another time.
    pub moved_within_day: usize,
    /// Visits that had no place.
    pub added: usize,
    /// Visits that lose their place.
    pub removed: usize,
    /// Visits that keep day, person and time (within a quarter of an hour).
    pub kept: usize,
    /// Driving that it saves against leaving everything as it is, in minutes; below zero when it costs some.
    pub travel_saved_minutes: i64,
    /// Visits without a place if everything stays as it is.
    pub left_out_before: usize,
    /// Visits without a place in the draft.
    pub left_out_after: usize,
    /// Failures to be expected before the visits if everything stays as it is.
    pub expected_failures_before: f64,
    /// Each change in words.
    pub sentences: Vec<String>,
}

/// Why a draft was made from what is in force.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Because {
    /// Something happened that the office stated.
    Repair,
    /// Planned again with the night's weather and risk.
    Nightly,
    /// The office moved a visit.
    Move,
}

/// Words for the indices of a problem.
#[derive(Debug, Clone, Copy)]
pub struct ProblemNames<'a, T = TravelTable> {
    inputs: &'a Inputs,
    posed: &'a Posed<T>,
}

impl<'a, T> ProblemNames<'a, T> {
    /// The names of a posed problem.
    #[must_use]
    pub const fn new(inputs: &'a Inputs, posed: &'a Posed<T>) -> Self {
        Self { inputs, posed }
    }
}

impl<T> Names for ProblemNames<'_, T> {
    fn visit(&self, visit: usize) -> String {
        let id = self.posed.built.visits.get(visit);
        let record = self.inputs.visits.iter().find(|record| Some(&record.id) == id);
        let site = record.and_then(|record| self.inputs.homes.sites.get(&record.site_id));
        site.map_or_else(|| format!("visit {visit}"), |site| site.name.clone())
    }

    fn technician(&self, technician: usize) -> String {
        let id = self.posed.built.technicians.get(technician);
        let person = id.and_then(|id| self.inputs.calendar.technicians.get(id));
        person.map_or_else(|| format!("technician {technician}"), |person| person.name.clone())
    }

    fn day(&self, day: usize) -> String {
        let date = self.posed.days.get(day);
        date.map_or_else(|| format!("day {day}"), |date| self::day(*date))
    }

    fn time(&self, second: i32) -> String {
        time(second)
    }
}

/// A day as the sentences of plans tell it, such as «Wed, April 2».
#[must_use]
pub fn day(date: NaiveDate) -> String {
    date.format("%a, %B %-d").to_string()
}

/// A time of day, in seconds after midnight, as the sentences of plans tell it.
#[must_use]
pub fn time(second: i32) -> String {
    clock_time(time_of_day(second))
}

/// Tells what a plan changes. `before` is what is in force, reckoned in the same problem.
///
/// # Errors
/// [`AppError::Internal`] when plans and problem do not belong together.
pub fn told(
    because: Because,
    (inputs, posed): (&Inputs, &Posed),
    problem: &SeasonProblem,
    before: &SeasonPlan,
    after: &SeasonPlan,
    difference: &Difference,
) -> Result<PlanChange, AppError> {
    let order: Vec<usize> = (0..problem.visits.len()).collect();
    let expected = figures(problem, before, &posed.built.expected_failures, &order)
        .map_err(|error| AppError::internal("figures of the plan in force", error))?;
    let mut sentences = difference.sentences(&ProblemNames::new(inputs, posed));
    let more = sentences.len().saturating_sub(SENTENCES_MAX);
    sentences.truncate(SENTENCES_MAX);
    if more > 0 {
        sentences.push(format!("{more} more changes."));
    }
    let impossible = posed.built.impossible.len();
    let moved_day = difference.moved.iter().filter(|moved| moved.day_changed()).count();
    Ok(PlanChange {
        because,
        moved_day,
        moved_within_day: difference.moved.len() - moved_day,
        added: difference.added.len(),
        removed: difference.removed.len(),
        kept: difference.kept,
        travel_saved_minutes: (before.cost.travel_s - after.cost.travel_s) / 60,
        left_out_before: before.unplaced.len() + impossible,
        left_out_after: after.unplaced.len() + impossible,
        expected_failures_before: expected.expected_failures_plan,
        sentences,
    })
}
