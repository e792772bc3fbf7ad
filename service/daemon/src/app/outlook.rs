//! The season of a branch: when heat begins, when the first hot spell comes, which week loads
//! most.

use chrono::{Datelike, NaiveDate};
use hotspell_store::branches::BranchRecord;
use hotspell_weather::season::{
    SeasonCurve, SeasonDefinition, SeasonOutlook, outlook, season_curve,
};

use super::heat::HeatBook;
use super::{AppError, weather};
use crate::state::AppState;

/// The outlook and the curve behind it.
#[derive(Debug, Clone)]
pub struct BranchSeason {
    /// Dates as distributions.
    pub outlook: SeasonOutlook,
    /// This year, normal and what may come.
    pub curve: SeasonCurve,
}

/// The season that a day lies in.
///
/// # Errors
/// [`AppError::NotReady`] without weather or with too few years of it.
pub fn of_branch(
    state: &AppState,
    branch: &BranchRecord,
    as_of: NaiveDate,
) -> Result<BranchSeason, AppError> {
    let record = weather::record(state, branch)?;
    let book = HeatBook::new(&record, as_of)?;
    let southern = branch.depot().is_some_and(|depot| depot.latitude_degrees < 0.0);
    let first_month = if southern { 7 } else { 1 };
    let definition = SeasonDefinition { first_month, ..SeasonDefinition::default() };
    let year = if as_of.month() < first_month { as_of.year() - 1 } else { as_of.year() };
    let told = |error: hotspell_weather::season::SeasonError| {
        AppError::NotReady(format!("season of station {}: {error}", record.station))
    };
    let outlook = outlook(&book.series, year, as_of, &[], &definition).map_err(told)?;
    let end = NaiveDate::from_ymd_opt(year, 12, 31).unwrap_or(as_of).max(as_of);
    let paths = book.paths(&[], end)?;
    let curve = season_curve(&book.series, year, as_of, &paths, &definition).map_err(told)?;
    Ok(BranchSeason { outlook, curve })
}
