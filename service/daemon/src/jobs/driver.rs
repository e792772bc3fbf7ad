//! Wakes each minute, asks what is due, does it once.
//!
//! tokio-cron-scheduler is the alarm clock and nothing more: it freezes a zone's offset at start,
//! lets runs overlap and forgets what was missed. What is due stands in the ledger.

use std::sync::Arc;

use chrono::{NaiveTime, TimeDelta};
use hotspell_domain::local_time::local_day;
use hotspell_notices::channel::{Channel, SignedCalls};
use hotspell_store::Page;
use hotspell_store::branches::{self, BranchRecord};
use hotspell_store::jobs::{self, Due};
use hotspell_store::words::RunOutcome;
use hotspell_store::{idempotency, import_previews};
use tokio::sync::Notify;
use tokio_cron_scheduler::{Job, JobScheduler};
use tokio_util::sync::CancellationToken;
use tokio_util::task::TaskTracker;

use super::due::due;
use super::tasks::{self, Task};
use crate::app::{AppError, delivery, subscriptions};
use crate::config::Jobs;
use crate::state::AppState;

/// Wait before a failed job is tried again for the first time; doubled with each further failure.
const FIRST_RETRY: TimeDelta = TimeDelta::minutes(10);
/// Doublings of the wait: a source that is down all day is asked about every three hours.
const DOUBLINGS_MAX: i32 = 4;

/// How long an Idempotency-Key is kept, as the published document says.
const KEYS: TimeDelta = TimeDelta::days(1);

/// Starts the driver, if this process is to run jobs.
pub fn spawn(state: &AppState, stop: &CancellationToken, tracker: &TaskTracker) {
    if !state.config.jobs.enabled {
        return;
    }
    let (state, stop) = (state.clone(), stop.clone());
    tracker.spawn(async move {
        if let Err(error) = drive(&state, &stop).await {
            tracing::error!(error = %error, "the job driver ended");
        }
    });
}

async fn drive(state: &AppState, stop: &CancellationToken) -> Result<(), AppError> {
    let channel = delivery::channel(&state.config)?;
    let worker = format!("{}-{}", std::process::id(), uuid::Uuid::new_v4());
    let wake = Arc::new(Notify::new());
    let failed = |error| AppError::internal("alarm clock", error);
    let mut alarm = JobScheduler::new().await.map_err(failed)?;
    let bell = Arc::clone(&wake);
    // Six fields, seconds first: each minute, in UTC.
    let each_minute = Job::new_async("0 * * * * *", move |_, _| {
        let bell = Arc::clone(&bell);
        Box::pin(async move { bell.notify_one() })
    })
    .map_err(failed)?;
    alarm.add(each_minute).await.map_err(failed)?;
    alarm.start().await.map_err(failed)?;
    let calls = subscriptions::calls(&state.config)?;
    let mut telling = tokio::task::JoinSet::new();
    loop {
        // Beside everything else, one round at a time: a subscriber that is slow or dead keeps no mail.
        while telling.try_join_next().is_some() {}
        if telling.is_empty() {
            let (state, calls) = (state.clone(), calls.clone());
            let (worker, stop) = (worker.clone(), stop.clone());
            telling.spawn(async move { tell_due(&state, &calls, &worker, &stop).await });
        }
        run_due(state, &channel, &worker, stop).await;
        tokio::select! {
            biased;
            () = stop.cancelled() => break,
            () = wake.notified() => {}
        }
    }
    // The call that is under way ends, and what it came to is kept.
    while telling.join_next().await.is_some() {}
    alarm.shutdown().await.map_err(failed)
}

/// Tells the subscriptions that are due of what has changed.
async fn tell_due(state: &AppState, calls: &SignedCalls, worker: &str, stop: &CancellationToken) {
    match subscriptions::tell_due(state, calls, worker, stop).await {
        Ok(round) if round == subscriptions::Round::default() => {}
        Ok(round) => {
            tracing::info!(delivered = round.delivered, failed = round.failed, "subscriptions");
        }
        Err(error) => tracing::error!(error = %error, "subscriptions failed"),
    }
}

/// Runs every job that is due in every branch, then the outbox. A failure of one stops no other.
pub async fn run_due(
    state: &AppState,
    channel: &Arc<dyn Channel>,
    worker: &str,
    stop: &CancellationToken,
) {
    let listed = state.store.read(|conn| branches::list(conn, None, Page::everything()));
    for branch in listed.unwrap_or_else(|error| {
        tracing::error!(error = %error, "branches cannot be read");
        Vec::new()
    }) {
        for task in Task::ALL {
            if stop.is_cancelled() {
                return;
            }
            if let Err(error) = run_if_due(state, &branch, *task, worker).await {
                tracing::error!(job = task.as_str(), branch = %branch.key, error = %error, "job failed");
            }
        }
    }
    match delivery::deliver_due(state, channel, worker, i64::MAX).await {
        Ok(sent) if sent == delivery::Delivered::default() => {}
        Ok(sent) => tracing::info!(
            delivered = sent.delivered,
            again = sent.again,
            refused = sent.refused,
            "outbox"
        ),
        Err(error) => tracing::error!(error = %error, "outbox failed"),
    }
    let forgotten = state.store.write(|conn| idempotency::forget_before(conn, state.now() - KEYS));
    if let Err(error) = forgotten {
        tracing::error!(error = %error, "old idempotency keys are still there");
    }
    let forgotten = state.store.write(|conn| import_previews::forget_before(conn, state.now()));
    if let Err(error) = forgotten {
        tracing::error!(error = %error, "files that were looked at are still there");
    }
}

/// Wait after the given number of attempts.
fn retry_wait(attempts: i32) -> TimeDelta {
    FIRST_RETRY * (1 << attempts.saturating_sub(1).clamp(0, DOUBLINGS_MAX))
}

/// The local time of day at which a task is due.
fn due_time(jobs: &Jobs, task: Task) -> NaiveTime {
    match task {
        Task::Weather => jobs.weather_at,
        Task::Scoring => jobs.scoring_at,
        Task::PlanCheck => jobs.planning_at,
        Task::Notices => jobs.notices_at,
        Task::Routes => jobs.routes_at,
    }
}

async fn run_if_due(
    state: &AppState,
    branch: &BranchRecord,
    task: Task,
    worker: &str,
) -> Result<(), AppError> {
    let now = state.now();
    let name = task.as_str();
    let last = state.store.read(|conn| jobs::last_finished(conn, branch.id, name))?;
    let at = due_time(&state.config.jobs, task);
    let Some(due_for) = due(at, last, now, branch.time_zone) else { return Ok(()) };
    let lease = TimeDelta::seconds(state.config.jobs.lease_s);
    let claim = Due { job: name, due_for };
    let claimed =
        state.store.write(|conn| jobs::claim(conn, branch.id, claim, worker, lease, now))?;
    let Some(entry) = claimed else { return Ok(()) };
    let today = local_day(now, branch.time_zone);
    let outcome = tasks::run(state, branch, task, today).await;
    let now = state.now();
    match outcome {
        Ok(detail) => {
            tracing::info!(job = name, branch = %branch.key, detail = %detail, "job done");
            state.store.write(|conn| {
                jobs::finish(conn, entry.id, worker, RunOutcome::Succeeded, Some(&detail), now)
            })?;
        }
        Err(error) => {
            state.store.write(|conn| {
                jobs::release(
                    conn,
                    entry.id,
                    worker,
                    now + retry_wait(entry.attempts),
                    &error.to_string(),
                )
            })?;
            return Err(error);
        }
    }
    Ok(())
}

/// Enters every job of a branch as done for its latest occurrence, when the same work was just
/// done by hand.
///
/// # Errors
/// Those of the store.
pub fn mark_done(state: &AppState, branch: &BranchRecord) -> Result<(), AppError> {
    let now = state.now();
    for task in Task::ALL {
        let name = task.as_str();
        let last = state.store.read(|conn| jobs::last_finished(conn, branch.id, name))?;
        let at = due_time(&state.config.jobs, *task);
        let Some(due_for) = due(at, last, now, branch.time_zone) else { continue };
        state.store.write(|conn| {
            let claim = Due { job: name, due_for };
            let lease = TimeDelta::minutes(1);
            if let Some(entry) = jobs::claim(conn, branch.id, claim, "by hand", lease, now)? {
                let detail = Some("done by hand");
                jobs::finish(conn, entry.id, "by hand", RunOutcome::Succeeded, detail, now)?;
            }
            Ok::<_, AppError>(())
        })?;
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_wait_doubles_and_stays_within_three_hours() {
        let minutes = [0, 1, 2, 3, 5, 6, i32::MAX].map(|count| retry_wait(count).num_minutes());
        assert_eq!(minutes, [10, 10, 20, 40, 160, 160, 160]);
    }
}
