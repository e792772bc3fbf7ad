//! The excess heat factor: how much hotter three days are than the station's hot days, and than
//! what people (and machines) have got used to in the month before.
//!
//! Source: J. Nairn & R. Fawcett, "The excess heat factor: a metric for heatwave intensity and its
//! use in classifying heatwave severity", International Journal of Environmental Research and
//! Public Health 12 (2015) 227-253. The paper pairs a day's maximum with the following minimum;
//! the default here takes both of one calendar day, as daily archives give them.

use chrono::{Datelike, NaiveDate};
use serde::{Deserialize, Serialize};

use crate::quantile::quantile;
use crate::series::{DailyTemperature, StationSeries};

/// Which days and which minimum make the daily mean.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub struct ExcessHeatVariant {
    /// Index a value by the last of its three days (for alerts) instead of the first.
    pub backward: bool,
    /// Pair the maximum with the minimum of the following night.
    pub next_night: bool,
}

impl ExcessHeatVariant {
    /// Indexed by the first of three days, extremes of one calendar day.
    pub const FORWARD_SAME_DAY: Self = Self { backward: false, next_night: false };
    /// Indexed by the last of three days: known on the day itself.
    pub const BACKWARD_SAME_DAY: Self = Self { backward: true, next_night: false };
    /// The pairing of the paper.
    pub const FORWARD_NEXT_NIGHT: Self = Self { backward: false, next_night: true };
}

/// A station's thresholds from its base years.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ExcessHeatBase {
    /// 95th percentile of all daily means, °C.
    pub t95_celsius: f64,
    /// 85th percentile of the positive factors, K²; none when there is no positive one.
    pub ehf85: Option<f64>,
    /// Days with a positive factor in the base years.
    pub positive_days: usize,
    /// The variant that the numbers are for.
    pub variant: ExcessHeatVariant,
}

/// A factor of at most this counts as not positive (rounding of temperature means).
const POSITIVE: f64 = 1e-9;

impl ExcessHeatBase {
    /// From the base years of a series; none when they hold no day.
    pub fn of_series(
        series: &StationSeries,
        years: std::ops::RangeInclusive<i32>,
        variant: ExcessHeatVariant,
    ) -> Option<Self> {
        let means = daily_means(&series.days, variant);
        let base: Vec<f64> = means
            .iter()
            .filter(|(date, _)| years.contains(&date.year()))
            .map(|(_, mean)| *mean)
            .collect();
        let t95_celsius = quantile(&base, 0.95)?;
        let base = Self { t95_celsius, ehf85: None, positive_days: 0, variant };
        let positive: Vec<f64> = excess_heat_days(&series.days, &base)
            .iter()
            .filter(|day| years.contains(&day.date.year()) && day.is_positive())
            .map(|day| day.factor)
            .collect();
        Some(Self { ehf85: quantile(&positive, 0.85), positive_days: positive.len(), ..base })
    }

    /// Severity of a factor: its ratio to the 85th percentile.
    pub fn severity(&self, factor: f64) -> Option<f64> {
        self.ehf85.map(|ehf85| factor / ehf85)
    }

    /// The class of a factor; none where the base has no positive day to measure against.
    pub fn class(&self, factor: f64) -> Option<ExcessHeatSeverity> {
        let severity = self.severity(factor)?;
        Some(if factor <= POSITIVE {
            ExcessHeatSeverity::None
        } else if severity < 1.0 {
            ExcessHeatSeverity::LowIntensity
        } else if severity < 3.0 {
            ExcessHeatSeverity::Severe
        } else {
            ExcessHeatSeverity::Extreme
        })
    }
}

/// The classes of Nairn & Fawcett.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum ExcessHeatSeverity {
    /// No positive factor.
    None,
    /// Positive, below the 85th percentile.
    LowIntensity,
    /// From the 85th percentile.
    Severe,
    /// From three times it.
    Extreme,
}

/// The factor of one three-day period.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct ExcessHeatDay {
    /// First (or, backward, last) of the three days.
    pub date: NaiveDate,
    /// Mean of the three days less the 95th percentile, K.
    pub significance: f64,
    /// Mean of the three days less the mean of the thirty before, K.
    pub acclimatisation: f64,
    /// Significance times the greater of one and acclimatisation, K².
    pub factor: f64,
}

impl ExcessHeatDay {
    /// Whether the factor counts as positive.
    pub fn is_positive(&self) -> bool {
        self.factor > POSITIVE
    }
}

/// The factor wherever the three days and the thirty before them are all there. Without them there
/// is no value, which is not the same as zero.
pub fn excess_heat_days(days: &[DailyTemperature], base: &ExcessHeatBase) -> Vec<ExcessHeatDay> {
    let means = daily_means(days, base.variant);
    let unbroken = means.chunk_by(|a, b| a.0.succ_opt() == Some(b.0));
    unbroken.flat_map(|run| factors_of_run(run, base)).collect()
}

fn factors_of_run(run: &[(NaiveDate, f64)], base: &ExcessHeatBase) -> Vec<ExcessHeatDay> {
    run.windows(33)
        .filter_map(|window| {
            let (before, three) = window.split_at_checked(30)?;
            let mean = |days: &[(NaiveDate, f64)]| {
                days.iter().map(|(_, mean)| mean).sum::<f64>() / days.len() as f64
            };
            let t3 = mean(three);
            let significance = t3 - base.t95_celsius;
            let acclimatisation = t3 - mean(before);
            let day = if base.variant.backward { three.last()? } else { three.first()? };
            Some(ExcessHeatDay {
                date: day.0,
                significance,
                acclimatisation,
                factor: significance * acclimatisation.max(1.0),
            })
        })
        .collect()
}

fn daily_means(days: &[DailyTemperature], variant: ExcessHeatVariant) -> Vec<(NaiveDate, f64)> {
    if !variant.next_night {
        return days.iter().map(|day| (day.date, day.mean_celsius())).collect();
    }
    days.windows(2)
        .filter(|pair| pair[0].date.succ_opt() == Some(pair[1].date))
        .map(|pair| (pair[0].date, f64::midpoint(pair[0].tmax_celsius, pair[1].tmin_celsius)))
        .collect()
}
