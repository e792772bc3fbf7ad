//! The scores in force: those of the last full scoring, and later ones of single homes.

use std::collections::BTreeMap;

use chrono::NaiveDate;
use hotspell_domain::{BranchId, ComponentId, RunId};
use hotspell_reliability::horizon::HorizonPoint;
use hotspell_store::scores::{self, ScoreFilter, ScoreRecord, ScoredChance, ScoredReasons};
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
    /// The probability of failure in the season, of each part.
    pub season_chances: BTreeMap<ComponentId, f64>,
    /// The probabilities over days, of each part.
    pub curves: BTreeMap<ComponentId, Vec<HorizonPoint>>,
}

/// Loads the scores in force.
///
/// # Errors
/// [`AppError::NotReady`] when the branch was never scored.
pub fn latest(conn: &mut AnyConnection, branch: BranchId) -> Result<LatestScores, AppError> {
    let (run, as_of) = last_scoring(conn, branch)?;
    let mut newest: BTreeMap<ComponentId, ScoredChance> = BTreeMap::new();
    for row in scores::chances_since(conn, branch, run)? {
        let known = newest.get(&row.component_id);
        if known.is_none_or(|known| known.id < row.id) {
            newest.insert(row.component_id, row);
        }
    }
    let season_chances = newest.iter().map(|(part, row)| (*part, row.p_season)).collect();
    let curve = |row: &ScoredChance| serde_json::from_str(&row.horizon).map_err(no_horizon);
    let curves = newest.iter().map(|(part, row)| Ok((*part, curve(row)?)));
    let curves = curves.collect::<Result<BTreeMap<_, _>, AppError>>()?;
    Ok(LatestScores { run, as_of, season_chances, curves })
}

/// The last full scoring and its day.
///
/// # Errors
/// [`AppError::NotReady`] when the branch was never scored.
pub fn last_scoring(
    conn: &mut AnyConnection,
    branch: BranchId,
) -> Result<(RunId, NaiveDate), AppError> {
    let run = scores::in_force_since(conn, branch)?.ok_or_else(not_scored)?;
    let as_of = scores::as_of(conn, branch, run)?.ok_or_else(not_scored)?;
    Ok((run, as_of))
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

/// How likely a part fails in the season, and why.
#[derive(Debug, Clone, Default)]
pub struct Why {
    /// Probability of failure until the end of the season.
    pub p_season: f64,
    /// Why, heaviest first.
    pub reasons: Vec<KeptReason>,
}

/// The reasons in force of some parts; none while the branch has not been scored.
///
/// # Errors
/// Those of the store; [`AppError::Internal`] when a stored text is none.
pub fn reasons_of_parts(
    conn: &mut AnyConnection,
    branch: BranchId,
    parts: &[ComponentId],
) -> Result<BTreeMap<ComponentId, Why>, AppError> {
    let Some(run) = scores::in_force_since(conn, branch)? else { return Ok(BTreeMap::new()) };
    let mut newest = BTreeMap::new();
    for row in scores::reasons_since(conn, branch, parts, run)? {
        newest.insert(row.component_id, row);
    }
    let why = |(part, row): (ComponentId, ScoredReasons)| {
        let reasons = serde_json::from_str(&row.reasons).map_err(no_reasons)?;
        Ok((part, Why { p_season: row.p_season, reasons }))
    };
    newest.into_iter().map(why).collect()
}

fn not_scored() -> AppError {
    AppError::NotReady("the branch has not been scored yet; start a scoring run".to_owned())
}

/// The probabilities of a kept score.
///
/// # Errors
/// [`AppError::Internal`] when the stored text is none.
pub fn curve(row: &ScoreRecord) -> Result<Vec<HorizonPoint>, AppError> {
    serde_json::from_value(row.horizon.clone()).map_err(no_horizon)
}

fn no_horizon(error: serde_json::Error) -> AppError {
    AppError::internal("stored horizon of a score", error)
}

/// The reasons of a kept score, heaviest first.
///
/// # Errors
/// [`AppError::Internal`] when the stored text is none.
pub fn reasons(row: &ScoreRecord) -> Result<Vec<KeptReason>, AppError> {
    serde_json::from_value(row.reasons.clone()).map_err(no_reasons)
}

fn no_reasons(error: serde_json::Error) -> AppError {
    AppError::internal("stored reasons of a score", error)
}
