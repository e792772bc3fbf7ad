//! A branch's own lines in its mail to households: at most one pair for each kind and language.

use chrono::{DateTime, Utc};
use diesel::{
    ExpressionMethods, OptionalExtension, QueryDsl, Queryable, RunQueryDsl, Selectable,
    SelectableHelper,
};
use hotspell_domain::{BranchId, Language, NoticeKind};

use crate::columns::{RawInstant, RawText, naive};
use crate::connection::each;
use crate::schema::notice_wordings;
use crate::words::Resource;
use crate::{AnyConnection, StoreError, changes};

const RESOURCE: Resource = Resource::NoticeLines;

/// The lines of one kind in one language. Their placeholders are not filled in.
#[derive(Debug, Clone, PartialEq, Eq, Queryable, Selectable)]
#[diesel(table_name = notice_wordings)]
pub struct NoticeWording {
    /// Its number.
    pub id: i64,
    /// In this kind of notice.
    #[diesel(deserialize_as = RawText)]
    pub kind: NoticeKind,
    /// In this language.
    #[diesel(deserialize_as = RawText)]
    pub language: Language,
    /// After the greeting.
    pub opening: Option<String>,
    /// Before the foot.
    pub closing: Option<String>,
    /// Raised by one with each change; the first is 1.
    pub version: i64,
    /// When it was last changed.
    #[diesel(deserialize_as = RawInstant)]
    pub updated_at: DateTime<Utc>,
}

/// Every pair of lines of a branch, taken back ones among them, as `None` twice.
///
/// # Errors
/// Those of the database.
pub fn list(conn: &mut AnyConnection, branch: BranchId) -> Result<Vec<NoticeWording>, StoreError> {
    Ok(notice_wordings::table
        .filter(notice_wordings::branch_id.eq(branch.0))
        .order(notice_wordings::id)
        .select(NoticeWording::as_select())
        .load(conn)?)
}

/// The lines of one kind in one language; nothing when none were ever kept.
///
/// # Errors
/// Those of the database.
pub fn find(
    conn: &mut AnyConnection,
    branch: BranchId,
    kind: NoticeKind,
    language: Language,
) -> Result<Option<NoticeWording>, StoreError> {
    Ok(notice_wordings::table
        .filter(notice_wordings::branch_id.eq(branch.0))
        .filter(notice_wordings::kind.eq(kind.as_str()))
        .filter(notice_wordings::language.eq(language.as_str()))
        .select(NoticeWording::as_select())
        .first(conn)
        .optional()?)
}

/// What is to stand in one kind of notice in one language.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct NewWording<'a> {
    /// In this kind of notice.
    pub kind: NoticeKind,
    /// In this language.
    pub language: Language,
    /// After the greeting.
    pub opening: Option<&'a str>,
    /// Before the foot.
    pub closing: Option<&'a str>,
}

/// Keeps the lines, if nobody changed them since the expected version; 0 when there were none.
///
/// # Errors
/// [`StoreError::StaleVersion`] when somebody did, `ForeignKey`, `Check` for an empty line.
pub fn put(
    conn: &mut AnyConnection,
    branch: BranchId,
    wording: NewWording<'_>,
    expected_version: i64,
    now: DateTime<Utc>,
) -> Result<NoticeWording, StoreError> {
    let at = naive(now);
    let NewWording { kind, language, opening, closing } = wording;
    let kept: Option<NoticeWording> = if expected_version == 0 {
        each!(conn, c => {
            diesel::insert_into(notice_wordings::table)
                .values((
                    notice_wordings::branch_id.eq(branch.0),
                    notice_wordings::kind.eq(kind.as_str()),
                    notice_wordings::language.eq(language.as_str()),
                    notice_wordings::opening.eq(opening),
                    notice_wordings::closing.eq(closing),
                    notice_wordings::version.eq(1_i64),
                    notice_wordings::created_at.eq(at),
                    notice_wordings::updated_at.eq(at),
                ))
                .on_conflict((
                    notice_wordings::branch_id,
                    notice_wordings::kind,
                    notice_wordings::language,
                ))
                .do_nothing()
                .returning(NoticeWording::as_returning())
                .get_result(c)
                .optional()
        })?
    } else {
        each!(conn, c => {
            diesel::update(
                notice_wordings::table
                    .filter(notice_wordings::branch_id.eq(branch.0))
                    .filter(notice_wordings::kind.eq(kind.as_str()))
                    .filter(notice_wordings::language.eq(language.as_str()))
                    .filter(notice_wordings::version.eq(expected_version)),
            )
            .set((
                notice_wordings::opening.eq(opening),
                notice_wordings::closing.eq(closing),
                notice_wordings::version.eq(notice_wordings::version + 1),
                notice_wordings::updated_at.eq(at),
            ))
            .returning(NoticeWording::as_returning())
            .get_result(c)
            .optional()
        })?
    };
    match kept {
        Some(kept) => {
            changes::record(conn, branch, RESOURCE, &[(kept.id, kept.version)], now)?;
            Ok(kept)
        }
        None => {
            let found = find(conn, branch, kind, language)?.map_or(0, |wording| wording.version);
            Err(StoreError::StaleVersion {
                what: RESOURCE.as_str(),
                expected: expected_version,
                found,
            })
        }
    }
}
