//! Visits, every change of them, and what technicians sent in about them.

use chrono::{DateTime, NaiveDate, NaiveTime, Utc};
use diesel::{
    BoolExpressionMethods, ExpressionMethods, OptionalExtension, QueryDsl, Queryable, RunQueryDsl,
    Selectable, SelectableHelper,
};
use hotspell_domain::{
    AgreementId, BranchId, DateRange, SiteId, TechnicianId, VisitId, VisitKind, VisitState,
};
use serde_json::Value;

use crate::columns::{RawId, RawInstant, RawNullId, RawNullText, RawText, naive};
use crate::connection::each;
use crate::listing::listing;
use crate::record::{appended, editable};
use crate::schema::{visit_events, visit_results, visits};
use crate::words::Resource;
use crate::{AnyConnection, StoreError, changes};

editable! {
    /// A visit. Change its state, day and technician with [`change`], which keeps the event;
    /// `update` is for the rest.
    visits, Visit, VisitRecord, VisitFields, VisitId {
        /// What owes it; nothing for a call.
        agreement_id: Option<AgreementId> as RawNullId,
        /// The home.
        site_id: SiteId as RawId,
        /// What it is for.
        kind: VisitKind as RawText,
        /// First day of the window that owes it; with agreement and kind its identity.
        window_first: NaiveDate,
        /// Last day of that window.
        window_last: NaiveDate,
        /// First day on which it may happen.
        within_first: NaiveDate,
        /// Last day on which it may happen.
        within_last: NaiveDate,
        /// Whether the office chose these days; else they are those that the agreement owes.
        days_chosen: bool,
        /// Where it stands.
        state: VisitState as RawText,
        /// The day.
        day: Option<NaiveDate>,
        /// Who comes.
        technician_id: Option<TechnicianId> as RawNullId,
        /// Start of the slot told to the household, of the branch's clock.
        starts: Option<NaiveTime>,
        /// End of the slot.
        ends: Option<NaiveTime>,
        /// How long the work takes.
        duration_seconds: i32,
        /// Higher goes first.
        priority: i32,
        /// Why it stands where it stands.
        reason: Option<String>,
    }
}

listing! {
    visits, VisitRecord, list,
    /// Which visits.
    VisitFilter {
        /// One of these, at most a few hundred.
        ids: Vec<VisitId> => |ids| visits::id.eq_any(ids.iter().map(|id| id.0).collect::<Vec<_>>()),
        /// At this home.
        site: SiteId => |site| visits::site_id.eq(site.0),
        /// At one of these homes, at most a few hundred.
        sites: Vec<SiteId> => |sites| visits::site_id
            .eq_any(sites.iter().map(|id| id.0).collect::<Vec<_>>()),
        /// Of this agreement.
        agreement: AgreementId => |agreement| visits::agreement_id.eq(agreement.0),
        /// Of this kind.
        kind: VisitKind => |kind| visits::kind.eq(kind.as_str()),
        /// In one of these states.
        states: Vec<VisitState> => |states| visits::state
            .eq_any(states.iter().map(|state| state.as_str()).collect::<Vec<_>>()),
        /// By this technician.
        technician: TechnicianId => |technician| visits::technician_id.eq(technician.0),
        /// On a day of the range.
        days: DateRange => |range| visits::day.between(range.first, range.last),
        /// Which may happen on a day of the range.
        window: DateRange => |range| visits::within_last
            .ge(range.first)
            .and(visits::within_first.le(range.last)),
        /// Changed after this instant.
        updated_after: DateTime<Utc> => |at| visits::updated_at.gt(naive(*at)),
    }
    sorted by VisitSort {
        Day "day": Day day,
        WindowFirst "window_first": Day window_first,
        WithinLast "within_last": Day within_last,
        Priority "priority": Count priority,
        UpdatedAt "updated_at": Instant updated_at,
    }
}

/// Where a visit stands: what an overview of a whole season reads.
#[derive(Debug, Clone, PartialEq, Eq, Queryable, Selectable)]
#[diesel(table_name = visits)]
pub struct VisitStanding {
    /// Its number.
    #[diesel(deserialize_as = RawId)]
    pub id: VisitId,
    /// The home.
    #[diesel(deserialize_as = RawId)]
    pub site_id: SiteId,
    /// Where it stands.
    #[diesel(deserialize_as = RawText)]
    pub state: VisitState,
    /// The day.
    pub day: Option<NaiveDate>,
}

/// The visits with a day in the range, and those without one that are possible from its first day on, by
/// their numbers.
///
/// # Errors
/// Those of the database.
pub fn standings(
    conn: &mut AnyConnection,
    branch: BranchId,
    range: DateRange,
) -> Result<Vec<VisitStanding>, StoreError> {
    let open = visits::day.is_null().and(visits::within_last.ge(range.first));
    Ok(visits::table
        .filter(visits::branch_id.eq(branch.0))
        .filter(visits::day.between(range.first, range.last).or(open))
        .order(visits::id)
        .select(VisitStanding::as_select())
        .load(conn)?)
}

appended! {
    /// One change of a visit.
    visit_events, VisitEventRecord, NewVisitEvent, insert_event, insert_events {
        /// The visit.
        visit_id: VisitId as RawId,
        /// When.
        at: DateTime<Utc> as RawInstant,
        /// Who did it: an account, a household or a job.
        who: String,
        /// Where the visit stood; nothing at its beginning.
        from_state: Option<VisitState> as RawNullText,
        /// Where it stands.
        to_state: VisitState as RawText,
        /// The earlier day.
        day_before: Option<NaiveDate>,
        /// The day.
        day_after: Option<NaiveDate>,
        /// The earlier technician.
        technician_before_id: Option<TechnicianId> as RawNullId,
        /// The technician.
        technician_after_id: Option<TechnicianId> as RawNullId,
        /// Why.
        why: Option<String>,
    }
}

listing! {
    visit_events, VisitEventRecord, list_events,
    /// Which events.
    VisitEventFilter {
        /// Of this visit.
        visit: VisitId => |visit| visit_events::visit_id.eq(visit.0),
        /// From one of these states.
        from_states: Vec<VisitState> => |states| visit_events::from_state
            .eq_any(states.iter().map(|state| state.as_str()).collect::<Vec<_>>()),
        /// Not before this instant.
        from: DateTime<Utc> => |at| visit_events::at.ge(naive(*at)),
        /// Before this instant.
        until: DateTime<Utc> => |at| visit_events::at.lt(naive(*at)),
    }
    sorted by VisitEventSort {
        At "at": Instant at,
    }
}

impl VisitFields {
    /// A visit without a day that no agreement owes: it is owed within a range of days.
    #[must_use]
    pub const fn owed(
        site_id: SiteId,
        kind: VisitKind,
        within: DateRange,
        duration_seconds: i32,
    ) -> Self {
        Self {
            agreement_id: None,
            site_id,
            kind,
            window_first: within.first,
            window_last: within.last,
            within_first: within.first,
            within_last: within.last,
            days_chosen: false,
            state: VisitState::Owed,
            day: None,
            technician_id: None,
            starts: None,
            ends: None,
            duration_seconds,
            priority: 0,
            reason: None,
        }
    }
}

/// Who changes a visit and why.
#[derive(Debug, Clone, Copy)]
pub struct Cause<'a> {
    /// An account, a household or a job.
    pub who: &'a str,
    /// In words a person reads.
    pub why: Option<&'a str>,
}

/// Where a visit is to stand.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct VisitChange {
    /// The state.
    pub state: VisitState,
    /// Day and technician; nothing takes them away.
    pub place: Option<(NaiveDate, TechnicianId)>,
    /// The slot told to the household.
    pub slot: Option<(NaiveTime, NaiveTime)>,
}

/// Stores a visit and its first event. A visit that an agreement owes is stored once for each
/// window: when it is there already, nothing changes and nothing is returned.
///
/// # Errors
/// `ForeignKey`, `Check`.
pub fn insert_once(
    conn: &mut AnyConnection,
    branch: BranchId,
    fields: &VisitFields,
    cause: Cause<'_>,
    now: DateTime<Utc>,
) -> Result<Option<VisitRecord>, StoreError> {
    let at = naive(now);
    let stored: Option<VisitRecord> = each!(conn, c => {
        diesel::insert_into(visits::table)
            .values((
                visits::branch_id.eq(branch.0),
                visits::version.eq(1_i64),
                visits::created_at.eq(at),
                visits::updated_at.eq(at),
                fields.clone(),
            ))
            .on_conflict_do_nothing()
            .returning(VisitRecord::as_returning())
            .get_result(c)
            .optional()
    })?;
    let Some(record) = stored else { return Ok(None) };
    changes::record(conn, branch, Resource::Visit, &[(record.id.0, 1)], now)?;
    let event = event(&record, None, cause, now);
    insert_event(conn, branch, event)?;
    Ok(Some(record))
}

fn event(
    after: &VisitRecord,
    before: Option<&VisitRecord>,
    cause: Cause<'_>,
    now: DateTime<Utc>,
) -> NewVisitEvent {
    NewVisitEvent {
        visit_id: after.id,
        at: now,
        who: cause.who.to_owned(),
        from_state: before.map(|visit| visit.state),
        to_state: after.state,
        day_before: before.and_then(|visit| visit.day),
        day_after: after.day,
        technician_before_id: before.and_then(|visit| visit.technician_id),
        technician_after_id: after.technician_id,
        why: cause.why.map(str::to_owned),
    }
}

/// Changes where a visit stands, and keeps who did it, when and why.
///
/// # Errors
/// [`StoreError::Check`] for a change that is not allowed (it names the allowed states),
/// [`StoreError::StaleVersion`], `NotFound`.
pub fn change(
    conn: &mut AnyConnection,
    branch: BranchId,
    id: VisitId,
    expected_version: i64,
    to: VisitChange,
    cause: Cause<'_>,
    now: DateTime<Utc>,
) -> Result<VisitRecord, StoreError> {
    let before = find(conn, branch, id)?;
    let allowed = before.state.next_states();
    if !allowed.contains(&to.state) {
        let names: Vec<&str> = allowed.iter().map(|state| state.as_str()).collect();
        let accepted =
            if names.is_empty() { "nothing, it is final".to_owned() } else { names.join(", ") };
        return Err(StoreError::Check(format!(
            "a visit that is {} cannot become {}; accepted: {accepted}",
            before.state, to.state
        )));
    }
    let fields = VisitFields {
        state: to.state,
        day: to.place.map(|place| place.0),
        technician_id: to.place.map(|place| place.1),
        starts: to.slot.map(|slot| slot.0),
        ends: to.slot.map(|slot| slot.1),
        reason: cause.why.map(str::to_owned).or_else(|| before.reason.clone()),
        ..before.fields.clone()
    };
    let after = update(conn, branch, id, expected_version, &fields, now)?;
    insert_event(conn, branch, event(&after, Some(&before), cause, now))?;
    Ok(after)
}

/// The days of an owed visit.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct OwedDays {
    /// The window that owes it.
    pub window: DateRange,
    /// When it may happen.
    pub within: DateRange,
}

/// Owes a dropped visit again, by the agreement that owes it once more: the one way out of a state that
/// is final for everybody else. A visit of that agreement, kind and window there can be but once.
///
/// # Errors
/// [`StoreError::Check`] for a visit that is not dropped, `StaleVersion`, `NotFound`.
pub fn owe_again(
    conn: &mut AnyConnection,
    branch: BranchId,
    visit: &VisitRecord,
    days: OwedDays,
    cause: Cause<'_>,
    now: DateTime<Utc>,
) -> Result<VisitRecord, StoreError> {
    if visit.state != VisitState::Dropped {
        return Err(StoreError::Check(format!("a visit that is {} is not dropped", visit.state)));
    }
    let fields = VisitFields {
        window_first: days.window.first,
        window_last: days.window.last,
        within_first: days.within.first,
        within_last: days.within.last,
        days_chosen: false,
        state: VisitState::Owed,
        reason: cause.why.map(str::to_owned),
        ..visit.fields.clone()
    };
    let after = update(conn, branch, visit.id, visit.version, &fields, now)?;
    insert_event(conn, branch, event(&after, Some(visit), cause, now))?;
    Ok(after)
}

appended! {
    /// What a technician sent in about a visit, as it came.
    visit_results, VisitResultRecord, NewVisitResult, insert_result, insert_results {
        /// The visit.
        visit_id: VisitId as RawId,
        /// Made by the sender, so that the same submission counts once.
        client_key: String,
        /// By whom.
        technician_id: Option<TechnicianId> as RawNullId,
        /// What was sent.
        payload: Value as RawText,
        /// When it came in.
        received_at: DateTime<Utc> as RawInstant,
    }
}

listing! {
    visit_results, VisitResultRecord, list_results,
    /// Which results.
    VisitResultFilter {
        /// Of this visit.
        visit: VisitId => |visit| visit_results::visit_id.eq(visit.0),
    }
    sorted by VisitResultSort {
        ReceivedAt "received_at": Instant received_at,
    }
}

/// The result that was sent under a key.
///
/// # Errors
/// Those of the database.
pub fn find_result_by_key(
    conn: &mut AnyConnection,
    branch: BranchId,
    client_key: &str,
) -> Result<Option<VisitResultRecord>, StoreError> {
    Ok(visit_results::table
        .filter(visit_results::branch_id.eq(branch.0))
        .filter(visit_results::client_key.eq(client_key))
        .select(VisitResultRecord::as_select())
        .first(conn)
        .optional()?)
}

/// Stores a result once. The same submission again gives back the stored one and `false`.
///
/// # Errors
/// [`StoreError::Conflict`] when the key was used for another submission, `ForeignKey`.
pub fn insert_result_once(
    conn: &mut AnyConnection,
    branch: BranchId,
    result: NewVisitResult,
) -> Result<(VisitResultRecord, bool), StoreError> {
    match find_result_by_key(conn, branch, &result.client_key)? {
        None => insert_result(conn, branch, result).map(|record| (record, true)),
        Some(same) if same.visit_id == result.visit_id && same.payload == result.payload => {
            Ok((same, false))
        }
        Some(other) => Err(StoreError::Conflict {
            what: format!("result {} was sent with another content", other.client_key),
        }),
    }
}
