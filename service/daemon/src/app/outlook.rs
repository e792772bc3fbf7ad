//! The season of a branch: when heat begins, when the first hot spell comes, which week loads
//! most.

use chrono::{Datelike, NaiveDate};
use hotspell_domain::DateRange;
use hotspell_store::branches::BranchRecord;
use hotspell_weather::degree_days::Base;
use hotspell_weather::season::{
    DateDistribution, SeasonCurve, SeasonDefinition, SeasonError, SeasonOutlook, SpellAhead,
    WeatherPath, ensemble, outlook_of_paths, season_curve, season_range, spell_ahead,
};
use hotspell_weather::series::StationSeries;
use hotspell_weather::temperature::TemperatureUnit as WeatherUnit;

use super::{AppError, weather};
use crate::state::AppState;

/// The outlook and the curve behind it.
#[derive(Debug, Clone)]
pub struct BranchSeason {
    /// Dates as distributions.
    pub outlook: SeasonOutlook,
    /// This year, normal and what may come.
    pub curve: SeasonCurve,
    /// The branch's base of degree days.
    pub base: Base,
    /// Days of forecast that went in.
    pub forecast_days: usize,
    /// How old the record is, when it is older than the settings allow.
    pub stale: Option<String>,
}

impl BranchSeason {
    /// The unit of every degree day of the season, such as «°F days above 65 °F».
    #[must_use]
    pub fn degree_day_unit(&self) -> String {
        let Base { degrees, unit } = self.base;
        format!("°{unit} days above {degrees} °{unit}")
    }

    /// What the outlook rests on, in a sentence.
    #[must_use]
    pub fn grounds(&self) -> String {
        let outlook = &self.outlook;
        let forecast = match self.forecast_days {
            0 => "without a forecast".to_owned(),
            1 => "the first day drawn to a forecast".to_owned(),
            days => format!("the first days drawn to a forecast of {days} days"),
        };
        format!(
            "Station {}, {} past years as what may come, {forecast}, percentiles from {} to {}.",
            outlook.station, outlook.source_years, outlook.base_years.0, outlook.base_years.1
        )
    }
}

/// The heat that the forecast brings.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum ForecastHeat {
    /// There is no forecast, or too little weather on record to judge it by.
    Unknown,
    /// No hot spell up to this day.
    None {
        /// The forecast's last day.
        until: NaiveDate,
    },
    /// A hot spell, by the season's own definition.
    Spell(SpellAhead),
}

/// Whether the newest forecast brings a hot spell.
///
/// # Errors
/// Those of the store.
pub fn forecast_heat(
    state: &AppState,
    branch: &BranchRecord,
    as_of: NaiveDate,
) -> Result<ForecastHeat, AppError> {
    let forecast = weather::forecast(state, branch, as_of)?;
    let Some(until) = forecast.last().map(|day| day.date) else {
        return Ok(ForecastHeat::Unknown);
    };
    let record = match weather::record(state, branch) {
        Ok(record) => record,
        Err(AppError::NotReady(_)) => return Ok(ForecastHeat::Unknown),
        Err(error) => return Err(error),
    };
    Ok(match spell_ahead(&record, as_of, &forecast, &definition(branch)) {
        Ok(Some(spell)) => ForecastHeat::Spell(spell),
        Ok(None) => ForecastHeat::None { until },
        // Too short a record has no percentiles to judge by.
        Err(_) => ForecastHeat::Unknown,
    })
}

/// What a season is where the branch is: its year begins when it is cold there.
fn definition(branch: &BranchRecord) -> SeasonDefinition {
    let first_month = if branch.is_southern() { 7 } else { 1 };
    SeasonDefinition { first_month, ..SeasonDefinition::default() }
}

/// The year in which the season of a day began.
fn season_year(definition: &SeasonDefinition, day: NaiveDate) -> i32 {
    if day.month() < definition.first_month { day.year() - 1 } else { day.year() }
}

/// The first and the last day of the season that a day lies in.
///
/// # Errors
/// [`AppError::Internal`] where the calendar has no such days.
pub fn season_days(branch: &BranchRecord, day: NaiveDate) -> Result<DateRange, AppError> {
    let definition = definition(branch);
    let days = season_range(season_year(&definition, day), &definition)
        .map_err(|error| AppError::internal("days of a season", error))?;
    Ok(DateRange { first: days.first, last: days.last })
}

/// What the outlook and the curve of a season are read off.
struct Grounds {
    record: StationSeries,
    /// The record without holes.
    series: StationSeries,
    forecast_days: usize,
    definition: SeasonDefinition,
    year: i32,
    as_of: NaiveDate,
    /// To the season's last day.
    paths: Vec<WeatherPath>,
}

impl Grounds {
    fn load(state: &AppState, branch: &BranchRecord, as_of: NaiveDate) -> Result<Self, AppError> {
        let record = weather::record(state, branch)?;
        let forecast = weather::forecast(state, branch, as_of)?;
        let series = weather::whole(&record, as_of)?.series;
        let definition = SeasonDefinition { load_base: base(branch), ..definition(branch) };
        let year = season_year(&definition, as_of);
        let season = season_range(year, &definition).map_err(|error| told(&record, &error))?;
        let paths = ensemble(&series, as_of, &forecast, season.last)
            .map_err(|error| told(&record, &error))?;
        let forecast_days = forecast.len();
        Ok(Self { record, series, forecast_days, definition, year, as_of, paths })
    }

    fn outlook(&self) -> Result<SeasonOutlook, AppError> {
        let paths = |_| Ok(self.paths.clone());
        outlook_of_paths(&self.series, self.year, self.as_of, &self.definition, paths)
            .map_err(|error| told(&self.record, &error))
    }

    fn curve(&self) -> Result<SeasonCurve, AppError> {
        season_curve(&self.series, self.year, self.as_of, &self.paths, &self.definition)
            .map_err(|error| told(&self.record, &error))
    }
}

fn told(record: &StationSeries, error: &SeasonError) -> AppError {
    AppError::NotReady(format!("season of station {}: {error}", record.station))
}

/// The branch's base of degree days.
fn base(branch: &BranchRecord) -> Base {
    Base { degrees: branch.degree_day_base, unit: WeatherUnit::from(branch.temperature_unit) }
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
    let grounds = Grounds::load(state, branch, as_of)?;
    Ok(BranchSeason {
        outlook: grounds.outlook()?,
        curve: grounds.curve()?,
        base: base(branch),
        forecast_days: grounds.forecast_days,
        stale: weather::staleness(state, &grounds.record, as_of),
    })
}

/// When the first hot spell comes in the season that a day lies in.
///
/// # Errors
/// As [`of_branch`].
pub fn first_hot_spell(
    state: &AppState,
    branch: &BranchRecord,
    as_of: NaiveDate,
) -> Result<DateDistribution, AppError> {
    Ok(Grounds::load(state, branch, as_of)?.outlook()?.first_hot_spell)
}
