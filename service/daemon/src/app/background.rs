//! Long work beside the requests: recorded as a run that says how far it is and can be stopped.
//!
//! The run's row is the whole of what others know of the work, so that any process on the same
//! database may show it and ask it to stop.

use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::sync::mpsc::{RecvTimeoutError, sync_channel};
use std::time::Duration;

use chrono::TimeDelta;
use hotspell_domain::{BranchId, RunId};
use hotspell_store::runs::{self, RunRecord};
use hotspell_store::words::{RunKind, RunOutcome};
use serde_json::{Value, json};

use super::AppError;
use super::record;
use crate::state::AppState;

/// How often the row is written and looked at.
const BEAT: Duration = Duration::from_millis(250);
/// Silence after which the process that worked is taken for dead.
const SILENCE: TimeDelta = TimeDelta::seconds(60);

/// What the work tells and hears.
#[derive(Debug, Default)]
pub struct Watch {
    /// Bits of the share done.
    share: AtomicU64,
    stop: AtomicBool,
}

impl Watch {
    /// Tells how far the work is, from 0 to 1.
    pub fn tell(&self, share: f64) {
        // Told from several threads, out of order; bits of numbers from 0 up ascend with them.
        self.share.fetch_max(share.clamp(0.0, 1.0).to_bits(), Ordering::Relaxed);
    }

    /// Set when the work is to end.
    #[must_use]
    pub const fn stop(&self) -> &AtomicBool {
        &self.stop
    }

    fn share(&self) -> f64 {
        f64::from_bits(self.share.load(Ordering::Relaxed))
    }
}

/// Where long work stands.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Standing {
    /// It runs.
    Running,
    /// It was asked to stop and has not yet.
    Stopping,
    /// It ended so.
    Ended(RunOutcome),
    /// Its process died.
    Lost,
}

/// Where a run stands now.
#[must_use]
pub fn standing(state: &AppState, run: &RunRecord) -> Standing {
    if run.finished_at.is_some() {
        return Standing::Ended(run.outcome);
    }
    let heard = run.heard_at.unwrap_or(run.started_at);
    if state.now() - heard > SILENCE {
        Standing::Lost
    } else if run.stop_asked_at.is_some() {
        Standing::Stopping
    } else {
        Standing::Running
    }
}

/// Starts work on threads of its own; answers with the run's number at once.
///
/// `work` hands back the run's detail. One run of a kind goes at a time in a branch.
///
/// # Errors
/// [`AppError::Conflict`] while one is running; those of the store.
pub fn start(
    state: &AppState,
    branch: BranchId,
    kind: RunKind,
    inputs: &Value,
    work: impl FnOnce(&AppState, RunId, &Watch) -> Result<Value, AppError> + Send + 'static,
) -> Result<RunId, AppError> {
    let now = state.now();
    let run = state.store.write(|conn| {
        let newest = runs::newest(conn, branch, kind)?;
        if let Some(running) = newest
            .filter(|run| matches!(standing(state, run), Standing::Running | Standing::Stopping))
        {
            return Err(AppError::Conflict(format!(
                "run {} of this kind has not ended; wait for it, or stop it",
                running.id
            )));
        }
        let run = runs::start(conn, branch, &record::new_run(kind, inputs), now)?;
        // A first sign of life: whoever looks sees that it listens.
        runs::report(conn, branch, run, 0.0, now)?;
        Ok(run)
    })?;
    let state = state.clone();
    let watched = move || watched(&state, branch, run, work);
    std::thread::Builder::new()
        .name(format!("run-{run}"))
        .spawn(watched)
        .map_err(|error| AppError::internal("thread for long work", error))?;
    Ok(run)
}

/// Does the work while a second thread keeps the row fresh, then closes the row.
fn watched(
    state: &AppState,
    branch: BranchId,
    run: RunId,
    work: impl FnOnce(&AppState, RunId, &Watch) -> Result<Value, AppError>,
) {
    let watch = Watch::default();
    let result = std::thread::scope(|scope| {
        // Dropped when the work ends, also by a panic: the beat then ends too.
        let (alive, ended) = sync_channel::<()>(0);
        let watch = &watch;
        scope.spawn(move || {
            while ended.recv_timeout(BEAT) == Err(RecvTimeoutError::Timeout) {
                beat(state, branch, run, watch);
            }
        });
        let result = work(state, run, watch);
        drop(alive);
        result
    });
    if let Err(error) = &result {
        tracing::warn!(%run, error = %error, "long work ended without a result");
    }
    let (outcome, detail) = match result {
        Ok(detail) => (RunOutcome::Succeeded, detail),
        Err(AppError::Stopped(why)) => (RunOutcome::Stopped, json!({ "stopped": why })),
        Err(error) => (RunOutcome::Failed, json!({ "error": error.to_string() })),
    };
    let closed = state.store.write(|conn| {
        runs::report(conn, branch, run, watch.share(), state.now())?;
        runs::finish(conn, branch, run, outcome, Some(&detail), state.now())
    });
    if let Err(error) = closed {
        tracing::error!(%run, error = %error, "the end of long work is not recorded");
    }
}

fn beat(state: &AppState, branch: BranchId, run: RunId, watch: &Watch) {
    let told =
        state.store.write(|conn| runs::report(conn, branch, run, watch.share(), state.now()));
    match told {
        Ok(true) => watch.stop.store(true, Ordering::Relaxed),
        Ok(false) => {}
        // The next beat tries again; silence says what a reader needs to know.
        Err(error) => tracing::warn!(%run, error = %error, "progress is not recorded"),
    }
}

/// Asks a run of any kind to stop.
///
/// # Errors
/// [`AppError::NotFound`]; a conflict when it has ended, or does not listen because somebody waits
/// for its answer.
pub fn stop_any(state: &AppState, branch: BranchId, run: RunId) -> Result<RunRecord, AppError> {
    let now = state.now();
    state.store.write(|conn| {
        let record = runs::find(conn, branch, run)?;
        if record.finished_at.is_none() && record.heard_at.is_none() {
            return Err(AppError::Conflict(format!(
                "run {run} does not listen; somebody waits for its answer"
            )));
        }
        Ok(runs::ask_to_stop(conn, branch, run, now)?)
    })
}

/// Asks a run of a kind to stop.
///
/// # Errors
/// [`AppError::NotFound`] for a run of another kind, a conflict when it has ended.
pub fn stop(
    state: &AppState,
    branch: BranchId,
    kind: RunKind,
    run: RunId,
) -> Result<RunRecord, AppError> {
    let now = state.now();
    state.store.write(|conn| {
        if runs::find(conn, branch, run)?.kind != kind {
            return Err(AppError::not_found(kind.as_str(), run));
        }
        Ok(runs::ask_to_stop(conn, branch, run, now)?)
    })
}
