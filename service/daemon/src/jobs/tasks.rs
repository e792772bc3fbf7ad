//! What the jobs do. Each looks at the present state and may run twice with the same result.

use chrono::{Days, NaiveDate, Weekday};
use hotspell_domain::DateRange;
use hotspell_store::branches::BranchRecord;

use crate::app::{AppError, loads, missed, notices, owed, proof, replan, route_mail, scoring};
use crate::feeds;
use crate::state::AppState;

/// A daily job.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Task {
    /// Fetch and check the station's weather.
    Weather,
    /// Fit the life model and score every part.
    Scoring,
    /// Look after the adopted plan.
    PlanCheck,
    /// Write the notices that are due.
    Notices,
    /// Write tomorrow's load lists and route mails.
    Routes,
}

impl Task {
    /// Every job, in the order in which they are done when several are due.
    pub const ALL: &'static [Self] =
        &[Self::Weather, Self::Scoring, Self::PlanCheck, Self::Notices, Self::Routes];

    /// Its name in the ledger.
    #[must_use]
    pub const fn as_str(self) -> &'static str {
        match self {
            Self::Weather => "weather",
            Self::Scoring => "scoring",
            Self::PlanCheck => "plan-check",
            Self::Notices => "notices",
            Self::Routes => "routes",
        }
    }
}

/// Does the task for a branch's day; says in words what came of it.
///
/// # Errors
/// The task's own; it is tried again later.
pub async fn run(
    state: &AppState,
    branch: &BranchRecord,
    task: Task,
    today: NaiveDate,
) -> Result<String, AppError> {
    if task == Task::Weather {
        return feeds::fetch_weather(state, branch, today).await;
    }
    let (state, branch) = (state.clone(), branch.clone());
    tokio::task::spawn_blocking(move || run_blocking(&state, &branch, task, today))
        .await
        .map_err(|error| AppError::internal("job task", error))?
}

fn run_blocking(
    state: &AppState,
    branch: &BranchRecord,
    task: Task,
    today: NaiveDate,
) -> Result<String, AppError> {
    match task {
        Task::Weather => Ok(String::new()),
        Task::Scoring => {
            prove_weekly(state, branch, today)?;
            let summary = scoring::score_branch(state, branch.id, today)?;
            Ok(format!("{} parts scored", summary.components))
        }
        Task::PlanCheck => {
            let count = missed::mark_missed(state, branch.id, today)?;
            let now = state.now();
            state.store.write(|conn| owed::follow_agreements(conn, branch.id, now))?;
            let planned = plan_again(state, branch, today)?;
            Ok(format!("{count} visits missed; {planned}"))
        }
        Task::Notices => {
            let written = notices::write_due(state, branch.id)?;
            Ok(format!(
                "{} reminders, {} second ones, {} for tomorrow",
                written.reminders, written.second_reminders, written.day_before
            ))
        }
        Task::Routes => {
            let tomorrow = today.checked_add_days(Days::new(1)).unwrap_or(today);
            if let Some(day) = DateRange::new(tomorrow, tomorrow) {
                loads::write_load_lists(state, branch.id, day, today)?;
            }
            let count = route_mail::write(state, branch.id, tomorrow)?;
            Ok(format!("{count} routes written"))
        }
    }
}

/// Plans the days to come again, as a draft for the office. A branch that has no adopted plan, or has
/// not been scored, has nothing to plan from.
fn plan_again(
    state: &AppState,
    branch: &BranchRecord,
    today: NaiveDate,
) -> Result<String, AppError> {
    match replan::replan(state, branch.id, today) {
        Ok(Some(draft)) => Ok(draft.figures.change.map_or_else(String::new, |change| {
            format!(
                "draft {}: {} households on another day, {} min of driving saved, {} visits without \
                 a place instead of {}",
                draft.plan,
                change.moved_day,
                change.travel_saved_minutes,
                change.left_out_after,
                change.left_out_before
            )
        })),
        Ok(None) => Ok("the plan stays as it is".to_owned()),
        Err(AppError::NotReady(why) | AppError::Conflict(why)) => Ok(format!("no new plan: {why}")),
        Err(error) => Err(error),
    }
}

/// Judges the life model by the past seasons, at the first scoring and then once a week. A branch
/// without a whole season on record has nothing to judge by.
fn prove_weekly(state: &AppState, branch: &BranchRecord, today: NaiveDate) -> Result<(), AppError> {
    let due = proof::latest(state, branch.id)?
        .is_none_or(|proof| today.week(Weekday::Mon).first_day() > proof.as_of);
    if !due {
        return Ok(());
    }
    match proof::prove(state, branch.id, today) {
        Ok(_) => Ok(()),
        Err(AppError::NotReady(why)) => {
            tracing::info!(branch = %branch.key, why, "no backtest");
            Ok(())
        }
        Err(error) => Err(error),
    }
}
