//! The outbox: messages composed once and kept until delivered or given up.

use chrono::{DateTime, TimeDelta, Utc};
use diesel::connection::SimpleConnection as _;
use diesel::{
    BoolExpressionMethods, ExpressionMethods, Insertable, OptionalExtension, QueryDsl, Queryable,
    RunQueryDsl, Selectable, SelectableHelper,
};
use hotspell_domain::{BranchId, ContactId, Language, NoticeId, NoticeKind, TechnicianId, VisitId};
use serde_json::Value;

use crate::columns::{RawId, RawInstant, RawNullId, RawNullInstant, RawText, naive};
use crate::connection::{OUTBOX_LOCK, each};
use crate::listing::listing;
use crate::schema::notices;
use crate::words::{Channel, NoticeState};
use crate::{AnyConnection, StoreError};

/// A message as it was composed. It is never composed again.
#[derive(Debug, Clone, PartialEq, Queryable, Selectable, Insertable)]
#[diesel(table_name = notices, treat_none_as_default_value = false)]
pub struct NewNotice {
    /// What happened; with the recipient it makes one message, however often a job runs.
    pub event_key: String,
    /// What it is about.
    #[diesel(deserialize_as = RawText, serialize_as = RawText)]
    pub kind: NoticeKind,
    /// By which way it goes.
    #[diesel(deserialize_as = RawText, serialize_as = RawText)]
    pub channel: Channel,
    /// Where it goes: an address.
    pub recipient: String,
    /// To which person of a home.
    #[diesel(deserialize_as = RawNullId, serialize_as = RawNullId)]
    pub contact_id: Option<ContactId>,
    /// To which technician.
    #[diesel(deserialize_as = RawNullId, serialize_as = RawNullId)]
    pub technician_id: Option<TechnicianId>,
    /// About which visit.
    #[diesel(deserialize_as = RawNullId, serialize_as = RawNullId)]
    pub visit_id: Option<VisitId>,
    /// In which language.
    #[diesel(deserialize_as = RawText, serialize_as = RawText)]
    pub language: Language,
    /// Subject line.
    pub subject: String,
    /// Plain text.
    pub body_text: String,
    /// The same as HTML.
    pub body_html: Option<String>,
    /// Calendar part (RFC 5545).
    pub calendar: Option<String>,
    /// SEQUENCE of the calendar part.
    pub calendar_sequence: Option<i32>,
    /// Further headers, name to value.
    #[diesel(deserialize_as = RawText, serialize_as = RawText)]
    pub headers: Value,
    /// The same at every attempt, so that a duplicate shows as one.
    pub message_id: String,
}

/// A message and where it stands.
#[derive(Debug, Clone, PartialEq, Queryable, Selectable)]
#[diesel(table_name = notices)]
pub struct NoticeRecord {
    /// Its number.
    #[diesel(deserialize_as = RawId)]
    pub id: NoticeId,
    /// The office.
    #[diesel(deserialize_as = RawId)]
    pub branch_id: BranchId,
    /// What was composed.
    #[diesel(embed)]
    pub notice: NewNotice,
    /// Where it stands.
    #[diesel(deserialize_as = RawText)]
    pub state: NoticeState,
    /// How often delivery was begun.
    pub attempts: i32,
    /// Not before this instant.
    #[diesel(deserialize_as = RawInstant)]
    pub next_attempt_at: DateTime<Utc>,
    /// The worker that delivers it.
    pub claimed_by: Option<String>,
    /// Until when; after it another worker may.
    #[diesel(deserialize_as = RawNullInstant)]
    pub claimed_until: Option<DateTime<Utc>>,
    /// What the receiver or the network said last.
    pub last_error: Option<String>,
    /// When it was taken.
    #[diesel(deserialize_as = RawNullInstant)]
    pub delivered_at: Option<DateTime<Utc>>,
    /// When it was composed.
    #[diesel(deserialize_as = RawInstant)]
    pub created_at: DateTime<Utc>,
    /// When it last changed.
    #[diesel(deserialize_as = RawInstant)]
    pub updated_at: DateTime<Utc>,
}

impl core::ops::Deref for NoticeRecord {
    type Target = NewNotice;
    fn deref(&self) -> &NewNotice {
        &self.notice
    }
}

listing! {
    notices, NoticeRecord, list,
    /// Which notices.
    NoticeFilter {
        /// In one of these states.
        states: Vec<NoticeState> => |states| notices::state
            .eq_any(states.iter().map(|state| state.as_str()).collect::<Vec<_>>()),
        /// About this.
        kind: NoticeKind => |kind| notices::kind.eq(kind.as_str()),
        /// About this visit.
        visit: VisitId => |visit| notices::visit_id.eq(visit.0),
        /// To this person.
        contact: ContactId => |contact| notices::contact_id.eq(contact.0),
        /// To this technician.
        technician: TechnicianId => |technician| notices::technician_id.eq(technician.0),
        /// Composed at or after this instant.
        created_from: DateTime<Utc> => |at| notices::created_at.ge(naive(*at)),
        /// Changed after this instant.
        updated_after: DateTime<Utc> => |at| notices::updated_at.gt(naive(*at)),
    }
    sorted by NoticeSort {
        NextAttemptAt "next_attempt_at": Instant next_attempt_at,
        DeliveredAt "delivered_at": Instant delivered_at,
        CreatedAt "created_at": Instant created_at,
        UpdatedAt "updated_at": Instant updated_at,
    }
}

/// Puts a message into the outbox, once for each event and recipient; nothing when it is there
/// already.
///
/// # Errors
/// `ForeignKey`, `Check`.
pub fn enqueue(
    conn: &mut AnyConnection,
    branch: BranchId,
    notice: &NewNotice,
    not_before: DateTime<Utc>,
    now: DateTime<Utc>,
) -> Result<Option<NoticeId>, StoreError> {
    let at = naive(now);
    let id: Option<i64> = each!(conn, c => {
        diesel::insert_into(notices::table)
            .values((
                notices::branch_id.eq(branch.0),
                notices::state.eq(NoticeState::Waiting.as_str()),
                notices::attempts.eq(0),
                notices::next_attempt_at.eq(naive(not_before)),
                notices::created_at.eq(at),
                notices::updated_at.eq(at),
                notice.clone(),
            ))
            .on_conflict((notices::branch_id, notices::event_key, notices::recipient))
            .do_nothing()
            .returning(notices::id)
            .get_result(c)
            .optional()
    })?;
    Ok(id.map(NoticeId))
}

/// Whether a message for this event and recipient was composed already, so that the work of
/// composing it again can be spared.
///
/// # Errors
/// Those of the database.
pub fn is_enqueued(
    conn: &mut AnyConnection,
    branch: BranchId,
    event_key: &str,
    recipient: &str,
) -> Result<bool, StoreError> {
    let count: i64 = notices::table
        .filter(notices::branch_id.eq(branch.0))
        .filter(notices::event_key.eq(event_key))
        .filter(notices::recipient.eq(recipient))
        .count()
        .get_result(conn)?;
    Ok(count > 0)
}

/// The message with this number.
///
/// # Errors
/// [`StoreError::NotFound`].
pub fn find(
    conn: &mut AnyConnection,
    branch: BranchId,
    id: NoticeId,
) -> Result<NoticeRecord, StoreError> {
    notices::table
        .filter(notices::id.eq(id.0))
        .filter(notices::branch_id.eq(branch.0))
        .select(NoticeRecord::as_select())
        .first(conn)
        .optional()?
        .ok_or(StoreError::NotFound("notice"))
}

/// The notice with this number, whatever its branch: for what comes from outside with a number alone.
///
/// # Errors
/// [`StoreError::NotFound`] and those of the database.
pub fn find_in_any_branch(
    conn: &mut AnyConnection,
    id: NoticeId,
) -> Result<NoticeRecord, StoreError> {
    notices::table
        .filter(notices::id.eq(id.0))
        .select(NoticeRecord::as_select())
        .first(conn)
        .optional()?
        .ok_or(StoreError::NotFound("notice"))
}

/// Who takes messages, and how many.
#[derive(Debug, Clone, Copy)]
pub struct Claim<'a> {
    /// Who.
    pub worker: &'a str,
    /// For how long they are nobody else's.
    pub hold_for: TimeDelta,
    /// At most so many now.
    pub at_most: i64,
    /// At most so many begun within a minute, by all workers of all processes together.
    pub per_minute: i64,
}

/// How many more messages may be begun now.
fn share(
    conn: &mut AnyConnection,
    claim: &Claim<'_>,
    now: DateTime<Utc>,
) -> Result<i64, StoreError> {
    if let AnyConnection::Postgres(c) = conn {
        // Until the transaction's end, so that two workers do not take the same share. SQLite has
        // one writer anyhow.
        c.batch_execute(&format!("SELECT pg_advisory_xact_lock({OUTBOX_LOCK})"))?;
    }
    // A message that was begun was changed then, or later by what came of it: none is counted too
    // early, and one that took long a little too long.
    let begun: i64 = notices::table
        .filter(notices::updated_at.gt(naive(now - TimeDelta::minutes(1))))
        .filter(notices::attempts.gt(0))
        .count()
        .get_result(conn)?;
    Ok(claim.at_most.min(claim.per_minute - begun).max(0))
}

/// Gives a worker the messages that are due, and takes them from all others until the claim runs
/// out. Oldest due first. A message whose worker died comes free by time.
///
/// # Errors
/// Those of the database.
pub fn claim(
    conn: &mut AnyConnection,
    claim: Claim<'_>,
    now: DateTime<Utc>,
) -> Result<Vec<NoticeRecord>, StoreError> {
    let at = naive(now);
    let limit = share(conn, &claim, now)?;
    let open = [NoticeState::Waiting.as_str(), NoticeState::Unknown.as_str()];
    let due = notices::table
        .filter(notices::state.eq_any(open).and(notices::next_attempt_at.le(at)).or(
            notices::state.eq(NoticeState::Claimed.as_str()).and(notices::claimed_until.lt(at)),
        ))
        .order((notices::next_attempt_at, notices::id))
        .limit(limit)
        .select(notices::id);
    let ids: Vec<i64> = match conn {
        AnyConnection::Postgres(c) => due.for_update().skip_locked().load(c)?,
        AnyConnection::Sqlite(c) => due.load(c)?,
    };
    let mut claimed: Vec<NoticeRecord> = each!(conn, c => {
        diesel::update(notices::table.filter(notices::id.eq_any(ids)))
            .set((
                notices::state.eq(NoticeState::Claimed.as_str()),
                notices::attempts.eq(notices::attempts + 1),
                notices::claimed_by.eq(claim.worker),
                notices::claimed_until.eq(naive(now + claim.hold_for)),
                notices::updated_at.eq(at),
            ))
            .returning(NoticeRecord::as_returning())
            .get_results(c)
    })?;
    claimed.sort_by_key(|notice| (notice.next_attempt_at, notice.id));
    Ok(claimed)
}

/// How an attempt to deliver ended.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Attempt {
    /// The receiver took it.
    Delivered,
    /// The receiver said no for good.
    Refused(String),
    /// Try again then.
    Again {
        /// Not before this instant.
        at: DateTime<Utc>,
        /// Why.
        error: String,
        /// Whether the message may have arrived all the same.
        outcome_unknown: bool,
    },
    /// It failed too often or too long.
    GivenUp(String),
}

/// Records how an attempt ended; only the worker that holds the claim may.
///
/// # Errors
/// [`StoreError::Conflict`] when the worker's claim has run out and another took it, `NotFound`.
pub fn record_attempt(
    conn: &mut AnyConnection,
    branch: BranchId,
    id: NoticeId,
    worker: &str,
    attempt: &Attempt,
    now: DateTime<Utc>,
) -> Result<(), StoreError> {
    let at = naive(now);
    let (state, next, error) = match attempt {
        Attempt::Delivered => (NoticeState::Delivered, None, None),
        Attempt::Refused(error) => (NoticeState::Refused, None, Some(error)),
        Attempt::GivenUp(error) => (NoticeState::GivenUp, None, Some(error)),
        Attempt::Again { at, error, outcome_unknown: true } => {
            (NoticeState::Unknown, Some(naive(*at)), Some(error))
        }
        Attempt::Again { at, error, outcome_unknown: false } => {
            (NoticeState::Waiting, Some(naive(*at)), Some(error))
        }
    };
    let delivered = (state == NoticeState::Delivered).then_some(at);
    let changed = diesel::update(
        notices::table
            .filter(notices::id.eq(id.0))
            .filter(notices::branch_id.eq(branch.0))
            .filter(notices::state.eq(NoticeState::Claimed.as_str()))
            .filter(notices::claimed_by.eq(worker)),
    )
    .set((
        notices::state.eq(state.as_str()),
        notices::next_attempt_at.eq(next.unwrap_or(at)),
        notices::last_error.eq(error),
        notices::delivered_at.eq(delivered),
        notices::claimed_by.eq(None::<String>),
        notices::claimed_until.eq(None::<chrono::NaiveDateTime>),
        notices::updated_at.eq(at),
    ))
    .execute(conn)?;
    if changed == 0 {
        let notice = find(conn, branch, id)?;
        return Err(StoreError::Conflict {
            what: format!("notice {} is {} and not claimed by {worker}", notice.id, notice.state),
        });
    }
    Ok(())
}

/// Takes the messages about a visit that have not gone out from the outbox. Returns how many.
///
/// # Errors
/// Those of the database.
pub fn cancel_waiting(
    conn: &mut AnyConnection,
    branch: BranchId,
    visit: VisitId,
    now: DateTime<Utc>,
) -> Result<usize, StoreError> {
    Ok(diesel::update(
        notices::table
            .filter(notices::branch_id.eq(branch.0))
            .filter(notices::visit_id.eq(visit.0))
            .filter(notices::state.eq(NoticeState::Waiting.as_str())),
    )
    .set((notices::state.eq(NoticeState::Cancelled.as_str()), notices::updated_at.eq(naive(now))))
    .execute(conn)?)
}

/// How many messages a person was sent or is to be sent since an instant.
///
/// # Errors
/// Those of the database.
pub fn count_to_contact(
    conn: &mut AnyConnection,
    branch: BranchId,
    contact: ContactId,
    since: DateTime<Utc>,
) -> Result<i64, StoreError> {
    Ok(notices::table
        .filter(notices::branch_id.eq(branch.0))
        .filter(notices::contact_id.eq(contact.0))
        .filter(notices::created_at.ge(naive(since)))
        .filter(notices::state.ne(NoticeState::Cancelled.as_str()))
        .count()
        .get_result(conn)?)
}

/// The greatest calendar SEQUENCE sent about a visit.
///
/// # Errors
/// Those of the database.
pub fn last_calendar_sequence(
    conn: &mut AnyConnection,
    branch: BranchId,
    visit: VisitId,
) -> Result<Option<i32>, StoreError> {
    Ok(notices::table
        .filter(notices::branch_id.eq(branch.0))
        .filter(notices::visit_id.eq(visit.0))
        .select(diesel::dsl::max(notices::calendar_sequence))
        .first(conn)?)
}
