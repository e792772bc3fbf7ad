//! What an agreement owes: kinds of visit, how many a year and in which windows.

use core::fmt;
use core::str::FromStr;

use chrono::NaiveDate;
use serde::{Deserialize, Serialize};

use crate::period::{DateRange, MonthDayRange, PeriodError};
use crate::term::part_owed;
use crate::text_enum::UnknownWord;
use crate::words::VisitKind;

/// One kind of visit owed once in each occurrence of a window, written
/// `tune-up@02-01..05-15`. An agreement with two visits a year has two rules.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(try_from = "String", into = "String")]
pub struct VisitRule {
    /// What is owed.
    pub kind: VisitKind,
    /// When, every year.
    pub window: MonthDayRange,
}

/// A text that is no visit rule.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum VisitRuleError {
    /// The parts are not joined by `@`.
    #[error("«{0}» is no visit rule; expected KIND@MM-DD..MM-DD such as tune-up@02-01..05-15")]
    Form(String),
    /// The kind is none.
    #[error(transparent)]
    Kind(#[from] UnknownWord),
    /// The window is none.
    #[error(transparent)]
    Window(#[from] PeriodError),
}

impl FromStr for VisitRule {
    type Err = VisitRuleError;

    fn from_str(text: &str) -> Result<Self, VisitRuleError> {
        let (kind, window) =
            text.split_once('@').ok_or_else(|| VisitRuleError::Form(text.to_owned()))?;
        Ok(Self { kind: kind.trim().parse()?, window: window.trim().parse()? })
    }
}

impl fmt::Display for VisitRule {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}@{}", self.kind, self.window)
    }
}

impl TryFrom<String> for VisitRule {
    type Error = VisitRuleError;
    fn try_from(text: String) -> Result<Self, VisitRuleError> {
        text.parse()
    }
}

impl From<VisitRule> for String {
    fn from(value: VisitRule) -> Self {
        value.to_string()
    }
}

/// Reads rules separated by semicolons.
///
/// # Errors
/// The first rule that is none.
pub fn parse_rules(text: &str) -> Result<Vec<VisitRule>, VisitRuleError> {
    text.split(';').map(str::trim).filter(|rule| !rule.is_empty()).map(str::parse).collect()
}

/// One visit that an agreement owes.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct OwedVisit {
    /// What is owed.
    pub kind: VisitKind,
    /// The window of that year, whole: the visit's identity together with the kind.
    pub window: DateRange,
    /// The part of the window inside the agreement's term, in which the visit is to happen.
    pub within: DateRange,
}

/// The visits owed by an agreement whose window touches the horizon.
///
/// Pro rata by [`crate::term::part_owed`]: an agreement that starts in mid-May owes no spring visit
/// of a window that ends on 31 May.
#[must_use]
pub fn visits_owed(
    rules: &[VisitRule],
    first_day: NaiveDate,
    last_day: Option<NaiveDate>,
    horizon: DateRange,
) -> Vec<OwedVisit> {
    let Some(term) = DateRange::new(first_day, last_day.unwrap_or(NaiveDate::MAX)) else {
        return Vec::new();
    };
    let mut owed: Vec<OwedVisit> = rules
        .iter()
        .flat_map(|rule| {
            rule.window.occurrences(horizon).into_iter().filter_map(|window| {
                let within = part_owed(window, term)?;
                Some(OwedVisit { kind: rule.kind, window, within })
            })
        })
        .collect();
    owed.sort();
    owed.dedup();
    owed
}

#[cfg(test)]
mod tests {
    use super::*;

    fn day(text: &str) -> NaiveDate {
        text.parse().unwrap()
    }

    fn year_2025() -> DateRange {
        DateRange::new(day("2025-01-01"), day("2025-12-31")).unwrap()
    }

    #[test]
    fn two_rules_owe_two_visits_a_year() {
        let rules = parse_rules("tune-up@02-01..05-15; tune-up@09-15..11-30").unwrap();
        let owed = visits_owed(&rules, day("2020-06-01"), None, year_2025());
        assert_eq!(owed.len(), 2);
    }

    #[test]
    fn an_agreement_that_starts_late_in_the_window_owes_that_visit_next_year() {
        let rules = parse_rules("tune-up@02-01..05-31").unwrap();
        assert!(visits_owed(&rules, day("2025-05-15"), None, year_2025()).is_empty());
        let early = visits_owed(&rules, day("2025-03-01"), None, year_2025());
        assert_eq!(early[0].within.first, day("2025-03-01"));
    }

    #[test]
    fn an_ended_agreement_owes_nothing() {
        let rules = parse_rules("tune-up@02-01..05-31").unwrap();
        let owed = visits_owed(&rules, day("2020-01-01"), Some(day("2025-01-31")), year_2025());
        assert!(owed.is_empty());
    }

    #[test]
    fn a_rule_without_a_window_says_what_was_expected() {
        let error = parse_rules("tune-up").unwrap_err();
        assert!(error.to_string().contains("KIND@MM-DD..MM-DD"));
    }
}
