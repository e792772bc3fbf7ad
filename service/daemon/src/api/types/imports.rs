//! Imports that go on beside the requests, on the wire.

use chrono::{DateTime, Utc};
use hotspell_domain::RunId;
use hotspell_imports::{Finding, ImportKind, ImportReport};
use hotspell_store::runs::RunRecord;
use serde::Serialize;
use utoipa::ToSchema;

use super::runs::RunStanding;
use crate::api::error::ApiError;
use crate::app::background::{self, Standing};
use crate::app::imports;
use crate::state::AppState;

/// An import: where it stands, and what it did or why it did nothing.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct ImportView {
    /// Number of the recorded run: it is followed and stopped as any run.
    #[schema(value_type = i64)]
    pub id: RunId,
    /// Which records each of its files holds, in the order in which they go in. A request brings one
    /// file; the office's page may bring several, all of them or none.
    pub kinds: Vec<ImportKind>,
    /// Whether nothing was to be kept.
    pub dry_run: bool,
    /// Where it stands.
    pub standing: RunStanding,
    /// Share done, 0 to 1 (no unit).
    #[schema(minimum = 0, maximum = 1)]
    pub progress: f64,
    /// When it began.
    pub started_at: DateTime<Utc>,
    /// When it ended.
    pub finished_at: Option<DateTime<Utc>>,
    /// Why nothing was kept, when it failed, was stopped or lost.
    pub reason: Option<String>,
    /// What was done, by file; empty unless it has succeeded.
    pub reports: Vec<ImportReport>,
    /// The bad values of the file that was refused, the first thousand in the order of their rows.
    pub findings: Vec<Finding>,
    /// Number of bad values.
    pub findings_total: usize,
}

impl ImportView {
    /// A run as it is answered.
    pub(crate) fn of(run: &RunRecord, state: &AppState) -> Result<Self, ApiError> {
        let standing = background::standing(state, run);
        let imported = imports::found(run)?;
        let lost = (standing == Standing::Lost).then(|| {
            "the service ended before the file was kept; nothing of it is stored, send it again"
                .to_owned()
        });
        Ok(Self {
            id: run.id,
            kinds: imported.asked.kinds,
            dry_run: imported.asked.dry_run,
            standing: standing.into(),
            progress: background::progress(state, run).unwrap_or(0.0),
            started_at: run.started_at,
            finished_at: run.finished_at,
            reason: background::reason(run).or(lost),
            reports: imported.reports,
            findings: imported.findings,
            findings_total: imported.total,
        })
    }
}
