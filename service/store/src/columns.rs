//! How the values of the domain lie in columns that both databases have: words and JSON as text,
//! ids as integers, instants as timestamps in UTC. Records name these types in their
//! `deserialize_as` and `serialize_as`; they never leave the store.

use chrono::{DateTime, NaiveDateTime, SubsecRound, Utc};
use diesel::backend::Backend;
use diesel::deserialize::{self, FromSql, FromSqlRow};
use diesel::expression::AsExpression;
use diesel::internal::derives::as_expression::Bound;
use diesel::serialize::{self, IsNull, Output, ToSql};
use diesel::sql_types::{BigInt, Integer, Nullable, Text, Timestamp};
use hotspell_domain::agreement::{VisitRuleError, parse_rules};
use hotspell_domain::{
    AccountId, AgreementId, BranchId, ComponentClass, ComponentEnd, ComponentId, Condition,
    ContactId, Exposure, Language, LoadListId, NoticeId, NoticeKind, PlanId, ReadingId, Role,
    RouteId, RunId, SiteId, Skill, TechnicianId, TemperatureUnit, UnitId, UnitKind, UnknownWord,
    VisitId, VisitKind, VisitRule, VisitState,
};

use crate::error::StoreError;
use crate::weekdays::WeekdaySet;
use crate::words::{
    AnswerKind, Channel, NoticeState, PhotoId, PlanState, Resource, RouteState, RunKind,
    RunOutcome, Section, StationId, SubscriptionId, TokenId, TokenScope,
};

macro_rules! raw {
    ($($(#[$doc:meta])* $name:ident, $value:ty, $sql:ty;)+) => {$(
        $(#[$doc])*
        #[derive(Debug, Clone, PartialEq, FromSqlRow)]
        pub struct $name(pub(crate) $value);

        impl<DB: Backend> FromSql<$sql, DB> for $name where $value: FromSql<$sql, DB> {
            fn from_sql(bytes: DB::RawValue<'_>) -> deserialize::Result<Self> {
                Ok(Self(<$value as FromSql<$sql, DB>>::from_sql(bytes)?))
            }
        }

        impl<DB: Backend> ToSql<$sql, DB> for $name where $value: ToSql<$sql, DB> {
            fn to_sql<'b>(&'b self, out: &mut Output<'b, '_, DB>) -> serialize::Result {
                self.0.to_sql(out)
            }
        }

        impl AsExpression<$sql> for $name {
            type Expression = Bound<$sql, Self>;
            fn as_expression(self) -> Self::Expression {
                Bound::new(self)
            }
        }
    )+};
}

macro_rules! raw_null {
    ($($(#[$doc:meta])* $null:ident, $value:ty, $sql:ty;)+) => {$(
        $(#[$doc])*
        #[derive(Debug, Clone, PartialEq, FromSqlRow)]
        pub struct $null(pub(crate) Option<$value>);

        impl<DB: Backend> FromSql<Nullable<$sql>, DB> for $null where $value: FromSql<$sql, DB> {
            fn from_sql(bytes: DB::RawValue<'_>) -> deserialize::Result<Self> {
                Ok(Self(Some(<$value as FromSql<$sql, DB>>::from_sql(bytes)?)))
            }

            fn from_nullable_sql(bytes: Option<DB::RawValue<'_>>) -> deserialize::Result<Self> {
                bytes.map_or(Ok(Self(None)), |bytes| {
                    <Self as FromSql<Nullable<$sql>, DB>>::from_sql(bytes)
                })
            }
        }

        impl<DB: Backend> ToSql<Nullable<$sql>, DB> for $null where $value: ToSql<$sql, DB> {
            fn to_sql<'b>(&'b self, out: &mut Output<'b, '_, DB>) -> serialize::Result {
                self.0.as_ref().map_or(Ok(IsNull::Yes), |value| value.to_sql(out))
            }
        }

        impl AsExpression<Nullable<$sql>> for $null {
            type Expression = Bound<Nullable<$sql>, Self>;
            fn as_expression(self) -> Self::Expression {
                Bound::new(self)
            }
        }
    )+};
}

raw! {
    /// A word, a list of words or JSON.
    RawText, String, Text;
    /// An id.
    RawId, i64, BigInt;
    /// An instant.
    RawInstant, NaiveDateTime, Timestamp;
    /// A set of weekdays.
    RawInteger, i32, Integer;
}

raw_null! {
    /// A word, a list of words, JSON, or nothing.
    RawNullText, String, Text;
    /// An id or nothing.
    RawNullId, i64, BigInt;
    /// An instant or nothing.
    RawNullInstant, NaiveDateTime, Timestamp;
}

macro_rules! ids {
    ($($id:ty),+ $(,)?) => {$(
        impl From<$id> for RawId {
            fn from(id: $id) -> Self {
                Self(id.0)
            }
        }
        impl From<Option<$id>> for RawNullId {
            fn from(id: Option<$id>) -> Self {
                Self(id.map(|id| id.0))
            }
        }
        impl From<RawId> for $id {
            fn from(raw: RawId) -> Self {
                Self(raw.0)
            }
        }
        impl From<RawNullId> for Option<$id> {
            fn from(raw: RawNullId) -> Self {
                raw.0.map(Into::into)
            }
        }
    )+};
}

ids!(
    AccountId,
    AgreementId,
    BranchId,
    ComponentId,
    ContactId,
    LoadListId,
    NoticeId,
    PlanId,
    ReadingId,
    RouteId,
    RunId,
    SiteId,
    TechnicianId,
    UnitId,
    VisitId,
    StationId,
    TokenId,
    PhotoId,
    SubscriptionId,
);

/// Values that lie in a text column; `$read` may refuse, `$write` may not.
macro_rules! texts {
    ($($value:ty, $error:ty, $read:expr, $write:expr;)+) => {$(
        impl From<$value> for RawText {
            fn from(value: $value) -> Self {
                let write: fn(&$value) -> String = $write;
                Self(write(&value))
            }
        }
        impl From<Option<$value>> for RawNullText {
            fn from(value: Option<$value>) -> Self {
                Self(value.map(|value| RawText::from(value).0))
            }
        }
        impl TryFrom<RawText> for $value {
            type Error = $error;
            fn try_from(raw: RawText) -> Result<Self, $error> {
                let read: fn(&str) -> Result<$value, $error> = $read;
                read(&raw.0)
            }
        }
        impl TryFrom<RawNullText> for Option<$value> {
            type Error = $error;
            fn try_from(raw: RawNullText) -> Result<Self, $error> {
                raw.0.map(|text| <$value>::try_from(RawText(text))).transpose()
            }
        }
    )+};
}

macro_rules! words {
    ($($word:ty),+ $(,)?) => {
        texts! { $($word, UnknownWord, str::parse, |word| word.as_str().to_owned();)+ }
    };
}

words!(
    ComponentClass,
    ComponentEnd,
    Exposure,
    Language,
    NoticeKind,
    Role,
    Skill,
    TemperatureUnit,
    UnitKind,
    VisitKind,
    VisitState,
    AnswerKind,
    Channel,
    NoticeState,
    PlanState,
    Resource,
    RouteState,
    RunKind,
    RunOutcome,
    Section,
    TokenScope,
);

/// A zone name that is none.
#[derive(Debug, thiserror::Error)]
#[error("«{0}» is no time zone; expected an IANA name such as America/Chicago")]
pub struct UnknownZone(String);

texts! {
    chrono_tz::Tz, UnknownZone,
        |text| text.parse().map_err(|_| UnknownZone(text.to_owned())),
        |zone| zone.name().to_owned();
    serde_json::Value, serde_json::Error, |text| serde_json::from_str(text), ToString::to_string;
    Vec<VisitRule>, VisitRuleError, parse_rules, |rules| joined(rules);
    Vec<Condition>, UnknownWord,
        |text| text.split(';').filter(|word| !word.is_empty()).map(str::parse).collect(),
        |conditions| joined(conditions);
    Vec<Resource>, UnknownWord,
        |text| text.split(';').filter(|word| !word.is_empty()).map(str::parse).collect(),
        |resources| joined(resources);
}

fn joined<T: core::fmt::Display>(values: &[T]) -> String {
    values.iter().map(ToString::to_string).collect::<Vec<_>>().join(";")
}

/// Microseconds are what PostgreSQL keeps; both databases shall give back the same.
pub(crate) fn naive(instant: DateTime<Utc>) -> NaiveDateTime {
    instant.naive_utc().trunc_subsecs(6)
}

impl From<DateTime<Utc>> for RawInstant {
    fn from(instant: DateTime<Utc>) -> Self {
        Self(naive(instant))
    }
}
impl From<RawInstant> for DateTime<Utc> {
    fn from(raw: RawInstant) -> Self {
        raw.0.and_utc()
    }
}
impl From<Option<DateTime<Utc>>> for RawNullInstant {
    fn from(instant: Option<DateTime<Utc>>) -> Self {
        Self(instant.map(naive))
    }
}
impl From<RawNullInstant> for Option<DateTime<Utc>> {
    fn from(raw: RawNullInstant) -> Self {
        raw.0.map(|instant| instant.and_utc())
    }
}

impl From<WeekdaySet> for RawInteger {
    fn from(days: WeekdaySet) -> Self {
        Self(days.mask())
    }
}
impl TryFrom<RawInteger> for WeekdaySet {
    type Error = StoreError;
    fn try_from(raw: RawInteger) -> Result<Self, StoreError> {
        Self::from_mask(raw.0)
            .ok_or_else(|| StoreError::Unexpected(format!("{} is no set of weekdays", raw.0)))
    }
}
