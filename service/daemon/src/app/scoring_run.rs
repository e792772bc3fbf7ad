//! A scoring of the whole branch, while the caller waits or beside the requests.

use std::sync::atomic::Ordering;

use chrono::NaiveDate;
use hotspell_domain::{BranchId, RunId};
use hotspell_store::words::RunKind;
use serde_json::json;

use super::AppError;
use super::background;
use super::record::recorded;
use super::scoring::{ScoringSummary, inputs, load, score_and_store};
use crate::state::AppState;

/// Share of the work that reading the records is.
const READ_SHARE: f64 = 0.1;

/// Fits and scores a whole branch and stores the run, the model and the scores.
///
/// # Errors
/// [`AppError::NotReady`] without weather or with contradictory records.
pub fn score_branch(
    state: &AppState,
    branch: BranchId,
    as_of: NaiveDate,
) -> Result<ScoringSummary, AppError> {
    let (fleet, book) = load(state, branch, None, as_of)?;
    let given = inputs(&fleet, &book, None);
    recorded(state, branch, RunKind::Scoring, &given, |run| {
        let summary = score_and_store(state, branch, run, (&fleet, &book), &|| Ok(()))?;
        let detail = json!(summary);
        Ok((summary, detail))
    })
}

/// Fits and scores a branch beside the requests; answers with its run as soon as the records are read.
///
/// The fit hears no wish to stop: such a run ends after it, and keeps nothing.
///
/// # Errors
/// [`AppError::NotReady`] without weather or with contradictory records, [`AppError::Conflict`]
/// while another scoring of the branch runs.
pub fn start(state: &AppState, branch: BranchId, as_of: NaiveDate) -> Result<RunId, AppError> {
    let (fleet, book) = load(state, branch, None, as_of)?;
    let given = inputs(&fleet, &book, None);
    background::start(state, branch, RunKind::Scoring, &given, move |state, run, watch| {
        watch.tell(READ_SHARE);
        let unstopped = || {
            if watch.stop().load(Ordering::Relaxed) {
                return Err(AppError::Stopped("stopped on request; no score is kept".to_owned()));
            }
            Ok(())
        };
        Ok(json!(score_and_store(state, branch, run, (&fleet, &book), &unstopped)?))
    })
}
