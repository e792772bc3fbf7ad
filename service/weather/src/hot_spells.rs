//! Hot spells by their published definitions: runs of days over a percentile or a threshold, and
//! the excess heat factor.

mod excess_heat;

use chrono::{Datelike, NaiveDate};
use serde::{Deserialize, Serialize};

pub use self::excess_heat::{
    ExcessHeatBase, ExcessHeatDay, ExcessHeatSeverity, ExcessHeatVariant, excess_heat_days,
};
use crate::quantile::quantile;
use crate::series::{DailyTemperature, StationSeries};
use crate::temperature::whole_fahrenheit;

/// What makes a day hot, before the station's own numbers are put in.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(tag = "kind", rename_all = "snake_case")]
pub enum SpellDefinition {
    /// Mean of the day's extremes strictly above this percentile of all daily means of the base
    /// years, on consecutive days (percentile spells as in the WMO/ETCCDI practice of 90th to 95th
    /// percentiles; the run of three days follows Nairn & Fawcett 2015).
    MeanAbovePercentile {
        /// Percentile, 0..=100.
        percentile: f64,
        /// Days in a row.
        consecutive_days: usize,
    },
    /// As above with the daily maximum.
    MaximumAbovePercentile {
        /// Percentile, 0..=100.
        percentile: f64,
        /// Days in a row.
        consecutive_days: usize,
    },
    /// Mean of the whole-°F extremes at least this, on consecutive days.
    MeanAtLeast {
        /// Threshold, °F.
        fahrenheit: f64,
        /// Days in a row.
        consecutive_days: usize,
    },
    /// Whole-°F maximum at least this, on consecutive days.
    MaximumAtLeast {
        /// Threshold, °F.
        fahrenheit: f64,
        /// Days in a row.
        consecutive_days: usize,
    },
    /// Positive excess heat factor (Nairn & Fawcett 2015), same-day means, forward window.
    ExcessHeat,
}

impl SpellDefinition {
    /// In words, for a result that is read apart from its code.
    pub fn describe(&self) -> String {
        match self {
            Self::MeanAbovePercentile { percentile, consecutive_days } => format!(
                "{consecutive_days} days in a row with the daily mean above the station's {percentile}th percentile"
            ),
            Self::MaximumAbovePercentile { percentile, consecutive_days } => format!(
                "{consecutive_days} days in a row with the maximum above the station's {percentile}th percentile"
            ),
            Self::MeanAtLeast { fahrenheit, consecutive_days } => format!(
                "{consecutive_days} days in a row with the daily mean at least {fahrenheit} °F"
            ),
            Self::MaximumAtLeast { fahrenheit, consecutive_days } => format!(
                "{consecutive_days} days in a row with the maximum at least {fahrenheit} °F"
            ),
            Self::ExcessHeat => "positive excess heat factor (Nairn & Fawcett 2015)".to_owned(),
        }
    }

    /// Puts the station's numbers of the base years into the definition; none when it has none.
    pub fn resolve(
        &self,
        series: &StationSeries,
        base_years: std::ops::RangeInclusive<i32>,
    ) -> Option<SpellRule> {
        let base = || series.days.iter().filter(|day| base_years.contains(&day.date.year()));
        let quantile_of = |element: fn(&DailyTemperature) -> f64, percentile: f64| {
            let values: Vec<f64> = base().map(element).collect();
            quantile(&values, percentile / 100.0)
        };
        Some(match *self {
            Self::MeanAbovePercentile { percentile, consecutive_days } => SpellRule::MeanAbove {
                doubled_tenths: quantile_of(doubled_tenths, percentile)?,
                consecutive_days,
            },
            Self::MaximumAbovePercentile { percentile, consecutive_days } => {
                SpellRule::MaximumAbove {
                    tenths: quantile_of(tenths_of_tmax, percentile)?,
                    consecutive_days,
                }
            }
            Self::MeanAtLeast { fahrenheit, consecutive_days } => {
                SpellRule::MeanAtLeast { fahrenheit, consecutive_days }
            }
            Self::MaximumAtLeast { fahrenheit, consecutive_days } => {
                SpellRule::MaximumAtLeast { fahrenheit, consecutive_days }
            }
            Self::ExcessHeat => SpellRule::ExcessHeat {
                base: ExcessHeatBase::of_series(
                    series,
                    base_years,
                    ExcessHeatVariant::FORWARD_SAME_DAY,
                )?,
            },
        })
    }
}

/// Sum of the extremes in tenths of a degree: twice ten times the mean, free of the rounding that
/// would break ties at random.
fn doubled_tenths(day: &DailyTemperature) -> f64 {
    clean((day.tmax_celsius + day.tmin_celsius) * 10.0)
}

fn tenths_of_tmax(day: &DailyTemperature) -> f64 {
    clean(day.tmax_celsius * 10.0)
}

/// Rounds away what floating point adds beyond a millionth.
fn clean(value: f64) -> f64 {
    (value * 1e6).round() / 1e6
}

/// A definition with the station's numbers in it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum SpellRule {
    /// Twice ten times the daily mean strictly above this.
    MeanAbove {
        /// Threshold in doubled tenths of °C.
        doubled_tenths: f64,
        /// Days in a row.
        consecutive_days: usize,
    },
    /// Ten times the maximum strictly above this.
    MaximumAbove {
        /// Threshold in tenths of °C.
        tenths: f64,
        /// Days in a row.
        consecutive_days: usize,
    },
    /// Mean of whole-°F extremes at least this.
    MeanAtLeast {
        /// Threshold, °F.
        fahrenheit: f64,
        /// Days in a row.
        consecutive_days: usize,
    },
    /// Whole-°F maximum at least this.
    MaximumAtLeast {
        /// Threshold, °F.
        fahrenheit: f64,
        /// Days in a row.
        consecutive_days: usize,
    },
    /// Excess heat factor positive.
    ExcessHeat {
        /// The station's thresholds.
        base: ExcessHeatBase,
    },
}

/// Smallest step by which "strictly above" is taken to differ, tenths of a degree.
const TIE_TENTHS: f64 = 1e-6;

impl SpellRule {
    /// The threshold in °C, where the rule is one of percentiles.
    pub fn threshold_celsius(&self) -> Option<f64> {
        match self {
            Self::MeanAbove { doubled_tenths, .. } => Some(doubled_tenths / 20.0),
            Self::MaximumAbove { tenths, .. } => Some(tenths / 10.0),
            Self::ExcessHeat { base } => Some(base.t95_celsius),
            Self::MeanAtLeast { .. } | Self::MaximumAtLeast { .. } => None,
        }
    }

    /// How many hot days in a row make a spell.
    pub fn consecutive_days(&self) -> usize {
        match self {
            Self::MeanAbove { consecutive_days, .. }
            | Self::MaximumAbove { consecutive_days, .. }
            | Self::MeanAtLeast { consecutive_days, .. }
            | Self::MaximumAtLeast { consecutive_days, .. } => *consecutive_days,
            // Three days are in the factor's own window.
            Self::ExcessHeat { .. } => 1,
        }
    }

    fn is_hot(&self, day: &DailyTemperature) -> bool {
        match self {
            Self::MeanAbove { doubled_tenths: limit, .. } => {
                doubled_tenths(day) > limit + TIE_TENTHS
            }
            Self::MaximumAbove { tenths, .. } => tenths_of_tmax(day) > tenths + TIE_TENTHS,
            Self::MeanAtLeast { fahrenheit, .. } => {
                let sum = whole_fahrenheit(day.tmin_celsius) + whole_fahrenheit(day.tmax_celsius);
                sum / 2.0 >= *fahrenheit
            }
            Self::MaximumAtLeast { fahrenheit, .. } => {
                whole_fahrenheit(day.tmax_celsius) >= *fahrenheit
            }
            Self::ExcessHeat { .. } => false,
        }
    }

    /// The value whose height is reported for a spell, °C.
    fn height(&self, day: &DailyTemperature) -> f64 {
        match self {
            Self::MaximumAbove { .. } | Self::MaximumAtLeast { .. } => day.tmax_celsius,
            _ => day.mean_celsius(),
        }
    }

    /// All spells in days that are in order. A missing day ends a spell.
    pub fn spells(&self, days: &[DailyTemperature]) -> Vec<HotSpell> {
        let hot = self.hot_days(days);
        let run = |a: &(DailyTemperature, bool), b: &(DailyTemperature, bool)| {
            a.1 && b.1 && a.0.date.succ_opt() == Some(b.0.date)
        };
        let marked: Vec<(DailyTemperature, bool)> = days.iter().copied().zip(hot).collect();
        marked
            .chunk_by(run)
            .filter(|run| run.len() >= self.consecutive_days())
            .filter_map(|run| {
                let (first, last) = (run.first()?, run.last()?);
                first.1.then(|| HotSpell {
                    first_day: first.0.date,
                    last_day: last.0.date,
                    days: run.len(),
                    highest_celsius: run
                        .iter()
                        .map(|(day, _)| self.height(day))
                        .fold(f64::NEG_INFINITY, f64::max),
                })
            })
            .collect()
    }

    /// First day of the first spell; quicker than listing all.
    pub fn first_spell(&self, days: &[DailyTemperature]) -> Option<NaiveDate> {
        if matches!(self, Self::ExcessHeat { .. }) {
            return self.spells(days).first().map(|spell| spell.first_day);
        }
        let mut run = 0;
        let mut before: Option<NaiveDate> = None;
        for (at, day) in days.iter().enumerate() {
            let follows = before.and_then(|date| date.succ_opt()) == Some(day.date);
            run = match (self.is_hot(day), follows) {
                (false, _) => 0,
                (true, false) => 1,
                (true, true) => run + 1,
            };
            if run >= self.consecutive_days().max(1) {
                return days.get(at + 1 - run).map(|first| first.date);
            }
            before = Some(day.date);
        }
        None
    }

    fn hot_days(&self, days: &[DailyTemperature]) -> Vec<bool> {
        match self {
            Self::ExcessHeat { base } => {
                let factors = excess_heat_days(days, base);
                let mut positive =
                    factors.iter().filter(|day| day.is_positive()).map(|day| day.date).peekable();
                days.iter()
                    .map(|day| {
                        while positive.next_if(|date| *date < day.date).is_some() {}
                        positive.peek() == Some(&day.date)
                    })
                    .collect()
            }
            _ => days.iter().map(|day| self.is_hot(day)).collect(),
        }
    }
}

/// One hot spell.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct HotSpell {
    /// First hot day; the spell belongs to its year.
    pub first_day: NaiveDate,
    /// Last hot day.
    pub last_day: NaiveDate,
    /// Length.
    pub days: usize,
    /// Highest value of the element that the definition looks at, °C.
    pub highest_celsius: f64,
}
