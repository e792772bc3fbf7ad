//! Links that households were sent, and what they answered.

use chrono::{DateTime, Utc};
use diesel::{
    BoolExpressionMethods, ExpressionMethods, OptionalExtension, QueryDsl, Queryable, RunQueryDsl,
    Selectable, SelectableHelper,
};
use hotspell_domain::{BranchId, ContactId, VisitId};
use serde_json::Value;

use crate::columns::{RawId, RawInstant, RawNullId, RawNullInstant, RawNullText, RawText, naive};
use crate::record::{appended, listing};
use crate::schema::{answer_links, answers};
use crate::words::{AnswerKind, LinkId, LinkPurpose};
use crate::{AnyConnection, StoreError};

/// A link to be made. The token itself is never stored.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct NewLink {
    /// About which visit; nothing for stopping the mail.
    pub visit_id: Option<VisitId>,
    /// Of whom.
    pub contact_id: ContactId,
    /// What it allows.
    pub purpose: LinkPurpose,
    /// SHA-256 of the token, lower-case hexadecimal.
    pub token_digest: String,
    /// Until when.
    pub expires_at: DateTime<Utc>,
}

/// A link that was sent.
#[derive(Debug, Clone, PartialEq, Eq, Queryable, Selectable)]
#[diesel(table_name = answer_links)]
pub struct LinkRecord {
    /// Its number.
    #[diesel(deserialize_as = RawId)]
    pub id: LinkId,
    /// The office.
    #[diesel(deserialize_as = RawId)]
    pub branch_id: BranchId,
    /// About which visit.
    #[diesel(deserialize_as = RawNullId)]
    pub visit_id: Option<VisitId>,
    /// Of whom.
    #[diesel(deserialize_as = RawId)]
    pub contact_id: ContactId,
    /// What it allows.
    #[diesel(deserialize_as = RawText)]
    pub purpose: LinkPurpose,
    /// SHA-256 of the token.
    pub token_digest: String,
    /// When it was made.
    #[diesel(deserialize_as = RawInstant)]
    pub created_at: DateTime<Utc>,
    /// Until when it holds.
    #[diesel(deserialize_as = RawInstant)]
    pub expires_at: DateTime<Utc>,
    /// When the office or an event took it back.
    #[diesel(deserialize_as = RawNullInstant)]
    pub revoked_at: Option<DateTime<Utc>>,
    /// When it was first used.
    #[diesel(deserialize_as = RawNullInstant)]
    pub used_at: Option<DateTime<Utc>>,
}

impl LinkRecord {
    /// Whether it still allows anything.
    #[must_use]
    pub fn holds(&self, now: DateTime<Utc>) -> bool {
        self.revoked_at.is_none() && now < self.expires_at
    }
}

/// Stores a link.
///
/// # Errors
/// [`StoreError::Conflict`] when the token is taken, `ForeignKey`.
pub fn insert_link(
    conn: &mut AnyConnection,
    branch: BranchId,
    link: &NewLink,
    now: DateTime<Utc>,
) -> Result<LinkId, StoreError> {
    let id: i64 = diesel::insert_into(answer_links::table)
        .values((
            answer_links::branch_id.eq(branch.0),
            answer_links::visit_id.eq(link.visit_id.map(|visit| visit.0)),
            answer_links::contact_id.eq(link.contact_id.0),
            answer_links::purpose.eq(link.purpose.as_str()),
            answer_links::token_digest.eq(&link.token_digest),
            answer_links::created_at.eq(naive(now)),
            answer_links::expires_at.eq(naive(link.expires_at)),
        ))
        .returning(answer_links::id)
        .get_result(conn)?;
    Ok(LinkId(id))
}

/// The link of a token, whichever the branch.
///
/// # Errors
/// Those of the database.
pub fn find_link(
    conn: &mut AnyConnection,
    token_digest: &str,
) -> Result<Option<LinkRecord>, StoreError> {
    Ok(answer_links::table
        .filter(answer_links::token_digest.eq(token_digest))
        .select(LinkRecord::as_select())
        .first(conn)
        .optional()?)
}

/// Notes that a link is used. `true` the first time, `false` later.
///
/// # Errors
/// [`StoreError::Conflict`] when it is revoked or expired.
pub fn use_link(
    conn: &mut AnyConnection,
    token_digest: &str,
    now: DateTime<Utc>,
) -> Result<bool, StoreError> {
    let at = naive(now);
    let holds = answer_links::revoked_at.is_null().and(answer_links::expires_at.gt(at));
    let first = diesel::update(
        answer_links::table
            .filter(answer_links::token_digest.eq(token_digest))
            .filter(answer_links::used_at.is_null())
            .filter(holds),
    )
    .set(answer_links::used_at.eq(at))
    .execute(conn)?;
    if first > 0 {
        return Ok(true);
    }
    match find_link(conn, token_digest)? {
        Some(link) if link.holds(now) => Ok(false),
        Some(_) => Err(StoreError::Conflict { what: "the link is revoked or expired".to_owned() }),
        None => Err(StoreError::NotFound("link")),
    }
}

/// Takes back every link about a visit. Returns how many.
///
/// # Errors
/// Those of the database.
pub fn revoke_links(
    conn: &mut AnyConnection,
    branch: BranchId,
    visit: VisitId,
    now: DateTime<Utc>,
) -> Result<usize, StoreError> {
    Ok(diesel::update(
        answer_links::table
            .filter(answer_links::branch_id.eq(branch.0))
            .filter(answer_links::visit_id.eq(visit.0))
            .filter(answer_links::revoked_at.is_null()),
    )
    .set(answer_links::revoked_at.eq(naive(now)))
    .execute(conn)?)
}

appended! {
    /// What a household answered.
    answers, AnswerRecord, NewAnswer, insert, insert_many {
        /// About which visit.
        visit_id: Option<VisitId> as RawNullId,
        /// By whom.
        contact_id: Option<ContactId> as RawNullId,
        /// By which link; nothing when the office entered it.
        token_digest: Option<String>,
        /// The answer.
        what: AnswerKind as RawText,
        /// The chosen slot, or words.
        detail: Option<Value> as RawNullText,
        /// When.
        at: DateTime<Utc> as RawInstant,
    }
}

listing! {
    answers, AnswerRecord, list,
    /// Which answers.
    AnswerFilter {
        /// About this visit.
        visit: VisitId => |visit| answers::visit_id.eq(visit.0),
        /// By this person.
        contact: ContactId => |contact| answers::contact_id.eq(contact.0),
        /// Not before this instant.
        from: DateTime<Utc> => |at| answers::at.ge(naive(*at)),
    }
}
