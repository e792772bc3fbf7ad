//! Visits on the wire.

use chrono::{DateTime, NaiveDate, NaiveTime, Utc};
use hotspell_domain::{
    AgreementId, BranchId, DateRange, SiteId, TechnicianId, VisitId, VisitKind, VisitState,
};
use hotspell_notices::compose::ChangeCause;
use hotspell_store::visits::{
    VisitChange, VisitEventRecord, VisitFields, VisitRecord, VisitResultRecord,
};
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use crate::api::checks::{Checks, LINE_MAX};
use crate::api::error::ApiError;

/// Longest work at one visit, in seconds.
const DURATION_MAX_SECONDS: i32 = 12 * 3600;
/// Priorities run from 0 (ordinary) to this.
const PRIORITY_MAX: i32 = 100;

/// A visit that the office adds by hand, such as a no-cool call. Visits that agreements owe come
/// by themselves.
#[derive(Debug, Clone, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({
    "site_id": 1, "kind": "no-cool-call", "within_first": "2026-06-01",
    "within_last": "2026-06-02", "duration_seconds": 3600, "priority": 10,
    "reason": "nothing cools since noon"
}))]
pub struct VisitInput {
    /// The home.
    #[schema(value_type = i64)]
    pub site_id: SiteId,
    /// What it is for.
    pub kind: VisitKind,
    /// First day on which it may happen.
    pub within_first: NaiveDate,
    /// Last day on which it may happen.
    pub within_last: NaiveDate,
    /// How long the work takes, in seconds.
    #[schema(minimum = 300, maximum = 43_200)]
    pub duration_seconds: i32,
    /// Higher goes first, 0 to 100 (no unit); 0 if absent.
    #[serde(default)]
    #[schema(minimum = 0, maximum = 100)]
    pub priority: i32,
    /// Why, in words.
    #[schema(max_length = 200)]
    pub reason: Option<String>,
}

/// What can be changed of a visit without moving it.
#[derive(Debug, Clone, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({
    "within_first": "2026-06-01", "within_last": "2026-06-03", "duration_seconds": 4500,
    "priority": 20, "reason": "infant in the house"
}))]
pub struct VisitUpdate {
    /// First day on which it may happen.
    pub within_first: NaiveDate,
    /// Last day on which it may happen.
    pub within_last: NaiveDate,
    /// How long the work takes, in seconds.
    #[schema(minimum = 300, maximum = 43_200)]
    pub duration_seconds: i32,
    /// Higher goes first, 0 to 100 (no unit).
    #[schema(minimum = 0, maximum = 100)]
    pub priority: i32,
    /// Why, in words.
    #[schema(max_length = 200)]
    pub reason: Option<String>,
}

/// Where a visit is to stand.
#[derive(Debug, Clone, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({
    "state": "placed", "day": "2026-06-02", "technician_id": 1, "starts": "09:00:00",
    "ends": "11:00:00", "why": "the household asked for the morning"
}))]
pub struct StateChangeInput {
    /// The new state. From «owed»: placed, dropped. From «placed»: placed, announced, agreed,
    /// owed, done, missed, dropped. From «announced» and «agreed»: placed, owed, done, missed,
    /// dropped, and from the first agreed. From «missed»: owed, placed, dropped. Done and dropped
    /// are final.
    pub state: VisitState,
    /// The day; with `technician_id` required for placed, announced and agreed.
    pub day: Option<NaiveDate>,
    /// Who comes.
    #[schema(value_type = Option<i64>)]
    pub technician_id: Option<TechnicianId>,
    /// Start of the slot told to the household, of the branch's clock; only with `ends`.
    pub starts: Option<NaiveTime>,
    /// End of the slot.
    pub ends: Option<NaiveTime>,
    /// Why, in words; required for missed and dropped.
    #[schema(max_length = 200)]
    pub why: Option<String>,
    /// What the household is told as the cause, if it was told of a slot that changes; the
    /// office's decision if absent.
    pub told_as: Option<ToldAs>,
}

/// What led to a change, as the household is told.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "kebab-case")]
pub enum ToldAs {
    /// The household asked for it.
    HouseholdAsked,
    /// The technician is sick or away.
    TechnicianAway,
    /// Homes without cooling come first.
    UrgentCalls,
    /// The office decided so.
    OfficeDecision,
}

impl From<ToldAs> for ChangeCause {
    fn from(cause: ToldAs) -> Self {
        match cause {
            ToldAs::HouseholdAsked => Self::HouseholdAsked,
            ToldAs::TechnicianAway => Self::TechnicianAway,
            ToldAs::UrgentCalls => Self::UrgentCalls,
            ToldAs::OfficeDecision => Self::OfficeDecision,
        }
    }
}

/// A visit, as stored.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct VisitView {
    /// Its number.
    #[schema(value_type = i64, example = 1)]
    pub id: VisitId,
    /// Raised by one with each change; also the ETag.
    #[schema(example = 1)]
    pub version: i64,
    /// When it came in.
    pub created_at: DateTime<Utc>,
    /// When it was last changed.
    pub updated_at: DateTime<Utc>,
    /// The office.
    #[schema(value_type = i64)]
    pub branch_id: BranchId,
    /// What owes it; absent for a call.
    #[schema(value_type = Option<i64>)]
    pub agreement_id: Option<AgreementId>,
    /// The home.
    #[schema(value_type = i64)]
    pub site_id: SiteId,
    /// What it is for.
    pub kind: VisitKind,
    /// First day of the window that owes it.
    pub window_first: NaiveDate,
    /// Last day of that window.
    pub window_last: NaiveDate,
    /// First day on which it may happen.
    pub within_first: NaiveDate,
    /// Last day on which it may happen.
    pub within_last: NaiveDate,
    /// Where it stands.
    pub state: VisitState,
    /// The day.
    pub day: Option<NaiveDate>,
    /// Who comes.
    #[schema(value_type = Option<i64>)]
    pub technician_id: Option<TechnicianId>,
    /// Start of the slot told to the household, of the branch's clock.
    pub starts: Option<NaiveTime>,
    /// End of the slot.
    pub ends: Option<NaiveTime>,
    /// How long the work takes, in seconds.
    pub duration_seconds: i32,
    /// Higher goes first, 0 to 100 (no unit).
    pub priority: i32,
    /// Why it stands where it stands.
    pub reason: Option<String>,
}

/// One change of a visit.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct VisitEventView {
    /// Its number.
    #[schema(example = 1)]
    pub id: i64,
    /// The visit.
    #[schema(value_type = i64)]
    pub visit_id: VisitId,
    /// When.
    pub at: DateTime<Utc>,
    /// Who did it: an account, a household or a job.
    pub who: String,
    /// Where the visit stood; absent at its beginning.
    pub from_state: Option<VisitState>,
    /// Where it stands.
    pub to_state: VisitState,
    /// The earlier day.
    pub day_before: Option<NaiveDate>,
    /// The day.
    pub day_after: Option<NaiveDate>,
    /// The earlier technician.
    #[schema(value_type = Option<i64>)]
    pub technician_before_id: Option<TechnicianId>,
    /// The technician.
    #[schema(value_type = Option<i64>)]
    pub technician_after_id: Option<TechnicianId>,
    /// Why.
    pub why: Option<String>,
}

/// What a technician sent in about a visit, as it came.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct VisitResultView {
    /// Its number.
    #[schema(example = 1)]
    pub id: i64,
    /// The visit.
    #[schema(value_type = i64)]
    pub visit_id: VisitId,
    /// Made by the sender, so that the same submission counts once.
    pub key: String,
    /// By whom.
    #[schema(value_type = Option<i64>)]
    pub technician_id: Option<TechnicianId>,
    /// What was sent.
    #[schema(value_type = Object)]
    pub payload: serde_json::Value,
    /// When it came in.
    pub received_at: DateTime<Utc>,
}

fn check_terms(checks: &mut Checks, first: NaiveDate, last: NaiveDate, work: i32, priority: i32) {
    checks.day("/within_first", Some(first));
    checks.day("/within_last", Some(last));
    checks.order("/within_last", Some(first), Some(last));
    if !(300..=DURATION_MAX_SECONDS).contains(&work) {
        let detail = format!("{work} is outside 300 to {DURATION_MAX_SECONDS} seconds");
        checks.refuse("/duration_seconds", detail);
    }
    if !(0..=PRIORITY_MAX).contains(&priority) {
        checks.refuse("/priority", format!("{priority} is outside 0 to {PRIORITY_MAX}"));
    }
}

impl VisitInput {
    /// What is stored of it.
    pub(crate) fn fields(&self) -> Result<VisitFields, ApiError> {
        let mut checks = Checks::default();
        let (first, last) = (self.within_first, self.within_last);
        check_terms(&mut checks, first, last, self.duration_seconds, self.priority);
        let reason = checks.optional("/reason", self.reason.as_deref(), LINE_MAX);
        checks.finish()?;
        let within = DateRange { first, last };
        Ok(VisitFields {
            priority: self.priority,
            reason,
            ..VisitFields::owed(self.site_id, self.kind, within, self.duration_seconds)
        })
    }
}

impl VisitUpdate {
    /// The stored fields with these in their place.
    pub(crate) fn fields(&self, before: &VisitFields) -> Result<VisitFields, ApiError> {
        let mut checks = Checks::default();
        let (first, last) = (self.within_first, self.within_last);
        check_terms(&mut checks, first, last, self.duration_seconds, self.priority);
        let reason = checks.optional("/reason", self.reason.as_deref(), LINE_MAX);
        checks.finish()?;
        let chosen = (first, last) != (before.within_first, before.within_last);
        Ok(VisitFields {
            within_first: first,
            within_last: last,
            days_chosen: before.days_chosen || chosen,
            duration_seconds: self.duration_seconds,
            priority: self.priority,
            reason,
            ..before.clone()
        })
    }
}

impl StateChangeInput {
    /// Where the visit is to stand, and why.
    pub(crate) fn change(&self) -> Result<(VisitChange, Option<String>), ApiError> {
        let mut checks = Checks::default();
        let why = checks.optional("/why", self.why.as_deref(), LINE_MAX);
        checks.day("/day", self.day);
        checks.both_or_neither("/technician_id", self.day.is_some(), self.technician_id.is_some());
        checks.both_or_neither("/ends", self.starts.is_some(), self.ends.is_some());
        if let (Some(starts), Some(ends)) = (self.starts, self.ends)
            && ends <= starts
        {
            checks.refuse("/ends", format!("{ends} is not later than {starts}"));
        }
        if self.state.holds_a_place() && self.day.is_none() {
            checks.refuse("/day", format!("a visit that is {} has a day", self.state));
        }
        if self.starts.is_some() && self.day.is_none() {
            checks.refuse("/starts", "a slot needs its day");
        }
        if matches!(self.state, VisitState::Missed | VisitState::Dropped) && why.is_none() {
            checks.refuse("/why", format!("say why the visit is {}", self.state));
        }
        checks.finish()?;
        let change = VisitChange {
            state: self.state,
            place: self.day.zip(self.technician_id),
            slot: self.starts.zip(self.ends),
        };
        Ok((change, why))
    }
}

impl From<VisitRecord> for VisitView {
    fn from(record: VisitRecord) -> Self {
        let fields = record.fields;
        Self {
            id: record.id,
            version: record.version,
            created_at: record.created_at,
            updated_at: record.updated_at,
            branch_id: record.branch_id,
            agreement_id: fields.agreement_id,
            site_id: fields.site_id,
            kind: fields.kind,
            window_first: fields.window_first,
            window_last: fields.window_last,
            within_first: fields.within_first,
            within_last: fields.within_last,
            state: fields.state,
            day: fields.day,
            technician_id: fields.technician_id,
            starts: fields.starts,
            ends: fields.ends,
            duration_seconds: fields.duration_seconds,
            priority: fields.priority,
            reason: fields.reason,
        }
    }
}

impl From<VisitEventRecord> for VisitEventView {
    fn from(record: VisitEventRecord) -> Self {
        let row = record.row;
        Self {
            id: record.id,
            visit_id: row.visit_id,
            at: row.at,
            who: row.who,
            from_state: row.from_state,
            to_state: row.to_state,
            day_before: row.day_before,
            day_after: row.day_after,
            technician_before_id: row.technician_before_id,
            technician_after_id: row.technician_after_id,
            why: row.why,
        }
    }
}

impl From<VisitResultRecord> for VisitResultView {
    fn from(record: VisitResultRecord) -> Self {
        let row = record.row;
        Self {
            id: record.id,
            visit_id: row.visit_id,
            key: row.client_key,
            technician_id: row.technician_id,
            payload: row.payload,
            received_at: row.received_at,
        }
    }
}
