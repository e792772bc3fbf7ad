//! Weather that comes late: a day that a source corrects, or that was missing and is filled in.

use chrono::NaiveDate;
use hotspell_domain::local_time::local_day;
use hotspell_store::Page;
use hotspell_store::branches::{self, BranchRecord};
use hotspell_store::runs;
use hotspell_store::weather::StationRecord;
use hotspell_store::words::RunKind;

use super::{AppError, scoring, stations};
use crate::state::AppState;

/// Scores again what altered days of a station touch, in each branch that uses the station, was
/// scored before and is `wanted`; says how many parts were scored.
///
/// # Errors
/// Those of the store, of `wanted` and of the scoring.
pub fn rescore(
    state: &AppState,
    station: &StationRecord,
    last_altered: NaiveDate,
    wanted: impl Fn(&BranchRecord) -> Result<bool, AppError>,
) -> Result<usize, AppError> {
    let now = state.now();
    let mut parts = 0;
    for branch in state.store.read(|conn| branches::list(conn, None, Page::everything()))? {
        let (stations, scored) = state.store.read(|conn| {
            let scored = runs::latest(conn, branch.id, RunKind::Scoring)?;
            Ok::<_, AppError>((stations::of_branch(conn, &branch)?, scored))
        })?;
        let uses_it = stations.iter().any(|it| it.id == station.id);
        if !uses_it || scored.is_none() || !wanted(&branch)? {
            continue;
        }
        let today = local_day(now, branch.time_zone);
        let key = station.key.as_str();
        let scoring = scoring::score_after_correction(state, branch.id, key, last_altered, today)?;
        parts += scoring.map_or(0, |summary| summary.components);
    }
    Ok(parts)
}
