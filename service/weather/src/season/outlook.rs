//! What can be said of a season on a day.

use chrono::{Datelike, NaiveDate};
use serde::{Deserialize, Serialize};

use super::dates::{complete_days, daily_load, dates_of_days};
use super::ensemble::{EnsembleOptions, WeatherPath, ensemble_with};
use super::{FEWEST_YEARS, SeasonDefinition, SeasonError};
use crate::hot_spells::SpellRule;
use crate::normals::DayOfYearNormals;
use crate::quantile::{quantile_sorted, weighted_quantile_sorted};
use crate::series::{DailyTemperature, DayRange, StationSeries};

/// The years of the current climate normals.
const NORMAL_YEARS: std::ops::RangeInclusive<i32> = 1991..=2020;

/// When an event comes, as a distribution.
///
/// The quantiles are of the whole probability: a path on which the event never comes counts as
/// later than every date. So `p90` is none when the event stays away with more than a tenth, and
/// `p10` is the date before which it comes with a tenth. Between two days the earlier is given.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct DateDistribution {
    /// What the event is, in words.
    pub definition: String,
    /// Probability that it comes in this season at all.
    pub probability: f64,
    /// Date that it precedes with a probability of one tenth.
    pub p10: Option<NaiveDate>,
    /// Median date.
    pub p50: Option<NaiveDate>,
    /// Date by which it has come with nine tenths.
    pub p90: Option<NaiveDate>,
    /// Path by path, for those who need more than quantiles.
    #[serde(skip)]
    pub paths: Vec<PathDate>,
}

/// The date on one path.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PathDate {
    /// The past year that the path follows.
    pub source_year: i32,
    /// Its weight.
    pub weight: f64,
    /// The date; none where the event never comes.
    pub date: Option<NaiveDate>,
}

impl DateDistribution {
    /// Gathers the dates of weighted paths.
    pub fn new(definition: String, paths: Vec<PathDate>) -> Self {
        let origin = paths.iter().filter_map(|path| path.date).min();
        let mut days: Vec<(f64, f64)> = paths
            .iter()
            .map(|path| {
                let day = path.date.zip(origin).map(|(date, origin)| (date - origin).num_days());
                (day.map_or(f64::INFINITY, |day| day as f64), path.weight)
            })
            .collect();
        days.sort_by(|a, b| a.0.total_cmp(&b.0));
        let quantile = |probability: f64| {
            let day = weighted_quantile_sorted(&days, probability)?;
            // A hair forgives the rounding of weights; beyond it the earlier day is the safer one.
            let whole = day.is_finite().then_some((day + 1e-6).floor() as u64)?;
            origin?.checked_add_days(chrono::Days::new(whole))
        };
        // From the other side, so that certainty is one and not one less a rounding.
        let stays_away: f64 =
            paths.iter().filter(|path| path.date.is_none()).map(|path| path.weight).sum();
        Self {
            definition,
            probability: (1.0 - stays_away).max(0.0),
            p10: quantile(0.1),
            p50: quantile(0.5),
            p90: quantile(0.9),
            paths,
        }
    }

    /// Probability that the event has come by the end of a day.
    pub fn by(&self, day: NaiveDate) -> f64 {
        let come = |path: &&PathDate| path.date.is_some_and(|date| date <= day);
        self.paths.iter().filter(come).map(|path| path.weight).sum()
    }
}

/// Cumulative heat of the season so far.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct HeatSoFar {
    /// Degree days from the season's first day to the day before the as-of day, simple mean, in
    /// the unit of the definition's base.
    pub degree_days: f64,
    /// Days without a usable value in that stretch; the sum stands for that many fewer.
    pub missing_days: usize,
    /// Sum of the smoothed normals over the same days.
    pub normal: f64,
    /// Tenth percentile of the past years over the same calendar days.
    pub p10: f64,
    /// Ninetieth percentile.
    pub p90: f64,
    /// Share of past years that had less by then.
    pub warmer_than_share: f64,
}

/// What can be said.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct SeasonOutlook {
    /// Station identifier.
    pub station: String,
    /// Season year.
    pub year: i32,
    /// First day that is not known: everything before it is taken from the record.
    pub as_of: NaiveDate,
    /// When heat begins.
    pub heat_begins: DateDistribution,
    /// When the first hot spell begins.
    pub first_hot_spell: DateDistribution,
    /// First day of the week with the most load.
    pub peak_week: DateDistribution,
    /// Heat so far; none where too few past years are complete.
    pub heat_so_far: Option<HeatSoFar>,
    /// Years whose percentiles the definitions use, first and last.
    pub base_years: (i32, i32),
    /// Past years that the paths follow.
    pub source_years: usize,
}

/// The days of a season year.
///
/// # Errors
/// [`SeasonError::BadSeason`] where the calendar has no such days.
pub fn season_range(year: i32, definition: &SeasonDefinition) -> Result<DayRange, SeasonError> {
    let bad = SeasonError::BadSeason { year, first_month: definition.first_month };
    let start = |year| NaiveDate::from_ymd_opt(year, definition.first_month, 1);
    let last = year.checked_add(1).and_then(start).and_then(|next| next.pred_opt());
    start(year).zip(last).map(|(first, last)| DayRange { first, last }).ok_or(bad)
}

/// The years that percentiles are taken from: 1991-2020 where the record has most of them, else
/// all years before the season.
pub(super) fn base_years(history: &StationSeries, year: i32) -> std::ops::RangeInclusive<i32> {
    let held = NORMAL_YEARS
        .filter(|year| {
            crate::series::year_range(*year)
                .is_some_and(|range| history.days_within(range).len() >= 330)
        })
        .count();
    match history.years() {
        Some(years) if held < 20 => *years.start()..=(year - 1).max(*years.start()),
        _ => NORMAL_YEARS,
    }
}

/// The outlook of a season on a day, with the default ensemble.
///
/// # Errors
/// [`SeasonError`] when the record has too few years.
pub fn outlook(
    history: &StationSeries,
    year: i32,
    as_of: NaiveDate,
    forecast: &[DailyTemperature],
    definition: &SeasonDefinition,
) -> Result<SeasonOutlook, SeasonError> {
    outlook_of_paths(history, year, as_of, definition, |end| {
        ensemble_with(
            history,
            as_of.max(season_range(year, definition)?.first),
            forecast,
            end,
            &EnsembleOptions::default(),
        )
    })
}

/// The outlook read off paths that `paths` makes up to the season's last day.
///
/// # Errors
/// [`SeasonError`] from the paths, or when the record has no day to take percentiles from.
pub fn outlook_of_paths(
    history: &StationSeries,
    year: i32,
    as_of: NaiveDate,
    definition: &SeasonDefinition,
    paths: impl FnOnce(NaiveDate) -> Result<Vec<WeatherPath>, SeasonError>,
) -> Result<SeasonOutlook, SeasonError> {
    let season = season_range(year, definition)?;
    let base = base_years(history, year);
    let too_few = SeasonError::TooFewYears {
        usable: 0,
        needed: FEWEST_YEARS,
        from: season.first,
        to: season.last,
    };
    let resolve = |wanted: &crate::hot_spells::SpellDefinition| {
        wanted.resolve(history, base.clone()).ok_or_else(|| too_few.clone())
    };
    let (heat_rule, spell_rule) =
        (resolve(&definition.heat_begins)?, resolve(&definition.first_hot_spell)?);
    let paths = if as_of > season.last {
        vec![WeatherPath { source_year: year, weight: 1.0, days: Vec::new() }]
    } else {
        paths(season.last)?
    };
    let known = known_days(history, season, as_of);
    let dates = path_dates(known, &paths, &heat_rule, &spell_rule, definition);
    let [heat, spell, peak] = dates;
    Ok(SeasonOutlook {
        station: history.station.clone(),
        year,
        as_of,
        heat_begins: DateDistribution::new(definition.heat_begins.describe(), heat),
        first_hot_spell: DateDistribution::new(definition.first_hot_spell.describe(), spell),
        peak_week: DateDistribution::new(
            format!("seven days in a row with the most degree days, base {}", definition.load_base),
            peak,
        ),
        heat_so_far: heat_so_far(history, year, season, as_of, definition),
        base_years: (*base.start(), *base.end()),
        source_years: paths.len(),
    })
}

fn known_days(history: &StationSeries, season: DayRange, as_of: NaiveDate) -> &[DailyTemperature] {
    match as_of.pred_opt() {
        Some(before) if before >= season.first => {
            history.days_within(DayRange { first: season.first, last: before.min(season.last) })
        }
        _ => &[],
    }
}

/// Heat, spell and peak on each path, the known days before it.
fn path_dates(
    known: &[DailyTemperature],
    paths: &[WeatherPath],
    heat: &SpellRule,
    spell: &SpellRule,
    definition: &SeasonDefinition,
) -> [Vec<PathDate>; 3] {
    let mut days = known.to_vec();
    let mut load = daily_load(known, definition.load_base);
    let mut dates = [const { Vec::new() }; 3];
    for path in paths {
        days.truncate(known.len());
        days.extend_from_slice(&path.days);
        load.truncate(known.len());
        load.extend(daily_load(&path.days, definition.load_base));
        let found = dates_of_days(&days, heat, spell, &load);
        for (held, date) in
            dates.iter_mut().zip([found.heat_begins, found.first_hot_spell, found.peak_week])
        {
            held.push(PathDate { source_year: path.source_year, weight: path.weight, date });
        }
    }
    dates
}

fn heat_so_far(
    history: &StationSeries,
    year: i32,
    season: DayRange,
    as_of: NaiveDate,
    definition: &SeasonDefinition,
) -> Option<HeatSoFar> {
    let known = known_days(history, season, as_of);
    let elapsed = DayRange { first: season.first, last: as_of.pred_opt()?.min(season.last) };
    let degree_days = daily_load(known, definition.load_base).iter().sum();
    let mut past = Vec::new();
    let mut daily = Vec::new();
    for source in history.years()?.filter(|source| *source < year) {
        let Ok(range) = season_range(source, definition) else { continue };
        let Some(days) = complete_days(history, range) else { continue };
        let load = daily_load(days, definition.load_base);
        daily.extend(days.iter().zip(&load).map(|(day, load)| (day.date, *load)));
        let far = elapsed.days() as i64;
        let so_far = days
            .iter()
            .zip(&load)
            .filter(|(day, _)| (day.date - range.first).num_days() < far)
            .map(|(_, load)| load)
            .sum();
        past.push(so_far);
    }
    // The last thirty years are what people call normal.
    let recent = year - 30;
    daily.retain(|(date, _)| date.year() >= recent);
    past.sort_by(f64::total_cmp);
    if past.len() < FEWEST_YEARS {
        return None;
    }
    let normals = DayOfYearNormals::from_values(daily);
    let normal = elapsed.iter().map(|date| normals.smoothed(date)).sum::<Option<f64>>()?;
    Some(HeatSoFar {
        degree_days,
        missing_days: elapsed.days() - known.len(),
        normal,
        p10: quantile_sorted(&past, 0.1)?,
        p90: quantile_sorted(&past, 0.9)?,
        warmer_than_share: past.iter().filter(|so_far| **so_far < degree_days).count() as f64
            / past.len() as f64,
    })
}
