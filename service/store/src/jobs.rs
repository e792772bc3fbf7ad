//! The ledger of jobs: each due run of a job in a branch is done by one process at a time and
//! counts as done once.

use chrono::{DateTime, TimeDelta, Utc};
use diesel::{
    BoolExpressionMethods, ExpressionMethods, OptionalExtension, QueryDsl, Queryable, RunQueryDsl,
    Selectable, SelectableHelper,
};
use hotspell_domain::BranchId;

use crate::columns::{RawId, RawInstant, RawNullInstant, RawNullText, naive};
use crate::connection::each;
use crate::listing::listing;
use crate::schema::job_ledger;
use crate::words::RunOutcome;
use crate::{AnyConnection, StoreError};

/// One due run of a job.
#[derive(Debug, Clone, PartialEq, Eq, Queryable, Selectable)]
#[diesel(table_name = job_ledger)]
pub struct JobRecord {
    /// Its number.
    pub id: i64,
    /// The office.
    #[diesel(deserialize_as = RawId)]
    pub branch_id: BranchId,
    /// Which job.
    pub job: String,
    /// The instant it was due.
    #[diesel(deserialize_as = RawInstant)]
    pub due_for: DateTime<Utc>,
    /// Who does it.
    pub claimed_by: Option<String>,
    /// Until when; after it another process may.
    #[diesel(deserialize_as = RawNullInstant)]
    pub claimed_until: Option<DateTime<Utc>>,
    /// How often it was begun.
    pub attempts: i32,
    /// When it was last begun.
    #[diesel(deserialize_as = RawNullInstant)]
    pub started_at: Option<DateTime<Utc>>,
    /// When it was done.
    #[diesel(deserialize_as = RawNullInstant)]
    pub finished_at: Option<DateTime<Utc>>,
    /// How it ended.
    #[diesel(deserialize_as = RawNullText)]
    pub outcome: Option<RunOutcome>,
    /// What a person should know of it.
    pub detail: Option<String>,
}

listing! {
    job_ledger, JobRecord, list,
    /// Which entries of the ledger.
    JobFilter {
        /// Of this job.
        job: String => |job| job_ledger::job.eq(job.as_str()),
        /// Ended or not.
        finished: bool => |finished| job_ledger::finished_at.is_not_null().eq(*finished),
        /// Due at or after this instant.
        due_from: DateTime<Utc> => |at| job_ledger::due_for.ge(naive(*at)),
    }
}

/// Which run of which job.
#[derive(Debug, Clone, Copy)]
pub struct Due<'a> {
    /// Which job.
    pub job: &'a str,
    /// The instant it was due.
    pub due_for: DateTime<Utc>,
}

/// Takes a due run for one process; nothing when it is done or another process holds it. A
/// process that died loses it when its claim runs out.
///
/// # Errors
/// `ForeignKey`.
pub fn claim(
    conn: &mut AnyConnection,
    branch: BranchId,
    due: Due<'_>,
    worker: &str,
    claim_for: TimeDelta,
    now: DateTime<Utc>,
) -> Result<Option<JobRecord>, StoreError> {
    let at = naive(now);
    let due_for = naive(due.due_for);
    each!(conn, c => {
        diesel::insert_into(job_ledger::table)
            .values((
                job_ledger::branch_id.eq(branch.0),
                job_ledger::job.eq(due.job),
                job_ledger::due_for.eq(due_for),
                job_ledger::attempts.eq(0),
            ))
            .on_conflict_do_nothing()
            .execute(c)
    })?;
    Ok(each!(conn, c => {
        diesel::update(
            job_ledger::table
                .filter(job_ledger::branch_id.eq(branch.0))
                .filter(job_ledger::job.eq(due.job))
                .filter(job_ledger::due_for.eq(due_for))
                .filter(job_ledger::finished_at.is_null())
                .filter(job_ledger::claimed_until.is_null().or(job_ledger::claimed_until.lt(at))),
        )
        .set((
            job_ledger::claimed_by.eq(worker),
            job_ledger::claimed_until.eq(naive(now + claim_for)),
            job_ledger::attempts.eq(job_ledger::attempts + 1),
            job_ledger::started_at.eq(at),
        ))
        .returning(JobRecord::as_returning())
        .get_result(c)
        .optional()
    })?)
}

/// Holds a claim for longer.
///
/// # Errors
/// [`StoreError::Conflict`] when another process has it.
pub fn renew(
    conn: &mut AnyConnection,
    id: i64,
    worker: &str,
    claim_for: TimeDelta,
    now: DateTime<Utc>,
) -> Result<(), StoreError> {
    let changed = diesel::update(
        job_ledger::table
            .filter(job_ledger::id.eq(id))
            .filter(job_ledger::claimed_by.eq(worker))
            .filter(job_ledger::finished_at.is_null()),
    )
    .set(job_ledger::claimed_until.eq(naive(now + claim_for)))
    .execute(conn)?;
    held(changed, id, worker)
}

fn held(changed: usize, id: i64, worker: &str) -> Result<(), StoreError> {
    if changed == 0 {
        return Err(StoreError::Conflict {
            what: format!("job run {id} is done or not claimed by {worker}"),
        });
    }
    Ok(())
}

/// Records that a run is done, well or not. It is not done again.
///
/// # Errors
/// [`StoreError::Conflict`] when another process has it.
pub fn finish(
    conn: &mut AnyConnection,
    id: i64,
    worker: &str,
    outcome: RunOutcome,
    detail: Option<&str>,
    now: DateTime<Utc>,
) -> Result<(), StoreError> {
    let changed = diesel::update(
        job_ledger::table
            .filter(job_ledger::id.eq(id))
            .filter(job_ledger::claimed_by.eq(worker))
            .filter(job_ledger::finished_at.is_null()),
    )
    .set((
        job_ledger::finished_at.eq(naive(now)),
        job_ledger::outcome.eq(outcome.as_str()),
        job_ledger::detail.eq(detail),
    ))
    .execute(conn)?;
    held(changed, id, worker)
}

/// Gives a run back after a failure, to be tried again from `retry_at` on.
///
/// # Errors
/// [`StoreError::Conflict`] when another process has it.
pub fn release(
    conn: &mut AnyConnection,
    id: i64,
    worker: &str,
    retry_at: DateTime<Utc>,
    detail: &str,
) -> Result<(), StoreError> {
    let changed = diesel::update(
        job_ledger::table
            .filter(job_ledger::id.eq(id))
            .filter(job_ledger::claimed_by.eq(worker))
            .filter(job_ledger::finished_at.is_null()),
    )
    .set((job_ledger::claimed_until.eq(naive(retry_at)), job_ledger::detail.eq(detail)))
    .execute(conn)?;
    held(changed, id, worker)
}

/// The latest instant for which a job's run is done.
///
/// # Errors
/// Those of the database.
pub fn last_finished(
    conn: &mut AnyConnection,
    branch: BranchId,
    job: &str,
) -> Result<Option<DateTime<Utc>>, StoreError> {
    let latest: Option<chrono::NaiveDateTime> = job_ledger::table
        .filter(job_ledger::branch_id.eq(branch.0))
        .filter(job_ledger::job.eq(job))
        .filter(job_ledger::finished_at.is_not_null())
        .select(diesel::dsl::max(job_ledger::due_for))
        .first(conn)?;
    Ok(latest.map(|at| at.and_utc()))
}
