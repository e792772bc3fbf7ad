//! Programs that are told of changes: where, of which kinds, and how far each has come.

use chrono::{DateTime, TimeDelta, Utc};
use diesel::{
    BoolExpressionMethods, ExpressionMethods, JoinOnDsl, OptionalExtension, QueryDsl, Queryable,
    RunQueryDsl, Selectable, SelectableHelper,
};
use hotspell_domain::BranchId;

use crate::columns::{RawId, RawInstant, RawNullInstant, RawText, naive};
use crate::connection::each;
use crate::listing::listing;
use crate::record::{editable, keyed};
use crate::schema::{subscription_positions, subscriptions};
use crate::words::{Resource, SubscriptionId};
use crate::{AnyConnection, StoreError};

editable! {
    /// A program that is told of changes.
    subscriptions, Subscription, SubscriptionRecord, SubscriptionFields, SubscriptionId {
        /// The user's own name of it.
        key: String,
        /// Where changes are posted.
        url: String,
        /// Of which kinds of record; empty means all.
        resources: Vec<Resource> as RawText,
        /// Whether it is told at all.
        active: bool,
    }
}
keyed!(subscriptions, SubscriptionRecord, SubscriptionFields, SubscriptionId, key);

listing! {
    subscriptions, SubscriptionRecord, list,
    /// Which subscriptions.
    SubscriptionFilter {
        /// Those that are told, or those that are not.
        active: bool => |active| subscriptions::active.eq(*active),
    }
    sorted by SubscriptionSort {
        Key "key": Text key,
        UpdatedAt "updated_at": Instant updated_at,
    }
}

/// How far a subscription has come. Moving it is no change of the subscription.
#[derive(Clone, PartialEq, Eq, Queryable, Selectable)]
#[diesel(table_name = subscription_positions)]
pub struct Position {
    /// The office.
    #[diesel(deserialize_as = RawId)]
    pub branch_id: BranchId,
    /// Which.
    #[diesel(deserialize_as = RawId)]
    pub subscription_id: SubscriptionId,
    /// What signs the calls.
    pub secret: String,
    /// Number of the last change that is done with.
    pub last_change: i64,
    /// Calls for the next change that failed.
    pub failures: i32,
    /// Not before this instant is it called again.
    #[diesel(deserialize_as = RawInstant)]
    pub next_attempt_at: DateTime<Utc>,
    /// When a call last went well.
    #[diesel(deserialize_as = RawNullInstant)]
    pub last_delivered_at: Option<DateTime<Utc>>,
    /// Why the last call that failed did.
    pub last_error: Option<String>,
    /// When that was.
    #[diesel(deserialize_as = RawNullInstant)]
    pub last_error_at: Option<DateTime<Utc>>,
    /// When it was given up; it stands still until somebody changes the subscription.
    #[diesel(deserialize_as = RawNullInstant)]
    pub given_up_at: Option<DateTime<Utc>>,
}

impl core::fmt::Debug for Position {
    fn fmt(&self, f: &mut core::fmt::Formatter<'_>) -> core::fmt::Result {
        // Without the secret.
        f.debug_struct("Position")
            .field("subscription_id", &self.subscription_id)
            .field("last_change", &self.last_change)
            .field("failures", &self.failures)
            .field("given_up_at", &self.given_up_at)
            .finish_non_exhaustive()
    }
}

/// Begins to tell a new subscription what comes after the change with number `last_change`.
///
/// # Errors
/// `ForeignKey`; `Conflict` when it has begun before.
pub fn begin(
    conn: &mut AnyConnection,
    branch: BranchId,
    id: SubscriptionId,
    secret: &str,
    last_change: i64,
    now: DateTime<Utc>,
) -> Result<(), StoreError> {
    each!(conn, c => {
        diesel::insert_into(subscription_positions::table)
            .values((
                subscription_positions::branch_id.eq(branch.0),
                subscription_positions::subscription_id.eq(id.0),
                subscription_positions::secret.eq(secret),
                subscription_positions::last_change.eq(last_change),
                subscription_positions::failures.eq(0),
                subscription_positions::next_attempt_at.eq(naive(now)),
            ))
            .execute(c)
    })?;
    Ok(())
}

/// How far a subscription has come.
///
/// # Errors
/// [`StoreError::NotFound`] when the branch has none.
pub fn position(
    conn: &mut AnyConnection,
    branch: BranchId,
    id: SubscriptionId,
) -> Result<Position, StoreError> {
    subscription_positions::table
        .filter(subscription_positions::branch_id.eq(branch.0))
        .filter(subscription_positions::subscription_id.eq(id.0))
        .select(Position::as_select())
        .first(conn)
        .optional()?
        .ok_or(StoreError::NotFound("subscription"))
}

/// Puts another secret in the place of the one that signs.
///
/// # Errors
/// [`StoreError::NotFound`] when the branch has none.
pub fn replace_secret(
    conn: &mut AnyConnection,
    branch: BranchId,
    id: SubscriptionId,
    secret: &str,
) -> Result<(), StoreError> {
    let changed = diesel::update(
        subscription_positions::table
            .filter(subscription_positions::branch_id.eq(branch.0))
            .filter(subscription_positions::subscription_id.eq(id.0)),
    )
    .set(subscription_positions::secret.eq(secret))
    .execute(conn)?;
    if changed == 0 { Err(StoreError::NotFound("subscription")) } else { Ok(()) }
}

/// Lets a subscription be called again at once, also one that was given up.
///
/// # Errors
/// Those of the database.
pub fn call_again(
    conn: &mut AnyConnection,
    branch: BranchId,
    id: SubscriptionId,
    now: DateTime<Utc>,
) -> Result<(), StoreError> {
    diesel::update(
        subscription_positions::table
            .filter(subscription_positions::branch_id.eq(branch.0))
            .filter(subscription_positions::subscription_id.eq(id.0)),
    )
    .set((
        subscription_positions::failures.eq(0),
        subscription_positions::next_attempt_at.eq(naive(now)),
        subscription_positions::given_up_at.eq(None::<chrono::NaiveDateTime>),
    ))
    .execute(conn)?;
    Ok(())
}

/// Takes every active subscription whose time has come, or only the named one if it has, for one worker,
/// until the claim runs out. One whose worker died comes free by time.
///
/// # Errors
/// Those of the database.
pub fn claim(
    conn: &mut AnyConnection,
    worker: &str,
    only: Option<SubscriptionId>,
    claim_for: TimeDelta,
    now: DateTime<Utc>,
) -> Result<Vec<(SubscriptionRecord, Position)>, StoreError> {
    let at = naive(now);
    let mut due = subscriptions::table
        .inner_join(
            subscription_positions::table
                .on(subscription_positions::subscription_id.eq(subscriptions::id)),
        )
        .filter(subscriptions::active.eq(true))
        .filter(subscription_positions::given_up_at.is_null())
        .filter(subscription_positions::next_attempt_at.le(at))
        .order(subscriptions::id)
        .select((SubscriptionRecord::as_select(), subscription_positions::id))
        .into_boxed();
    if let Some(id) = only {
        due = due.filter(subscriptions::id.eq(id.0));
    }
    let due: Vec<(SubscriptionRecord, i64)> = due.load(conn)?;
    let mut claimed = Vec::with_capacity(due.len());
    for (record, row) in due {
        let free = subscription_positions::claimed_until
            .is_null()
            .or(subscription_positions::claimed_until.lt(at));
        let taken: Option<Position> = each!(conn, c => {
            diesel::update(
                subscription_positions::table.filter(subscription_positions::id.eq(row)).filter(free),
            )
            .set((
                subscription_positions::claimed_by.eq(worker),
                subscription_positions::claimed_until.eq(naive(now + claim_for)),
            ))
            .returning(Position::as_returning())
            .get_result(c)
            .optional()
        })?;
        claimed.extend(taken.map(|position| (record, position)));
    }
    Ok(claimed)
}

/// What a worker has to record of a subscription that it claimed.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Step {
    /// The changes up to this number are done with; `delivered` says whether the last one was posted or
    /// only of a kind that is not wanted.
    To {
        /// Number of the change.
        change: i64,
        /// Whether it was posted.
        delivered: bool,
    },
    /// The call for the next change failed.
    Failed {
        /// Why.
        error: String,
        /// When it is called again; nothing when it is given up.
        again_at: Option<DateTime<Utc>>,
    },
}

/// Records a step and holds the claim for longer; only the worker that holds it may.
///
/// # Errors
/// [`StoreError::Conflict`] when the claim has run out and another worker took it.
pub fn record(
    conn: &mut AnyConnection,
    id: SubscriptionId,
    worker: &str,
    claim_for: TimeDelta,
    step: &Step,
    now: DateTime<Utc>,
) -> Result<(), StoreError> {
    let at = naive(now);
    let held = subscription_positions::table
        .filter(subscription_positions::subscription_id.eq(id.0))
        .filter(subscription_positions::claimed_by.eq(worker));
    let until = subscription_positions::claimed_until.eq(naive(now + claim_for));
    let changed = match step {
        Step::To { change, delivered: true } => diesel::update(held)
            .set((
                until,
                subscription_positions::last_change.eq(*change),
                subscription_positions::failures.eq(0),
                subscription_positions::next_attempt_at.eq(at),
                subscription_positions::last_delivered_at.eq(at),
            ))
            .execute(conn)?,
        Step::To { change, delivered: false } => diesel::update(held)
            .set((until, subscription_positions::last_change.eq(*change)))
            .execute(conn)?,
        Step::Failed { error, again_at } => diesel::update(held)
            .set((
                until,
                subscription_positions::failures.eq(subscription_positions::failures + 1),
                subscription_positions::next_attempt_at.eq(again_at.map_or(at, naive)),
                subscription_positions::last_error.eq(error),
                subscription_positions::last_error_at.eq(at),
                subscription_positions::given_up_at.eq(again_at.is_none().then_some(at)),
            ))
            .execute(conn)?,
    };
    if changed == 0 {
        let what = format!("subscription {id} is not claimed by {worker}");
        return Err(StoreError::Conflict { what });
    }
    Ok(())
}

/// Gives a claimed subscription back.
///
/// # Errors
/// Those of the database.
pub fn release(
    conn: &mut AnyConnection,
    id: SubscriptionId,
    worker: &str,
) -> Result<(), StoreError> {
    diesel::update(
        subscription_positions::table
            .filter(subscription_positions::subscription_id.eq(id.0))
            .filter(subscription_positions::claimed_by.eq(worker)),
    )
    .set((
        subscription_positions::claimed_by.eq(None::<String>),
        subscription_positions::claimed_until.eq(None::<chrono::NaiveDateTime>),
    ))
    .execute(conn)?;
    Ok(())
}
