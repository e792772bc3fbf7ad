//! A return visit that a technician asks for.

use chrono::{DateTime, Days, NaiveDate, Utc};
use hotspell_domain::{BranchId, DateRange, VisitId, VisitKind, VisitState};
use hotspell_store::visits::{self, Cause, VisitFields, VisitFilter, VisitRecord};
use hotspell_store::{AnyConnection, Page};
use serde::{Deserialize, Serialize};

use super::AppError;

/// Days within which a return visit is owed unless the technician names a day (our choice).
const RETURN_WITHIN_DAYS: u64 = 14;

/// What is to be done again, and until when.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct FollowUp {
    /// Why somebody must come again, for the office.
    pub reason: String,
    /// Last day on which it helps; two weeks after the work if absent.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub by: Option<NaiveDate>,
}

/// Makes a return visit owed. A home has one that is open: a further wish is added to its reason and
/// draws its last day nearer, so that two phones do not ask for two.
///
/// # Errors
/// [`AppError::Invalid`] for a last day that is not after the work, those of the store.
pub(super) fn ask(
    conn: &mut AnyConnection,
    branch: BranchId,
    visit: &VisitRecord,
    (wish, worked_on): (&FollowUp, NaiveDate),
    who: &str,
    now: DateTime<Utc>,
) -> Result<VisitId, AppError> {
    let first = worked_on.checked_add_days(Days::new(1)).unwrap_or(worked_on);
    let last = wish
        .by
        .or_else(|| worked_on.checked_add_days(Days::new(RETURN_WITHIN_DAYS)))
        .unwrap_or(first);
    if last < first {
        return Err(AppError::field("/follow_up/by", format!("expected a day from {first} on")));
    }
    let open = VisitFilter {
        site: Some(visit.site_id),
        kind: Some(VisitKind::ReturnVisit),
        states: Some(VisitState::holding_a_place_or(&[VisitState::Owed])),
        ..VisitFilter::default()
    };
    let open = visits::list(conn, branch, &open, Page::everything())?;
    // The return visit that is open may itself be the one that was just made.
    match open.into_iter().find(|other| other.id != visit.id) {
        Some(other) => add_wish(conn, branch, &other, &wish.reason, last, now),
        None => {
            let seconds = VisitKind::ReturnVisit.duration_seconds(1);
            let within = DateRange { first, last };
            let fields = VisitFields {
                reason: Some(wish.reason.clone()),
                ..VisitFields::owed(visit.site_id, VisitKind::ReturnVisit, within, seconds)
            };
            let cause = Cause { who, why: Some("asked for at a visit") };
            let made = visits::insert_once(conn, branch, &fields, cause, now)?;
            made.map(|made| made.id)
                .ok_or_else(|| AppError::Conflict("the return visit is there already".to_owned()))
        }
    }
}

fn add_wish(
    conn: &mut AnyConnection,
    branch: BranchId,
    open: &VisitRecord,
    reason: &str,
    last: NaiveDate,
    now: DateTime<Utc>,
) -> Result<VisitId, AppError> {
    let before = open.reason.clone().unwrap_or_default();
    let said = if before.contains(reason) {
        before
    } else if before.is_empty() {
        reason.to_owned()
    } else {
        format!("{before}; {reason}")
    };
    let nearest = open.within_last.min(last).max(open.within_first);
    let fields = VisitFields { reason: Some(said), within_last: nearest, ..open.fields.clone() };
    if fields != open.fields {
        visits::update(conn, branch, open.id, open.version, &fields, now)?;
    }
    Ok(open.id)
}
