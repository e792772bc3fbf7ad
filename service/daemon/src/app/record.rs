//! Every computation leaves a record: which inputs, which version, when, how it ended.

use hotspell_domain::{BranchId, RunId};
use hotspell_store::runs::{self, NewRun};
use hotspell_store::words::{RunKind, RunOutcome};
use serde_json::{Value, json};
use sha2::{Digest as _, Sha256};

use super::AppError;
use crate::state::AppState;

/// Version of the engine that computes.
pub const ENGINE_VERSION: &str = env!("CARGO_PKG_VERSION");

/// Lower-case hexadecimal SHA-256.
#[must_use]
pub fn digest(bytes: &[u8]) -> String {
    hex(&Sha256::digest(bytes))
}

/// Lower-case hexadecimal.
#[must_use]
pub(crate) fn hex(bytes: &[u8]) -> String {
    bytes.iter().map(|byte| format!("{byte:02x}")).collect()
}

/// A run that begins, by this version of the engine.
pub(super) fn new_run(kind: RunKind, inputs: &Value) -> NewRun {
    NewRun {
        kind,
        engine_version: ENGINE_VERSION.to_owned(),
        input_digest: digest(inputs.to_string().as_bytes()),
        inputs: inputs.clone(),
    }
}

/// Runs `work` under a recorded run. The record stands before the work begins, so that a crash
/// leaves it as running; it is closed with the detail that the work returns, or with the error.
///
/// # Errors
/// The work's own, or that of the database.
pub fn recorded<T>(
    state: &AppState,
    branch: BranchId,
    kind: RunKind,
    inputs: &Value,
    work: impl FnOnce(RunId) -> Result<(T, Value), AppError>,
) -> Result<T, AppError> {
    let new = new_run(kind, inputs);
    let started = state.now();
    let run = state.store.write(|conn| runs::start(conn, branch, &new, started))?;
    let result = work(run);
    let (outcome, detail) = match &result {
        Ok((_, detail)) => (RunOutcome::Succeeded, detail.clone()),
        Err(error) => (RunOutcome::Failed, json!({ "error": error.to_string() })),
    };
    let now = state.now();
    state.store.write(|conn| runs::finish(conn, branch, run, outcome, Some(&detail), now))?;
    result.map(|(value, _)| value)
}
