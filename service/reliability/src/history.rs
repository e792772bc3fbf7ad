//! From what the branch recorded about its components to lifetimes that a fit can use.

use hotspell_domain::{ComponentClass, ComponentId, SiteId};
use serde::{Deserialize, Serialize};

use crate::lifetime::{Lifetime, LifetimeError};

/// How a component's time in its position ended, with heat ages.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case", tag = "kind")]
pub enum HistoryEnd {
    /// Still in service and working.
    StillWorking {
        /// Heat age now, or when it was last known to work.
        age: f64,
    },
    /// Failed on a known day (the customer called when it stopped).
    FailedAt {
        /// Heat age on that day.
        age: f64,
    },
    /// Found failed at a visit. The day of finding is not the day of failure: taking it for that
    /// adds 0.37 to the shape at yearly visits (measured, `docs/risk.md`).
    FoundFailed {
        /// Heat age when last seen good; 0 if never.
        last_good: f64,
        /// Heat age when found.
        found: f64,
    },
    /// A reading went below the limit: the part is out, whether or not it was still turning.
    ReadBelowLimit {
        /// Heat age of the last reading within limits; 0 if none.
        last_within: f64,
        /// Heat age of the first reading below.
        first_below: f64,
    },
    /// Replaced while it still worked.
    ReplacedBeforeFailing {
        /// Heat age.
        age: f64,
    },
    /// Left together with its unit.
    WentWithUnit {
        /// Heat age.
        age: f64,
    },
    /// The site left the agreement.
    LeftAgreement {
        /// Heat age.
        age: f64,
    },
}

/// One component in one position for one stretch of time.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ComponentHistory {
    /// Which component.
    pub component: ComponentId,
    /// Where: the parts of one site share its frailty.
    pub site: SiteId,
    /// What it is.
    pub class: ComponentClass,
    /// Covariates in the order of the fit's names; 0 is the reference part.
    pub covariates: Vec<f64>,
    /// Heat age when the branch began to watch it (agreement began, or 0 if the branch put it in).
    pub entry_age: f64,
    /// How it ended.
    pub end: HistoryEnd,
    /// When the install day is only known as a range: half of the heat gathered between the
    /// earliest and the latest day. All ages are then counted from the middle. 0 if known.
    pub age_half_range: f64,
    /// The position may have had parts before that nobody recorded. They bias the scale by about
    /// -6 % (measured, `docs/risk.md`), so the fit counts and reports them.
    pub earlier_parts_unknown: bool,
}

/// A history that cannot be, with the component it belongs to.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
#[error(
    "component {component}: {source}; correct its install day, the day watching began or its end"
)]
pub struct HistoryError {
    /// Which component.
    pub component: ComponentId,
    /// What is wrong.
    #[source]
    pub source: LifetimeError,
}

impl ComponentHistory {
    /// The lifetime when all ages are moved by `shift` (see `age_half_range`); the entry age does
    /// not fall below 0.
    ///
    /// # Errors
    /// [`HistoryError`] if the ages contradict each other.
    pub fn lifetime(&self, shift: f64) -> Result<Lifetime, HistoryError> {
        let moved = |age: f64| if age > 0.0 { (age + shift).max(0.0) } else { age };
        let entry = moved(self.entry_age);
        let (lower, upper) = match self.end {
            HistoryEnd::StillWorking { age }
            | HistoryEnd::ReplacedBeforeFailing { age }
            | HistoryEnd::WentWithUnit { age }
            | HistoryEnd::LeftAgreement { age } => (Some(moved(age).max(0.0)), None),
            HistoryEnd::FailedAt { age } => (Some(moved(age)), Some(moved(age))),
            HistoryEnd::FoundFailed { last_good: low, found: high }
            | HistoryEnd::ReadBelowLimit { last_within: low, first_below: high } => {
                (Some(moved(low)), Some(moved(high)))
            }
        };
        Lifetime::from_bounds(entry, lower, upper, 1.0)
            .map_err(|source| HistoryError { component: self.component, source })
    }

    /// Whether it counts as a failure.
    #[must_use]
    pub const fn failed(&self) -> bool {
        matches!(
            self.end,
            HistoryEnd::FailedAt { .. }
                | HistoryEnd::FoundFailed { .. }
                | HistoryEnd::ReadBelowLimit { .. }
        )
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::lifetime::Observation;

    fn history(end: HistoryEnd) -> ComponentHistory {
        ComponentHistory {
            component: ComponentId(7),
            site: SiteId(1),
            class: ComponentClass::RunCapacitorDual,
            covariates: Vec::new(),
            entry_age: 500.0,
            end,
            age_half_range: 0.0,
            earlier_parts_unknown: false,
        }
    }

    #[test]
    fn found_failed_is_an_interval_that_starts_no_earlier_than_watching() {
        let end = HistoryEnd::FoundFailed { last_good: 0.0, found: 900.0 };
        let lifetime = history(end).lifetime(0.0).unwrap();
        assert_eq!(lifetime.observation, Observation::Interval { after: 500.0, by: 900.0 });
    }

    #[test]
    fn a_part_replaced_before_failing_is_censored_but_one_read_below_its_limit_failed() {
        let swapped = history(HistoryEnd::ReplacedBeforeFailing { age: 900.0 });
        assert!(!swapped.failed() && !swapped.lifetime(0.0).unwrap().failed());
        let weak = history(HistoryEnd::ReadBelowLimit { last_within: 600.0, first_below: 900.0 });
        assert!(weak.failed() && weak.lifetime(0.0).unwrap().failed());
    }

    #[test]
    fn an_end_before_watching_began_names_the_component() {
        let refusal = history(HistoryEnd::FailedAt { age: 400.0 }).lifetime(0.0).unwrap_err();
        assert!(refusal.to_string().starts_with("component 7: the end at age 400"));
    }
}
