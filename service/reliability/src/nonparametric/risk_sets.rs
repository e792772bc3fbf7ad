//! How much is at risk at each age, entries and exits counted.

use super::CurveError;
use crate::lifetime::{Lifetime, Observation};

/// Age and weight of failures and exits in order, with entries, for counting risk sets.
pub(super) struct RiskSets {
    /// Distinct failure ages with the weight failing.
    pub(super) failures: Vec<(f64, f64)>,
    pub(super) entries: Vec<(f64, f64)>,
    pub(super) exits: Vec<(f64, f64)>,
}

impl RiskSets {
    pub(super) fn new<'a>(
        lifetimes: impl Iterator<Item = (usize, &'a Lifetime)>,
    ) -> Result<Self, CurveError> {
        let mut sets = Self { failures: Vec::new(), entries: Vec::new(), exits: Vec::new() };
        for (row, lifetime) in lifetimes {
            let (age, failed) = match lifetime.observation {
                Observation::Exact { age } => (age, true),
                Observation::RightCensored { age } => (age, false),
                Observation::Interval { .. } => return Err(CurveError::Interval(row)),
            };
            sets.entries.push((lifetime.entry, lifetime.weight));
            sets.exits.push((age, lifetime.weight));
            if failed {
                sets.failures.push((age, lifetime.weight));
            }
        }
        for list in [&mut sets.failures, &mut sets.entries, &mut sets.exits] {
            list.sort_by(|a, b| a.0.total_cmp(&b.0));
        }
        sets.failures.dedup_by(|later, kept| {
            let same = later.0.total_cmp(&kept.0).is_eq();
            if same {
                kept.1 += later.1;
            }
            same
        });
        Ok(sets)
    }

    /// Weight at risk just before each of the sorted ages: entered before, not yet gone.
    pub(super) fn at_risk(&self, ages: impl Iterator<Item = f64>) -> Vec<f64> {
        let (mut entered, mut gone) = (0.0, 0.0);
        let (mut next_entry, mut next_exit) = (0, 0);
        ages.map(|age| {
            while next_entry < self.entries.len() && self.entries[next_entry].0 < age {
                entered += self.entries[next_entry].1;
                next_entry += 1;
            }
            while next_exit < self.exits.len() && self.exits[next_exit].0 < age {
                gone += self.exits[next_exit].1;
                next_exit += 1;
            }
            entered - gone
        })
        .collect()
    }
}
