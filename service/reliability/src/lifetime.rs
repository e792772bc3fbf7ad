//! One lifetime as the records know it: when watching began and what is known of the end.

use serde::{Deserialize, Serialize};

/// What is known of the age at failure. Ages are in one unit of the caller's choice: days, degree
/// days or heat age.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Observation {
    /// Failed at this age.
    Exact {
        /// Age at failure.
        age: f64,
    },
    /// Had not failed at this age.
    RightCensored {
        /// Last age known good.
        age: f64,
    },
    /// Failed after one age and at or before another; `after` may be 0 or the entry age.
    Interval {
        /// Last age seen good.
        after: f64,
        /// Age at which it was found failed.
        by: f64,
    },
}

/// A lifetime watched from an entry age on (left truncation: parts that failed before that age
/// could never have entered the records).
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Lifetime {
    /// Age at which watching began; 0 if from new.
    pub entry: f64,
    /// What is known of the end.
    pub observation: Observation,
    /// How many such lifetimes the row stands for.
    pub weight: f64,
}

/// Why numbers make no lifetime.
#[derive(Debug, Clone, Copy, PartialEq, thiserror::Error)]
pub enum LifetimeError {
    /// The entry age is negative or no number.
    #[error("entry age {0} is not a number at or above 0")]
    Entry(f64),
    /// An end age is not positive or no number.
    #[error("age {0} is not a number above 0")]
    Age(f64),
    /// The end is at or before the entry.
    #[error("the end at age {end} does not lie after the entry at age {entry}")]
    EndBeforeEntry {
        /// Entry age.
        entry: f64,
        /// End age.
        end: f64,
    },
    /// The bounds are swapped.
    #[error("the lower age {lower} lies above the upper age {upper}")]
    Swapped {
        /// Lower bound.
        lower: f64,
        /// Upper bound.
        upper: f64,
    },
    /// The row says nothing.
    #[error("lower and upper age are both empty: the row says nothing")]
    Nothing,
    /// The weight is not positive or no number.
    #[error("weight {0} is not a number above 0")]
    Weight(f64),
}

impl Lifetime {
    /// From bounds: equal bounds are an exact failure age, no upper bound a right-censored one,
    /// no lower bound a left-censored one.
    ///
    /// A lower bound below the entry age is raised to it: the part is known to have worked there.
    ///
    /// # Errors
    /// [`LifetimeError`] names the number that cannot be.
    pub fn from_bounds(
        entry: f64,
        lower: Option<f64>,
        upper: Option<f64>,
        weight: f64,
    ) -> Result<Self, LifetimeError> {
        if !(entry >= 0.0 && entry.is_finite()) {
            return Err(LifetimeError::Entry(entry));
        }
        if !(weight > 0.0 && weight.is_finite()) {
            return Err(LifetimeError::Weight(weight));
        }
        let check = |age: f64, least: f64| {
            if age.is_finite() && age >= least { Ok(age) } else { Err(LifetimeError::Age(age)) }
        };
        let observation = match (lower, upper) {
            (None, None) => return Err(LifetimeError::Nothing),
            (Some(lower), None) => {
                let age = check(lower, 0.0)?;
                if age < entry {
                    return Err(LifetimeError::EndBeforeEntry { entry, end: age });
                }
                Observation::RightCensored { age }
            }
            (lower, Some(upper)) => {
                let by = check(upper, f64::MIN_POSITIVE)?;
                let after = check(lower.unwrap_or(0.0), 0.0)?;
                if after > by {
                    return Err(LifetimeError::Swapped { lower: after, upper: by });
                }
                if by <= entry {
                    return Err(LifetimeError::EndBeforeEntry { entry, end: by });
                }
                if lower.is_some() && after >= by {
                    Observation::Exact { age: by }
                } else {
                    Observation::Interval { after: after.max(entry), by }
                }
            }
        };
        Ok(Self { entry, observation, weight })
    }

    /// Whether the lifetime ended in a failure, at a known age or within an interval.
    #[must_use]
    pub const fn failed(&self) -> bool {
        !matches!(self.observation, Observation::RightCensored { .. })
    }

    /// A single age that stands for the end where one is needed: the age itself, or the middle
    /// of the interval.
    #[must_use]
    pub const fn end_age(&self) -> f64 {
        match self.observation {
            Observation::Exact { age } | Observation::RightCensored { age } => age,
            Observation::Interval { after, by } => f64::midpoint(after, by),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn equal_bounds_are_an_exact_age_and_missing_ones_are_censored() {
        let kind =
            |lower, upper| Lifetime::from_bounds(0.0, lower, upper, 1.0).unwrap().observation;
        assert_eq!(kind(Some(4.0), Some(4.0)), Observation::Exact { age: 4.0 });
        assert_eq!(kind(Some(4.0), None), Observation::RightCensored { age: 4.0 });
        assert_eq!(kind(None, Some(4.0)), Observation::Interval { after: 0.0, by: 4.0 });
        assert_eq!(kind(Some(3.0), Some(4.0)), Observation::Interval { after: 3.0, by: 4.0 });
    }

    #[test]
    fn numbers_that_contradict_each_other_are_refused() {
        let refusal =
            |entry, lower, upper| Lifetime::from_bounds(entry, lower, upper, 1.0).unwrap_err();
        assert!(matches!(refusal(5.0, Some(4.0), None), LifetimeError::EndBeforeEntry { .. }));
        assert!(matches!(refusal(0.0, Some(5.0), Some(4.0)), LifetimeError::Swapped { .. }));
        assert!(matches!(refusal(0.0, None, None), LifetimeError::Nothing));
        assert!(matches!(refusal(-1.0, Some(4.0), None), LifetimeError::Entry(_)));
        assert!(matches!(refusal(0.0, Some(f64::NAN), None), LifetimeError::Age(_)));
    }
}
