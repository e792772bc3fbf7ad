//! Stretches of calendar days: between two dates, and between two days of any year.

use core::fmt;
use core::str::FromStr;

use chrono::{Datelike, NaiveDate};
use serde::{Deserialize, Serialize};

/// Days from `first` to `last`, both included.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub struct DateRange {
    /// First day.
    pub first: NaiveDate,
    /// Last day.
    pub last: NaiveDate,
}

impl DateRange {
    /// The range, or nothing when it would be empty.
    #[must_use]
    pub fn new(first: NaiveDate, last: NaiveDate) -> Option<Self> {
        (first <= last).then_some(Self { first, last })
    }

    /// Whether the day lies inside.
    #[must_use]
    pub fn contains(&self, day: NaiveDate) -> bool {
        self.first <= day && day <= self.last
    }

    /// The days that both ranges have.
    #[must_use]
    pub fn intersection(&self, other: &Self) -> Option<Self> {
        Self::new(self.first.max(other.first), self.last.min(other.last))
    }

    /// Every day of it, in order.
    pub fn each_day(&self) -> impl Iterator<Item = NaiveDate> + use<> {
        let last = self.last;
        self.first.iter_days().take_while(move |day| *day <= last)
    }

    /// Number of days, at least one.
    #[must_use]
    pub fn days(&self) -> i64 {
        (self.last - self.first).num_days() + 1
    }
}

/// A day of any year, written `MM-DD`.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(try_from = "String", into = "String")]
pub struct MonthDay {
    month: u32,
    day: u32,
}

/// A text that is no day of the year.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum PeriodError {
    /// Not `MM-DD`, or no such day.
    #[error("«{0}» is no day of the year; expected MM-DD such as 02-15")]
    MonthDay(String),
    /// Not `MM-DD..MM-DD`.
    #[error("«{0}» is no window; expected MM-DD..MM-DD such as 02-15..05-31")]
    Range(String),
}

impl MonthDay {
    /// The day in a given year; 29 February is 28 February in a common year.
    #[must_use]
    pub fn in_year(self, year: i32) -> Option<NaiveDate> {
        NaiveDate::from_ymd_opt(year, self.month, self.day)
            .or_else(|| NaiveDate::from_ymd_opt(year, self.month, self.day - 1))
    }
}

impl FromStr for MonthDay {
    type Err = PeriodError;

    fn from_str(text: &str) -> Result<Self, PeriodError> {
        let refuse = || PeriodError::MonthDay(text.to_owned());
        let (month, day) = text.split_once('-').ok_or_else(refuse)?;
        if month.len() != 2 || day.len() != 2 {
            return Err(refuse());
        }
        let month: u32 = month.parse().ok().ok_or_else(refuse)?;
        let day: u32 = day.parse().ok().ok_or_else(refuse)?;
        // 2024 is a leap year, so that 02-29 is a day of the year.
        NaiveDate::from_ymd_opt(2024, month, day).ok_or_else(refuse)?;
        Ok(Self { month, day })
    }
}

impl fmt::Display for MonthDay {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{:02}-{:02}", self.month, self.day)
    }
}

impl TryFrom<String> for MonthDay {
    type Error = PeriodError;
    fn try_from(text: String) -> Result<Self, PeriodError> {
        text.parse()
    }
}

impl From<MonthDay> for String {
    fn from(value: MonthDay) -> Self {
        value.to_string()
    }
}

/// A window of every year, written `MM-DD..MM-DD`; it may run across the new year
/// (`11-01..02-28`).
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(try_from = "String", into = "String")]
pub struct MonthDayRange {
    /// First day of the window.
    pub first: MonthDay,
    /// Last day of the window; before `first` in the calendar means in the next year.
    pub last: MonthDay,
}

impl MonthDayRange {
    /// The window that begins in `year`.
    #[must_use]
    pub fn beginning_in(self, year: i32) -> Option<DateRange> {
        let last_year = if self.last < self.first { year.checked_add(1)? } else { year };
        DateRange::new(self.first.in_year(year)?, self.last.in_year(last_year)?)
    }

    /// Every occurrence of the window that touches the range, in order.
    #[must_use]
    pub fn occurrences(self, within: DateRange) -> Vec<DateRange> {
        (within.first.year() - 1..=within.last.year())
            .filter_map(|year| self.beginning_in(year))
            .filter(|window| window.intersection(&within).is_some())
            .collect()
    }
}

impl FromStr for MonthDayRange {
    type Err = PeriodError;

    fn from_str(text: &str) -> Result<Self, PeriodError> {
        let (first, last) =
            text.split_once("..").ok_or_else(|| PeriodError::Range(text.to_owned()))?;
        Ok(Self { first: first.parse()?, last: last.parse()? })
    }
}

impl fmt::Display for MonthDayRange {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}..{}", self.first, self.last)
    }
}

impl TryFrom<String> for MonthDayRange {
    type Error = PeriodError;
    fn try_from(text: String) -> Result<Self, PeriodError> {
        text.parse()
    }
}

impl From<MonthDayRange> for String {
    fn from(value: MonthDayRange) -> Self {
        value.to_string()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn day(text: &str) -> NaiveDate {
        text.parse().unwrap()
    }

    #[test]
    fn a_window_may_run_across_the_new_year() {
        let window: MonthDayRange = "11-01..02-28".parse().unwrap();
        let winter = window.beginning_in(2025).unwrap();
        assert_eq!((winter.first, winter.last), (day("2025-11-01"), day("2026-02-28")));
        let year = DateRange::new(day("2026-01-01"), day("2026-12-31")).unwrap();
        assert_eq!(window.occurrences(year).len(), 2);
    }

    #[test]
    fn the_leap_day_is_the_28th_in_a_common_year() {
        let leap: MonthDay = "02-29".parse().unwrap();
        assert_eq!(leap.in_year(2025), Some(day("2025-02-28")));
        assert_eq!(leap.in_year(2024), Some(day("2024-02-29")));
    }

    #[test]
    fn a_wrong_day_says_what_was_expected() {
        let error = "02-30".parse::<MonthDay>().unwrap_err();
        assert_eq!(
            error.to_string(),
            "«02-30» is no day of the year; expected MM-DD such as 02-15"
        );
    }

    proptest! {
        #[test]
        fn every_day_of_the_year_reads_back(ordinal in 1u32..=366) {
            let date = NaiveDate::from_yo_opt(2024, ordinal).unwrap();
            let text = date.format("%m-%d").to_string();
            prop_assert_eq!(text.parse::<MonthDay>().unwrap().to_string(), text);
        }
    }
}
