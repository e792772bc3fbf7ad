//! The daily check of what was planned: a visit whose day passed without a result is missed.

use chrono::NaiveDate;
use hotspell_domain::{BranchId, DateRange, VisitState};
use hotspell_store::Page;
use hotspell_store::visits::{self, Cause, VisitChange, VisitFilter};

use super::AppError;
use crate::state::AppState;

/// Marks as missed every placed, announced or agreed visit whose day lies before `today`; says
/// how many.
///
/// # Errors
/// Those of the store.
pub fn mark_missed(
    state: &AppState,
    branch: BranchId,
    today: NaiveDate,
) -> Result<usize, AppError> {
    let now = state.now();
    let Some(yesterday) = today.pred_opt() else { return Ok(0) };
    state.store.write(|conn| {
        let filter = VisitFilter {
            states: Some(VisitState::HOLDING_A_PLACE.to_vec()),
            days: DateRange::new(NaiveDate::MIN, yesterday),
            ..VisitFilter::default()
        };
        let passed = visits::list(conn, branch, &filter, Page::everything())?;
        for visit in &passed {
            let to = VisitChange {
                state: VisitState::Missed,
                place: visit.day.zip(visit.technician_id),
                slot: visit.starts.zip(visit.ends),
            };
            let cause = Cause { who: "hotspell", why: Some("its day passed without a result") };
            visits::change(conn, branch, visit.id, visit.version, to, cause, now)?;
        }
        Ok(passed.len())
    })
}
