//! The scores in force: those of the last full scoring, and later ones of single homes.

use std::collections::BTreeMap;

use chrono::NaiveDate;
use hotspell_domain::{BranchId, ComponentId, RunId};
use hotspell_reliability::horizon::HorizonPoint;
use hotspell_store::scores::{self, ScoreFilter, ScoreRecord};
use hotspell_store::{AnyConnection, Page};

use super::AppError;
use super::scoring::KeptReason;

/// The newest score of each part.
#[derive(Debug, Clone)]
pub struct LatestScores {
    /// The last full scoring.
    pub run: RunId,
    /// Its day.
    pub as_of: NaiveDate,
    /// The newest row of each part.
    pub rows: BTreeMap<ComponentId, ScoreRecord>,
    /// Its probabilities over days.
    pub curves: BTreeMap<ComponentId, Vec<HorizonPoint>>,
}

/// Loads the scores in force.
///
/// # Errors
/// [`AppError::NotReady`] when the branch was never scored.
pub fn latest(conn: &mut AnyConnection, branch: BranchId) -> Result<LatestScores, AppError> {
    let run = scores::in_force_since(conn, branch)?.ok_or_else(not_scored)?;
    let filter = ScoreFilter { run_from: Some(run), ..ScoreFilter::default() };
    let mut rows = BTreeMap::new();
    // In order of their numbers, so that a later score replaces an earlier one.
    for row in scores::list(conn, branch, &filter, Page::everything())? {
        rows.insert(row.component_id, row);
    }
    let as_of = rows
        .values()
        .filter(|row| row.run_id == run)
        .map(|row| row.as_of)
        .next()
        .ok_or_else(not_scored)?;
    let curves = rows
        .iter()
        .map(|(id, row)| Ok((*id, curve(row)?)))
        .collect::<Result<BTreeMap<_, _>, AppError>>()?;
    Ok(LatestScores { run, as_of, rows, curves })
}

/// The scores in force of some parts; none while the branch has not been scored.
///
/// # Errors
/// Those of the store.
pub fn of_parts(
    conn: &mut AnyConnection,
    branch: BranchId,
    parts: Vec<ComponentId>,
) -> Result<BTreeMap<ComponentId, ScoreRecord>, AppError> {
    let Some(run) = scores::in_force_since(conn, branch)? else { return Ok(BTreeMap::new()) };
    let filter = ScoreFilter { parts_since: Some((parts, run)), ..ScoreFilter::default() };
    // In order of their numbers, so that a later score replaces an earlier one.
    let rows = scores::list(conn, branch, &filter, Page::everything())?;
    Ok(rows.into_iter().map(|row| (row.component_id, row)).collect())
}

fn not_scored() -> AppError {
    AppError::NotReady("the branch has not been scored yet; start a scoring run".to_owned())
}

/// The probabilities of a kept score.
///
/// # Errors
/// [`AppError::Internal`] when the stored text is none.
pub fn curve(row: &ScoreRecord) -> Result<Vec<HorizonPoint>, AppError> {
    serde_json::from_value(row.horizon.clone())
        .map_err(|error| AppError::internal("stored horizon of a score", error))
}

/// The reasons of a kept score, heaviest first.
///
/// # Errors
/// [`AppError::Internal`] when the stored text is none.
pub fn reasons(row: &ScoreRecord) -> Result<Vec<KeptReason>, AppError> {
    serde_json::from_value(row.reasons.clone())
        .map_err(|error| AppError::internal("stored reasons of a score", error))
}
