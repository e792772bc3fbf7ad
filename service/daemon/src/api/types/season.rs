//! The season of a branch on the wire.

use chrono::NaiveDate;
use hotspell_weather::hot_spells::HotSpell;
use hotspell_weather::season::{CurveDay, DateDistribution, HeatSoFar};
use serde::Serialize;
use utoipa::ToSchema;

use crate::app::outlook::BranchSeason;

/// What can be said of a season on a day: from the record, the forecast and the past years.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct BranchSeasonView {
    /// The season's year; a number.
    #[schema(example = 2026)]
    pub year: i32,
    /// First day that is not known; everything before it is taken from the record.
    pub as_of: NaiveDate,
    /// The network's id of the weather station.
    #[schema(example = "USW00023183")]
    pub station: String,
    /// What it rests on, in a sentence.
    pub grounds: String,
    /// Why the record is older than it should be; absent while it is fresh.
    pub stale: Option<String>,
    /// Unit of every number of degree days below.
    #[schema(example = "°F days above 65 °F")]
    pub degree_day_unit: String,
    /// Number of past years that stand for what may come.
    pub source_years: usize,
    /// Number of days of forecast that went in.
    pub forecast_days: usize,
    /// When units begin to run in earnest.
    pub heat_begins: SeasonDateView,
    /// When the telephone rings.
    pub first_hot_spell: SeasonDateView,
    /// First day of the week with the most load.
    pub peak_week: SeasonDateView,
    /// Heat gathered so far; absent where too few past years are complete.
    pub heat_so_far: Option<HeatSoFarView>,
    /// Hot spells so far, in order.
    pub hot_spells: Vec<HotSpellView>,
    /// Number of past years behind the band of the curve.
    pub past_years: usize,
    /// Every day of the season.
    pub curve: Vec<SeasonDayView>,
}

/// When something comes, as a distribution. A quantile is absent when it stays away more often
/// than the rest of the probability.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct SeasonDateView {
    /// What it is, in words.
    pub definition: String,
    /// Probability that it comes in this season at all (no unit).
    pub probability: f64,
    /// Comes before this day in one year of ten. Planning goes by it.
    pub p10: Option<NaiveDate>,
    /// Comes before this day in one year of two.
    pub p50: Option<NaiveDate>,
    /// Comes before this day in nine years of ten.
    pub p90: Option<NaiveDate>,
}

/// Heat gathered from the season's first day to the day before `as_of`.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct HeatSoFarView {
    /// This year, in degree days of the stated unit.
    pub degree_days: f64,
    /// Number of days without a value; the sum stands for so many fewer.
    pub missing_days: usize,
    /// The normal over the same days, in degree days.
    pub normal: f64,
    /// Exceeded by nine past years of ten, in degree days.
    pub p10: f64,
    /// Exceeded by one past year of ten, in degree days.
    pub p90: f64,
    /// Share of past years that had less by then (no unit).
    pub warmer_than_share: f64,
}

/// A run of hot days.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct HotSpellView {
    /// First hot day.
    pub first_day: NaiveDate,
    /// Last hot day.
    pub last_day: NaiveDate,
    /// Number of days.
    pub days: usize,
}

/// One day of the curve: degree days gathered since the season's first day.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct SeasonDayView {
    /// The day.
    pub date: NaiveDate,
    /// This year in degree days, where known; a missing day adds nothing.
    pub this_year: Option<f64>,
    /// Median of the past years, in degree days.
    pub normal: Option<f64>,
    /// Tenth percentile of the past years, in degree days.
    pub past_p10: Option<f64>,
    /// Ninetieth percentile of the past years, in degree days.
    pub past_p90: Option<f64>,
    /// Tenth percentile of what may come, in degree days.
    pub ahead_p10: Option<f64>,
    /// Median of what may come, in degree days.
    pub ahead_p50: Option<f64>,
    /// Ninetieth percentile of what may come, in degree days.
    pub ahead_p90: Option<f64>,
}

impl From<&BranchSeason> for BranchSeasonView {
    fn from(season: &BranchSeason) -> Self {
        let outlook = &season.outlook;
        Self {
            year: outlook.year,
            as_of: outlook.as_of,
            station: outlook.station.clone(),
            grounds: season.grounds(),
            stale: season.stale.clone(),
            degree_day_unit: season.degree_day_unit(),
            source_years: outlook.source_years,
            forecast_days: season.forecast_days,
            heat_begins: (&outlook.heat_begins).into(),
            first_hot_spell: (&outlook.first_hot_spell).into(),
            peak_week: (&outlook.peak_week).into(),
            heat_so_far: outlook.heat_so_far.map(HeatSoFarView::from),
            hot_spells: season.curve.hot_spells.iter().map(HotSpellView::from).collect(),
            past_years: season.curve.past_years,
            curve: season.curve.days.iter().map(SeasonDayView::from).collect(),
        }
    }
}

impl From<&DateDistribution> for SeasonDateView {
    fn from(dates: &DateDistribution) -> Self {
        Self {
            definition: dates.definition.clone(),
            probability: dates.probability,
            p10: dates.p10,
            p50: dates.p50,
            p90: dates.p90,
        }
    }
}

impl From<HeatSoFar> for HeatSoFarView {
    fn from(heat: HeatSoFar) -> Self {
        Self {
            degree_days: heat.degree_days,
            missing_days: heat.missing_days,
            normal: heat.normal,
            p10: heat.p10,
            p90: heat.p90,
            warmer_than_share: heat.warmer_than_share,
        }
    }
}

impl From<&HotSpell> for HotSpellView {
    fn from(spell: &HotSpell) -> Self {
        Self { first_day: spell.first_day, last_day: spell.last_day, days: spell.days }
    }
}

impl From<&CurveDay> for SeasonDayView {
    fn from(day: &CurveDay) -> Self {
        Self {
            date: day.date,
            this_year: day.this_year,
            normal: day.normal,
            past_p10: day.past_p10,
            past_p90: day.past_p90,
            ahead_p10: day.ahead_p10,
            ahead_p50: day.ahead_p50,
            ahead_p90: day.ahead_p90,
        }
    }
}
