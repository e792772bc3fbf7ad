//! Degree days: any base, either sense, by the method that the contract, the utility or the record
//! asks for. Method, base and unit travel with every number.

pub mod formula;
pub mod monthly;

use std::fmt;
use std::str::FromStr;

use chrono::NaiveDate;
use serde::{Deserialize, Serialize};
use thiserror::Error;

use self::formula::{mean_excess, modified_mean_excess, sine_excess, triangle_excess};
use crate::series::{DailyTemperature, DayRange, StationSeries};
use crate::temperature::{TemperatureUnit, whole_fahrenheit};

/// How a day's degree days are computed.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Method {
    /// Excess of the mean of the day's extremes above the base.
    Mean,
    /// The U.S. weather service's daily climate report: whole °F extremes, their mean rounded half
    /// up, excess above the base. Exists in °F only. (Rule from memory of NWS climate reports.)
    RoundedMean,
    /// As `Mean`, with each extreme first limited to the thresholds.
    ModifiedMean,
    /// A sine between the day's extremes.
    SingleSine,
    /// Half a sine from this day's minimum to its maximum, half from there to the next minimum.
    DoubleSine,
    /// Straight lines between the day's extremes.
    SingleTriangle,
    /// Straight lines to the maximum and on to the next day's minimum.
    DoubleTriangle,
    /// Sum over the hours of the excess, divided by the hours of the day; needs hourly input.
    Hourly,
}

impl Method {
    /// Every method, in the order of the documentation.
    pub const ALL: [Self; 8] = [
        Self::Mean,
        Self::RoundedMean,
        Self::ModifiedMean,
        Self::SingleSine,
        Self::DoubleSine,
        Self::SingleTriangle,
        Self::DoubleTriangle,
        Self::Hourly,
    ];

    /// The name used on the command line, in the store and in results.
    pub fn name(self) -> &'static str {
        match self {
            Self::Mean => "mean",
            Self::RoundedMean => "rounded-mean",
            Self::ModifiedMean => "modified-mean",
            Self::SingleSine => "single-sine",
            Self::DoubleSine => "double-sine",
            Self::SingleTriangle => "single-triangle",
            Self::DoubleTriangle => "double-triangle",
            Self::Hourly => "hourly",
        }
    }
}

impl fmt::Display for Method {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.name())
    }
}

impl FromStr for Method {
    type Err = DegreeDayError;

    fn from_str(text: &str) -> Result<Self, Self::Err> {
        let found = Self::ALL.into_iter().find(|method| method.name() == text);
        found.ok_or_else(|| DegreeDayError::UnknownMethod { given: text.to_owned() })
    }
}

/// What is counted: heat above the base, or cold below it.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Sense {
    /// Excess above the base.
    Cooling,
    /// Deficit below the base.
    Heating,
}

/// A base temperature in the unit in which it was agreed; results count in the same unit.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Base {
    /// The number, such as 65.
    pub degrees: f64,
    /// Its unit.
    pub unit: TemperatureUnit,
}

impl Base {
    /// 65 °F, the base of the U.S. degree-day normals.
    pub const FAHRENHEIT_65: Self = Self { degrees: 65.0, unit: TemperatureUnit::Fahrenheit };
    /// 18 °C, the usual base elsewhere.
    pub const CELSIUS_18: Self = Self { degrees: 18.0, unit: TemperatureUnit::Celsius };

    /// The base in degrees Celsius.
    pub fn celsius(self) -> f64 {
        self.unit.to_celsius(self.degrees)
    }
}

impl fmt::Display for Base {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}{}", self.degrees, self.unit)
    }
}

impl FromStr for Base {
    type Err = DegreeDayError;

    /// Reads `65F`, `18C`, `18.5 C`.
    fn from_str(text: &str) -> Result<Self, Self::Err> {
        let wrong = || DegreeDayError::BadBase { given: text.to_owned() };
        let trimmed = text.trim();
        let (unit, number) = if let Some(number) = trimmed.strip_suffix(['F', 'f']) {
            (TemperatureUnit::Fahrenheit, number)
        } else if let Some(number) = trimmed.strip_suffix(['C', 'c']) {
            (TemperatureUnit::Celsius, number)
        } else {
            return Err(wrong());
        };
        let degrees: f64 = number.trim().parse().map_err(|_| wrong())?;
        let base = Self { degrees, unit };
        if !degrees.is_finite() || !(-80.0..=80.0).contains(&base.celsius()) {
            return Err(wrong());
        }
        Ok(base)
    }
}

impl TryFrom<String> for Base {
    type Error = DegreeDayError;

    fn try_from(text: String) -> Result<Self, Self::Error> {
        text.parse()
    }
}

impl Serialize for Base {
    fn serialize<S: serde::Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.collect_str(self)
    }
}

impl<'de> Deserialize<'de> for Base {
    fn deserialize<D: serde::Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        String::deserialize(deserializer)?.parse().map_err(serde::de::Error::custom)
    }
}

/// Why degree days cannot be computed as asked.
#[derive(Debug, Clone, PartialEq, Error)]
pub enum DegreeDayError {
    /// Not a number with a unit, or not a temperature of this planet.
    #[error("base \"{given}\" is not a temperature with its unit; write it like 65F or 18C")]
    BadBase {
        /// The text as given.
        given: String,
    },
    /// No method of that name.
    #[error(
        "there is no method \"{given}\"; choose one of mean, rounded-mean, modified-mean, single-sine, double-sine, single-triangle, double-triangle, hourly"
    )]
    UnknownMethod {
        /// The text as given.
        given: String,
    },
    /// The rounded mean is a rule in whole degrees Fahrenheit.
    #[error(
        "rounded-mean counts whole degrees Fahrenheit; give the base in F (now {base}) or use mean"
    )]
    RoundedMeanNeedsFahrenheit {
        /// The base as given.
        base: Base,
    },
    /// A horizontal cutoff on the wrong side of the base.
    #[error("cutoff {cutoff} lies on the wrong side of the base {base}")]
    CutoffOnWrongSide {
        /// The cutoff, in the unit of the base.
        cutoff: f64,
        /// The base.
        base: Base,
    },
    /// Hourly integration of daily extremes.
    #[error(
        "method hourly needs hourly temperatures and this input has daily extremes; use single-sine, which stands for the hours"
    )]
    NeedsHourlyInput,
}

/// A complete statement of how degree days are counted.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct DegreeDayRule {
    method: Method,
    base: Base,
    sense: Sense,
    cutoff: Option<f64>,
}

impl DegreeDayRule {
    /// A rule without cutoff.
    ///
    /// # Errors
    /// [`DegreeDayError::RoundedMeanNeedsFahrenheit`] for the rounded mean with a base in °C.
    pub fn new(method: Method, base: Base, sense: Sense) -> Result<Self, DegreeDayError> {
        if method == Method::RoundedMean && base.unit != TemperatureUnit::Fahrenheit {
            return Err(DegreeDayError::RoundedMeanNeedsFahrenheit { base });
        }
        Ok(Self { method, base, sense, cutoff: None })
    }

    /// The same rule with a horizontal cutoff: temperatures beyond it count as the cutoff.
    ///
    /// # Errors
    /// [`DegreeDayError::CutoffOnWrongSide`] if it is not above the base (cooling) or below it
    /// (heating).
    pub fn with_cutoff(self, cutoff: f64) -> Result<Self, DegreeDayError> {
        let beyond = match self.sense {
            Sense::Cooling => cutoff > self.base.degrees,
            Sense::Heating => cutoff < self.base.degrees,
        };
        if !beyond {
            return Err(DegreeDayError::CutoffOnWrongSide { cutoff, base: self.base });
        }
        Ok(Self { cutoff: Some(cutoff), ..self })
    }

    /// The method.
    pub fn method(&self) -> Method {
        self.method
    }

    /// The base with its unit, which is the unit of the results.
    pub fn base(&self) -> Base {
        self.base
    }

    /// Cooling or heating.
    pub fn sense(&self) -> Sense {
        self.sense
    }

    /// Degree days of one day, in degree days of the base's unit; never negative.
    ///
    /// `next_tmin_celsius`: the next day's minimum where known; it is used by the double methods.
    /// Where it is unknown, or above this day's maximum, this day's minimum stands in.
    ///
    /// # Errors
    /// [`DegreeDayError::NeedsHourlyInput`] for [`Method::Hourly`].
    pub fn of_day(
        &self,
        day: &DailyTemperature,
        next_tmin_celsius: Option<f64>,
    ) -> Result<f64, DegreeDayError> {
        if self.method == Method::Hourly {
            return Err(DegreeDayError::NeedsHourlyInput);
        }
        Ok(self.day_value(day.tmin_celsius, day.tmax_celsius, next_tmin_celsius))
    }

    /// Degree days that a day of one constant temperature would have: the hour's share times 24.
    #[inline]
    pub fn of_constant(&self, celsius: f64) -> f64 {
        let degrees = self.base.unit.from_celsius(celsius);
        self.mean_value(degrees, degrees)
    }

    #[inline]
    fn day_value(&self, tmin_celsius: f64, tmax_celsius: f64, next_tmin: Option<f64>) -> f64 {
        if self.method == Method::RoundedMean {
            return self.rounded_mean(tmin_celsius, tmax_celsius);
        }
        let unit = self.base.unit;
        let low = unit.from_celsius(tmin_celsius);
        let high = unit.from_celsius(tmax_celsius);
        let doubled = |excess: fn(f64, f64, f64) -> f64| {
            let next = next_tmin.filter(|next| *next <= tmax_celsius).unwrap_or(tmin_celsius);
            let next = unit.from_celsius(next);
            f64::midpoint(self.limited(excess, low, high), self.limited(excess, next, high))
        };
        match self.method {
            Method::Mean | Method::RoundedMean | Method::Hourly => self.mean_value(low, high),
            // Excess over base less excess over cutoff equals the mean of the limited extremes.
            Method::ModifiedMean => self.limited(modified_mean_excess, low, high),
            Method::SingleSine => self.limited(sine_excess, low, high),
            Method::SingleTriangle => self.limited(triangle_excess, low, high),
            Method::DoubleSine => doubled(sine_excess),
            Method::DoubleTriangle => doubled(triangle_excess),
        }
    }

    /// Heating is cooling in a mirror: low, high, base and cutoff as cooling sees them.
    #[inline]
    fn mirrored(&self, low: f64, high: f64) -> (f64, f64, f64, Option<f64>) {
        match self.sense {
            Sense::Cooling => (low, high, self.base.degrees, self.cutoff),
            Sense::Heating => (-high, -low, -self.base.degrees, self.cutoff.map(|limit| -limit)),
        }
    }

    /// Excess over the base less excess over the cutoff.
    #[inline]
    fn limited(&self, excess: fn(f64, f64, f64) -> f64, low: f64, high: f64) -> f64 {
        let (low, high, base, cutoff) = self.mirrored(low, high);
        let above_base = excess(low, high, base);
        cutoff.map_or(above_base, |limit| above_base - excess(low, high, limit))
    }

    /// Excess of the mean of the extremes, each first limited to the cutoff.
    #[inline]
    fn mean_value(&self, low: f64, high: f64) -> f64 {
        let (low, high, base, cutoff) = self.mirrored(low, high);
        let limit = cutoff.unwrap_or(f64::INFINITY);
        mean_excess(low.min(limit), high.min(limit), base)
    }

    fn rounded_mean(&self, tmin_celsius: f64, tmax_celsius: f64) -> f64 {
        let sum = whole_fahrenheit(tmin_celsius) + whole_fahrenheit(tmax_celsius);
        let mean = (sum / 2.0 + 0.5).floor();
        self.mean_value(mean, mean)
    }

    /// Degree days of each of these days, in order, appended to `values`.
    ///
    /// The next day's minimum is used where the next element is the next calendar day.
    ///
    /// # Errors
    /// [`DegreeDayError::NeedsHourlyInput`] for [`Method::Hourly`].
    pub fn of_days_into(
        &self,
        days: &[DailyTemperature],
        values: &mut Vec<f64>,
    ) -> Result<(), DegreeDayError> {
        if self.method == Method::Hourly {
            return Err(DegreeDayError::NeedsHourlyInput);
        }
        values.reserve(days.len());
        if matches!(self.method, Method::DoubleSine | Method::DoubleTriangle) {
            values.extend(days.iter().enumerate().map(|(at, day)| {
                let next = days.get(at + 1).filter(|next| day.date.succ_opt() == Some(next.date));
                self.day_value(day.tmin_celsius, day.tmax_celsius, next.map(|n| n.tmin_celsius))
            }));
        } else {
            let value =
                |day: &DailyTemperature| self.day_value(day.tmin_celsius, day.tmax_celsius, None);
            values.extend(days.iter().map(value));
        }
        Ok(())
    }

    /// Degree days of a series over a range, day by day, with the missing days marked.
    ///
    /// The minimum of the day after the range is used where it is known.
    ///
    /// # Errors
    /// [`DegreeDayError::NeedsHourlyInput`] for [`Method::Hourly`].
    pub fn of_series(
        &self,
        series: &StationSeries,
        range: DayRange,
    ) -> Result<DegreeDays, DegreeDayError> {
        let with_next =
            DayRange { first: range.first, last: range.last.succ_opt().unwrap_or(range.last) };
        let known = series.days_within(with_next);
        let mut values = Vec::new();
        self.of_days_into(known, &mut values)?;
        let mut known = known.iter().zip(values).peekable();
        let days = range.iter().map(|date| {
            let value = known.next_if(|(day, _)| day.date == date).map(|(_, value)| value);
            DayDegreeDays { date, degree_days: value }
        });
        Ok(DegreeDays::new(*self, days.collect()))
    }
}

/// Degree days of one day; none where the day has no usable temperature.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct DayDegreeDays {
    /// Local calendar day.
    pub date: NaiveDate,
    /// Degree days in the unit of the rule's base.
    pub degree_days: Option<f64>,
}

/// Degree days over a stretch, with the rule that made them.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct DegreeDays {
    /// Method, base with unit, sense, cutoff.
    pub rule: DegreeDayRule,
    /// Every calendar day of the stretch, in order.
    pub days: Vec<DayDegreeDays>,
    /// Sum over the days that have a value.
    pub total: f64,
    /// Days without a value: the sum stands for that many days fewer.
    pub missing_days: usize,
}

impl DegreeDays {
    /// Adds up the days.
    pub fn new(rule: DegreeDayRule, days: Vec<DayDegreeDays>) -> Self {
        let total = days.iter().filter_map(|day| day.degree_days).sum();
        let missing_days = days.iter().filter(|day| day.degree_days.is_none()).count();
        Self { rule, days, total, missing_days }
    }
}
