//! Lifetimes with covariates, and whether they determine a law.

use super::error::ParametricError;
use crate::lifetime::{Lifetime, Observation};
use crate::location_scale::Distribution;

/// Lifetimes with their covariates.
#[derive(Debug, Clone, Default)]
pub struct Sample {
    /// Lifetimes.
    pub lifetimes: Vec<Lifetime>,
    /// One row of covariates per lifetime; all of one length, without the constant.
    pub covariates: Vec<Vec<f64>>,
}

impl Sample {
    /// Without covariates.
    #[must_use]
    pub fn without_covariates(lifetimes: Vec<Lifetime>) -> Self {
        let covariates = vec![Vec::new(); lifetimes.len()];
        Self { lifetimes, covariates }
    }

    pub(super) fn check(&self, distribution: Distribution) -> Result<usize, ParametricError> {
        let expected = self.covariates.first().map_or(0, Vec::len);
        if self.lifetimes.is_empty() {
            return Err(ParametricError::Empty);
        }
        for (row, covariates) in self.covariates.iter().enumerate() {
            if covariates.len() != expected || !covariates.iter().all(|x| x.is_finite()) {
                return Err(ParametricError::Covariates { row, found: covariates.len(), expected });
            }
        }
        if !self.lifetimes.iter().any(Lifetime::failed) {
            return Err(ParametricError::NoFailures(self.lifetimes.len()));
        }
        let same = |a: f64, b: f64| (a - b).abs() <= 1e-12 * a.abs().max(b.abs());
        let first = self.covariates[0].clone();
        for (index, x) in first.iter().enumerate() {
            if self.covariates.iter().all(|row| same(row[index], *x)) {
                return Err(ParametricError::ConstantCovariate { index });
            }
        }
        if !distribution.has_fixed_scale() && !self.spread_is_determined() {
            return Err(ParametricError::Degenerate { parameters: expected + 2 });
        }
        Ok(expected)
    }

    /// Whether anything speaks against a spread of zero: with exact failures at one single age
    /// and nothing beyond it, the density there grows without limit.
    fn spread_is_determined(&self) -> bool {
        let mut exact = self.lifetimes.iter().filter_map(|l| match l.observation {
            Observation::Exact { age } => Some(age),
            _ => None,
        });
        let Some(first) = exact.next() else { return self.lifetimes.len() > 1 };
        let tolerance = 1e-12 * first;
        exact.any(|age| (age - first).abs() > tolerance)
            || self.lifetimes.iter().any(|l| match l.observation {
                Observation::Exact { .. } => false,
                Observation::RightCensored { age } => age > first + tolerance,
                Observation::Interval { after, by } => {
                    after >= first - tolerance || by < first - tolerance
                }
            })
    }
}
