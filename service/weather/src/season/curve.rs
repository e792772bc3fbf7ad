//! The season as a curve of accumulated degree days: this year, normal, the band of past years, and
//! the fan of what may come.

use chrono::NaiveDate;
use serde::{Deserialize, Serialize};

use super::dates::{complete_days, daily_load};
use super::ensemble::WeatherPath;
use super::outlook::{base_years, season_range};
use super::{SeasonDefinition, SeasonError};
use crate::hot_spells::HotSpell;
use crate::quantile::{quantile, weighted_quantile_sorted};
use crate::series::{DayRange, StationSeries};

/// One day of the curve; all values are degree days accumulated since the season's first day.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct CurveDay {
    /// Calendar day.
    pub date: NaiveDate,
    /// This year, where known; a missing day adds nothing.
    pub this_year: Option<f64>,
    /// Median of the past years.
    pub normal: Option<f64>,
    /// Tenth percentile of the past years.
    pub past_p10: Option<f64>,
    /// Ninetieth percentile of the past years.
    pub past_p90: Option<f64>,
    /// Tenth percentile of what may come.
    pub ahead_p10: Option<f64>,
    /// Median of what may come.
    pub ahead_p50: Option<f64>,
    /// Ninetieth percentile of what may come.
    pub ahead_p90: Option<f64>,
}

/// A season's curve.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct SeasonCurve {
    /// Season year.
    pub year: i32,
    /// First day that is not known.
    pub as_of: NaiveDate,
    /// Every day of the season.
    pub days: Vec<CurveDay>,
    /// Hot spells of this year so far.
    pub hot_spells: Vec<HotSpell>,
    /// How many past years make the band.
    pub past_years: usize,
}

/// The curve of a season; `paths` from the as-of day to the season's end, may be empty.
///
/// # Errors
/// [`SeasonError::BadSeason`] for a year off the calendar.
pub fn season_curve(
    history: &StationSeries,
    year: i32,
    as_of: NaiveDate,
    paths: &[WeatherPath],
    definition: &SeasonDefinition,
) -> Result<SeasonCurve, SeasonError> {
    let season = season_range(year, definition)?;
    let past = past_curves(history, year, season, definition);
    let known_range =
        DayRange { first: season.first, last: as_of.pred_opt().unwrap_or(as_of).min(season.last) };
    let known = history.days_within(known_range);
    let load = daily_load(known, definition.load_base);
    let mut known_load = known.iter().zip(&load).peekable();
    let mut so_far = 0.0;
    let mut days: Vec<CurveDay> = Vec::with_capacity(season.days());
    for (at, date) in season.iter().enumerate() {
        if let Some((_, load)) = known_load.next_if(|(day, _)| day.date == date) {
            so_far += load;
        }
        let across: Vec<f64> = past.iter().filter_map(|curve| curve.get(at)).copied().collect();
        days.push(CurveDay {
            date,
            this_year: (date < as_of).then_some(so_far),
            normal: quantile(&across, 0.5),
            past_p10: quantile(&across, 0.1),
            past_p90: quantile(&across, 0.9),
            ahead_p10: None,
            ahead_p50: None,
            ahead_p90: None,
        });
    }
    add_fan(&mut days, so_far, paths, definition);
    let rule = definition.first_hot_spell.resolve(history, base_years(history, year));
    let hot_spells = rule.map_or_else(Vec::new, |rule| rule.spells(known));
    Ok(SeasonCurve { year, as_of, days, hot_spells, past_years: past.len() })
}

/// Accumulated load of the complete years before, day by day of the season.
fn past_curves(
    history: &StationSeries,
    year: i32,
    season: DayRange,
    definition: &SeasonDefinition,
) -> Vec<Vec<f64>> {
    let Some(years) = history.years() else { return Vec::new() };
    let curve = |source: i32| {
        let range = season_range(source, definition).ok()?;
        let days = complete_days(history, range)?;
        let load = daily_load(days, definition.load_base);
        let mut by_day = days.iter().zip(&load).peekable();
        let mut sum = 0.0;
        let accumulate = |date: NaiveDate| {
            if let Some((_, load)) = by_day.next_if(|(day, _)| day.date == date) {
                sum += load;
            }
            sum
        };
        let mut curve: Vec<f64> = range.iter().map(accumulate).collect();
        // A past year one day shorter ends level.
        curve.resize(season.days(), sum);
        Some(curve)
    };
    years.filter(|source| *source < year).filter_map(curve).collect()
}

fn add_fan(
    days: &mut [CurveDay],
    so_far: f64,
    paths: &[WeatherPath],
    definition: &SeasonDefinition,
) {
    let Some(first) = paths.first().and_then(|path| path.days.first()) else { return };
    let loads: Vec<(f64, Vec<f64>)> = paths
        .iter()
        .map(|path| (path.weight, daily_load(&path.days, definition.load_base)))
        .collect();
    let mut sums: Vec<(f64, f64)> = loads.iter().map(|(weight, _)| (so_far, *weight)).collect();
    let ahead = days.iter_mut().skip_while(|day| day.date < first.date);
    for (step, day) in ahead.enumerate() {
        for (sum, (_, load)) in sums.iter_mut().zip(&loads) {
            sum.0 += load.get(step).copied().unwrap_or(0.0);
        }
        let mut ascending = sums.clone();
        ascending.sort_by(|a, b| a.0.total_cmp(&b.0));
        day.ahead_p10 = weighted_quantile_sorted(&ascending, 0.1);
        day.ahead_p50 = weighted_quantile_sorted(&ascending, 0.5);
        day.ahead_p90 = weighted_quantile_sorted(&ascending, 0.9);
    }
}
