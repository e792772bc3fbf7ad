//! Long work beside the requests: recorded as a run that says how far it is and can be stopped.
//!
//! The run's row is the whole of what others know of the work, so that any process on the same
//! database may show it and ask it to stop. The process that works knows more: it answers from
//! memory while the work itself holds the embedded database's one writer, and no row can be
//! written.

use std::collections::HashMap;
use std::ops::ControlFlow;
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::sync::mpsc::{RecvTimeoutError, sync_channel};
use std::sync::{Arc, Condvar, Mutex, MutexGuard, PoisonError};
use std::time::Duration;

use chrono::TimeDelta;
use hotspell_domain::{BranchId, RunId};
use hotspell_imports::ImportRefusal;
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

    /// As [`Watch::tell`]; answers whether to go on.
    pub fn goes_on(&self, share: f64) -> ControlFlow<()> {
        self.tell(share);
        if self.stop.load(Ordering::Relaxed) {
            ControlFlow::Break(())
        } else {
            ControlFlow::Continue(())
        }
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

/// The work that goes on in this process, by its run.
#[derive(Debug, Clone, Default)]
pub struct AtWork(Arc<Works>);

#[derive(Debug, Default)]
struct Works {
    going_on: Mutex<HashMap<RunId, Arc<Watch>>>,
    /// Told whenever one of them is over.
    one_ended: Condvar,
}

impl AtWork {
    fn going_on(&self) -> MutexGuard<'_, HashMap<RunId, Arc<Watch>>> {
        self.0.going_on.lock().unwrap_or_else(PoisonError::into_inner)
    }

    fn of(&self, run: RunId) -> Option<Arc<Watch>> {
        self.going_on().get(&run).cloned()
    }

    fn begin(&self, run: RunId) -> Began {
        let watch = Arc::new(Watch::default());
        self.going_on().insert(run, Arc::clone(&watch));
        Began { all: self.clone(), run, watch }
    }

    /// Waits until work of this process is over, for a while.
    pub fn wait(&self, run: RunId, at_most: Duration) {
        let goes_on = |all: &mut HashMap<RunId, Arc<Watch>>| all.contains_key(&run);
        drop(self.0.one_ended.wait_timeout_while(self.going_on(), at_most, goes_on));
    }
}

/// Work that has begun; it is over when this is dropped, also by a panic.
struct Began {
    all: AtWork,
    run: RunId,
    watch: Arc<Watch>,
}

impl Drop for Began {
    fn drop(&mut self) {
        self.all.going_on().remove(&self.run);
        self.all.0.one_ended.notify_all();
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
    let here = state.at_work.of(run.id);
    let heard = run.heard_at.unwrap_or(run.started_at);
    if here.is_none() && state.now() - heard > SILENCE {
        Standing::Lost
    } else if run.stop_asked_at.is_some()
        || here.is_some_and(|watch| watch.stop.load(Ordering::Relaxed))
    {
        Standing::Stopping
    } else {
        Standing::Running
    }
}

/// How far a run is, from 0 to 1; none of a run that does not tell.
#[must_use]
pub fn progress(state: &AppState, run: &RunRecord) -> Option<f64> {
    let here = state.at_work.of(run.id).filter(|_| run.finished_at.is_none());
    match here {
        Some(watch) => Some(watch.share().max(run.progress.unwrap_or(0.0))),
        None => run.progress,
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
    let began = state.at_work.begin(run);
    let watched = move || watched(&state, branch, &began, work);
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
    began: &Began,
    work: impl FnOnce(&AppState, RunId, &Watch) -> Result<Value, AppError>,
) {
    let (run, watch) = (began.run, &*began.watch);
    let result = std::thread::scope(|scope| {
        // Dropped when the work ends, also by a panic: the beat then ends too.
        let (alive, ended) = sync_channel::<()>(0);
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
        Err(error) => (RunOutcome::Failed, failure(&error)),
    };
    let closed = state.store.write(|conn| {
        // Work that keeps something may have closed its row with it, in one transaction.
        if runs::find(conn, branch, run)?.finished_at.is_some() {
            return Ok(());
        }
        runs::report(conn, branch, run, watch.share(), state.now())?;
        runs::finish(conn, branch, run, outcome, Some(&detail), state.now())
    });
    if let Err(error) = closed {
        tracing::error!(%run, error = %error, "the end of long work is not recorded");
    }
}

/// Why work has no result, as its row keeps it: a refused file with every row that it names.
fn failure(error: &AppError) -> Value {
    match error {
        AppError::Import(ImportRefusal::Rows { findings, total, .. }) => {
            json!({ "error": error.to_string(), "findings": findings, "total": total })
        }
        error => json!({ "error": error.to_string() }),
    }
}

/// Why a run has no result, when it failed or was stopped.
#[must_use]
pub fn reason(run: &RunRecord) -> Option<String> {
    let detail = run.detail.as_ref()?;
    ["error", "stopped"].iter().find_map(|key| Some(detail.get(key)?.as_str()?.to_owned()))
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
    state.store.read(|conn| runs::find(conn, branch, run))?;
    // At once where the work is here: it may hold the writer that the row waits for.
    let here = state.at_work.of(run);
    if let Some(watch) = &here {
        watch.stop.store(true, Ordering::Relaxed);
    }
    state.store.write(|conn| {
        let record = runs::find(conn, branch, run)?;
        if here.is_some() && record.outcome == RunOutcome::Stopped {
            return Ok(record);
        }
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
    if state.store.read(|conn| runs::find(conn, branch, run))?.kind != kind {
        return Err(AppError::not_found(kind.as_str(), run));
    }
    stop_any(state, branch, run)
}
