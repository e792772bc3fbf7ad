//! Recorded computations: which inputs, which version, when, and how they ended.

use chrono::{DateTime, Utc};
use diesel::{
    ExpressionMethods, OptionalExtension, QueryDsl, Queryable, RunQueryDsl, Selectable,
    SelectableHelper,
};
use hotspell_domain::{BranchId, RunId};
use serde_json::Value;

use crate::columns::{RawId, RawInstant, RawNullInstant, RawNullText, RawText, naive};
use crate::listing::listing;
use crate::schema::runs;
use crate::words::{RunKind, RunOutcome};
use crate::{AnyConnection, StoreError};

/// A computation that begins.
#[derive(Debug, Clone, PartialEq)]
pub struct NewRun {
    /// What it computes.
    pub kind: RunKind,
    /// Version of the program.
    pub engine_version: String,
    /// Everything that it depends on, or where that is to be found.
    pub inputs: Value,
    /// Digest of the inputs: the same digest and version give the same result.
    pub input_digest: String,
}

/// A recorded computation.
#[derive(Debug, Clone, PartialEq, Queryable, Selectable)]
#[diesel(table_name = runs)]
pub struct RunRecord {
    /// Its number.
    #[diesel(deserialize_as = RawId)]
    pub id: RunId,
    /// The office.
    #[diesel(deserialize_as = RawId)]
    pub branch_id: BranchId,
    /// What it computes.
    #[diesel(deserialize_as = RawText)]
    pub kind: RunKind,
    /// When it began.
    #[diesel(deserialize_as = RawInstant)]
    pub started_at: DateTime<Utc>,
    /// When it ended.
    #[diesel(deserialize_as = RawNullInstant)]
    pub finished_at: Option<DateTime<Utc>>,
    /// Version of the program.
    pub engine_version: String,
    /// Everything that it depends on.
    #[diesel(deserialize_as = RawText)]
    pub inputs: Value,
    /// Digest of the inputs.
    pub input_digest: String,
    /// How it ended.
    #[diesel(deserialize_as = RawText)]
    pub outcome: RunOutcome,
    /// What a person should know of it.
    #[diesel(deserialize_as = RawNullText)]
    pub detail: Option<Value>,
    /// Share done, 0 to 1, of a run that reports it.
    pub progress: Option<f64>,
    /// Last sign of life of a run that reports its progress.
    #[diesel(deserialize_as = RawNullInstant)]
    pub heard_at: Option<DateTime<Utc>>,
    /// When somebody asked it to stop.
    #[diesel(deserialize_as = RawNullInstant)]
    pub stop_asked_at: Option<DateTime<Utc>>,
}

/// Records that a computation begins.
///
/// # Errors
/// [`StoreError::ForeignKey`] for a branch that is none.
pub fn start(
    conn: &mut AnyConnection,
    branch: BranchId,
    run: &NewRun,
    now: DateTime<Utc>,
) -> Result<RunId, StoreError> {
    let id: i64 = diesel::insert_into(runs::table)
        .values((
            runs::branch_id.eq(branch.0),
            runs::kind.eq(run.kind.as_str()),
            runs::started_at.eq(naive(now)),
            runs::engine_version.eq(&run.engine_version),
            runs::inputs.eq(run.inputs.to_string()),
            runs::input_digest.eq(&run.input_digest),
            runs::outcome.eq(RunOutcome::Running.as_str()),
        ))
        .returning(runs::id)
        .get_result(conn)?;
    Ok(RunId(id))
}

/// Records how far a computation is; says whether somebody asked it to stop.
///
/// # Errors
/// [`StoreError::NotFound`].
pub fn report(
    conn: &mut AnyConnection,
    branch: BranchId,
    id: RunId,
    progress: f64,
    now: DateTime<Utc>,
) -> Result<bool, StoreError> {
    diesel::update(
        runs::table
            .filter(runs::id.eq(id.0))
            .filter(runs::branch_id.eq(branch.0))
            .filter(runs::finished_at.is_null()),
    )
    .set((runs::progress.eq(progress), runs::heard_at.eq(naive(now))))
    .execute(conn)?;
    Ok(find(conn, branch, id)?.stop_asked_at.is_some())
}

/// Asks a computation to stop. Again is harmless.
///
/// # Errors
/// [`StoreError::Check`] when it has ended already, `NotFound`.
pub fn ask_to_stop(
    conn: &mut AnyConnection,
    branch: BranchId,
    id: RunId,
    now: DateTime<Utc>,
) -> Result<RunRecord, StoreError> {
    let run = find(conn, branch, id)?;
    if run.finished_at.is_some() {
        return Err(StoreError::Check(format!("run {} has ended: {}", run.id, run.outcome)));
    }
    if run.stop_asked_at.is_none() {
        diesel::update(runs::table.filter(runs::id.eq(id.0)))
            .set(runs::stop_asked_at.eq(naive(now)))
            .execute(conn)?;
    }
    find(conn, branch, id)
}

/// Records how a computation ended. It can end once.
///
/// # Errors
/// [`StoreError::Conflict`] when it has ended already, `NotFound`.
pub fn finish(
    conn: &mut AnyConnection,
    branch: BranchId,
    id: RunId,
    outcome: RunOutcome,
    detail: Option<&Value>,
    now: DateTime<Utc>,
) -> Result<(), StoreError> {
    let changed = diesel::update(
        runs::table
            .filter(runs::id.eq(id.0))
            .filter(runs::branch_id.eq(branch.0))
            .filter(runs::finished_at.is_null()),
    )
    .set((
        runs::finished_at.eq(naive(now)),
        runs::outcome.eq(outcome.as_str()),
        runs::detail.eq(detail.map(ToString::to_string)),
    ))
    .execute(conn)?;
    if changed == 0 {
        let run = find(conn, branch, id)?;
        return Err(StoreError::Conflict { what: format!("run {} is {}", run.id, run.outcome) });
    }
    Ok(())
}

/// The run with this number.
///
/// # Errors
/// [`StoreError::NotFound`].
pub fn find(
    conn: &mut AnyConnection,
    branch: BranchId,
    id: RunId,
) -> Result<RunRecord, StoreError> {
    runs::table
        .filter(runs::id.eq(id.0))
        .filter(runs::branch_id.eq(branch.0))
        .select(RunRecord::as_select())
        .first(conn)
        .optional()?
        .ok_or(StoreError::NotFound("run"))
}

/// The newest run of a kind that succeeded.
///
/// # Errors
/// Those of the database.
pub fn latest(
    conn: &mut AnyConnection,
    branch: BranchId,
    kind: RunKind,
) -> Result<Option<RunRecord>, StoreError> {
    last_of(conn, branch, kind, &[RunOutcome::Succeeded])
}

/// The newest run of a kind, however it ended.
///
/// # Errors
/// Those of the database.
pub fn newest(
    conn: &mut AnyConnection,
    branch: BranchId,
    kind: RunKind,
) -> Result<Option<RunRecord>, StoreError> {
    last_of(conn, branch, kind, RunOutcome::ALL)
}

fn last_of(
    conn: &mut AnyConnection,
    branch: BranchId,
    kind: RunKind,
    outcomes: &[RunOutcome],
) -> Result<Option<RunRecord>, StoreError> {
    Ok(runs::table
        .filter(runs::branch_id.eq(branch.0))
        .filter(runs::kind.eq(kind.as_str()))
        .filter(runs::outcome.eq_any(outcomes.iter().map(|outcome| outcome.as_str())))
        .order(runs::id.desc())
        .select(RunRecord::as_select())
        .first(conn)
        .optional()?)
}

listing! {
    runs, RunRecord, list,
    /// Which runs.
    RunFilter {
        /// Of this kind.
        kind: RunKind => |kind| runs::kind.eq(kind.as_str()),
        /// Ended so.
        outcome: RunOutcome => |outcome| runs::outcome.eq(outcome.as_str()),
        /// Begun at or after this instant.
        started_from: DateTime<Utc> => |at| runs::started_at.ge(naive(*at)),
    }
    sorted by RunSort {
        StartedAt "started_at": Instant started_at,
        FinishedAt "finished_at": Instant finished_at,
    }
}
