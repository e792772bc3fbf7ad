//! The season of a station and a year: when heat begins, when the first hot spell comes, which
//! week loads most, each as a distribution over weather paths.
//!
//! [`ensemble()`] makes the paths: the past years, brought to today's climate, moved by how this
//! year stands, with the forecast of the next seven days blended in. [`outlook()`] reads the dates off
//! them. [`hindcast()`] scores what would have been said. Plan against the early tail (p10), not the
//! median: a visit after the first hot spell is a no-cool call.

mod curve;
mod dates;
mod ensemble;
mod heat_ahead;
mod hindcast;
mod outlook;

use serde::{Deserialize, Serialize};
use thiserror::Error;

pub use self::curve::{CurveDay, SeasonCurve, season_curve};
pub use self::dates::{YearDates, first_day_of_load_share, peak_week, year_dates};
pub use self::ensemble::{
    EnsembleOptions, FORECAST_SKILL, SourceYears, WeatherPath, climatology_paths, ensemble,
    ensemble_with,
};
pub use self::heat_ahead::{SpellAhead, spell_ahead};
pub use self::hindcast::{EventScore, Hindcast, HindcastEvent, hindcast};
pub use self::outlook::{
    DateDistribution, HeatSoFar, PathDate, SeasonOutlook, outlook, outlook_of_paths, season_range,
};
use crate::degree_days::Base;
use crate::hot_spells::SpellDefinition;

/// What the words of a season mean at a station.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct SeasonDefinition {
    /// When units begin to run in earnest.
    pub heat_begins: SpellDefinition,
    /// When the telephone rings.
    pub first_hot_spell: SpellDefinition,
    /// Base of the degree days (simple mean) that measure load.
    pub load_base: Base,
    /// First month of the season year: 1 north of the equator, 7 south of it.
    pub first_month: u32,
}

impl Default for SeasonDefinition {
    /// Heat begins: three days in a row with a mean of at least 75 °F (common practice, no source).
    /// First hot spell: three days in a row with a mean above the 95th percentile of the base years
    /// (percentile and length as in Nairn & Fawcett 2015). Load: base 65 °F.
    fn default() -> Self {
        Self {
            heat_begins: SpellDefinition::MeanAtLeast { fahrenheit: 75.0, consecutive_days: 3 },
            first_hot_spell: SpellDefinition::MeanAbovePercentile {
                percentile: 95.0,
                consecutive_days: 3,
            },
            load_base: Base::FAHRENHEIT_65,
            first_month: 1,
        }
    }
}

/// Why a season cannot be told.
#[derive(Debug, Clone, PartialEq, Eq, Error)]
pub enum SeasonError {
    /// Not enough years to make a distribution of.
    #[error(
        "only {usable} past years of the record cover {from} to {to} well enough and {needed} are needed; give a longer record or a neighbouring station"
    )]
    TooFewYears {
        /// Years that can be used.
        usable: usize,
        /// Fewest years.
        needed: usize,
        /// First day wanted.
        from: chrono::NaiveDate,
        /// Last day wanted.
        to: chrono::NaiveDate,
    },
    /// A year or month that the calendar cannot express, or a stretch with its ends swapped.
    #[error("season year {year} from month {first_month} is not on the calendar")]
    BadSeason {
        /// The year.
        year: i32,
        /// The month.
        first_month: u32,
    },
    /// A stretch of more than two years.
    #[error("an ensemble from {from} to {to} is not between one day and two years long")]
    BadStretch {
        /// First day.
        from: chrono::NaiveDate,
        /// Last day.
        to: chrono::NaiveDate,
    },
}

/// Fewest past years for a distribution.
pub const FEWEST_YEARS: usize = 8;
