//! The log-rank test and its weighted family.

use serde::{Deserialize, Serialize};

use super::CurveError;
use super::risk_sets::RiskSets;
use crate::intervals::chi_square_tail;
use crate::lifetime::Lifetime;
use crate::matrix::Matrix;

/// Outcome of a comparison of groups.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct LogRank {
    /// Test statistic.
    pub chi_square: f64,
    /// Degrees of freedom.
    pub degrees_of_freedom: usize,
    /// Probability of a larger statistic when all groups are alike.
    pub p_value: f64,
    /// Weighted failures per group.
    pub observed: Vec<f64>,
    /// Weighted expected failures per group.
    pub expected: Vec<f64>,
}

/// Log-rank test of `groups` (indices from 0), within `strata` (all zero for one stratum), with
/// Harrington-Fleming weight `S(t-)^rho` (0: log-rank, 1: Peto-Peto).
///
/// # Errors
/// [`CurveError`] with interval ends, one group or nothing to compare.
pub fn log_rank(
    lifetimes: &[Lifetime],
    groups: &[usize],
    strata: &[usize],
    rho: f64,
) -> Result<LogRank, CurveError> {
    let count = groups.iter().max().map_or(0, |last| last + 1);
    if count < 2 || (0..count).any(|g| !groups.contains(&g)) {
        return Err(CurveError::OneGroup);
    }
    let mut tally = Tally {
        observed: vec![0.0; count],
        expected: vec![0.0; count],
        variance: Matrix::zeros(count),
    };
    let mut levels: Vec<usize> = strata.to_vec();
    levels.sort_unstable();
    levels.dedup();
    for level in levels {
        let rows = (0..lifetimes.len()).filter(|&i| strata[i] == level).collect::<Vec<_>>();
        tally.add_stratum(lifetimes, groups, &rows, rho)?;
    }
    let kept: Vec<usize> = (0..count - 1).collect();
    let off: Vec<f64> = kept.iter().map(|&g| tally.observed[g] - tally.expected[g]).collect();
    let Some(factor) = tally.variance.submatrix(&kept).cholesky() else {
        return Err(CurveError::NothingToCompare);
    };
    let chi_square: f64 = factor.solve(&off).iter().zip(&off).map(|(a, b)| a * b).sum();
    let degrees = u32::try_from(count - 1).map_or(f64::MAX, f64::from);
    Ok(LogRank {
        chi_square,
        degrees_of_freedom: count - 1,
        p_value: chi_square_tail(chi_square, degrees),
        observed: tally.observed,
        expected: tally.expected,
    })
}

struct Tally {
    observed: Vec<f64>,
    expected: Vec<f64>,
    variance: Matrix,
}

impl Tally {
    fn add_stratum(
        &mut self,
        lifetimes: &[Lifetime],
        groups: &[usize],
        rows: &[usize],
        rho: f64,
    ) -> Result<(), CurveError> {
        let of_group = |wanted: Option<usize>| {
            rows.iter()
                .filter(move |&&i| wanted.is_none_or(|g| groups[i] == g))
                .map(|&i| (i, &lifetimes[i]))
        };
        let all = RiskSets::new(of_group(None))?;
        let ages: Vec<f64> = all.failures.iter().map(|(age, _)| *age).collect();
        let total = all.at_risk(ages.iter().copied());
        let count = self.observed.len();
        let mut risks = Vec::with_capacity(count);
        let mut failing = Vec::with_capacity(count);
        for group in 0..count {
            let sets = RiskSets::new(of_group(Some(group)))?;
            risks.push(sets.at_risk(ages.iter().copied()));
            failing.push(sets.failures);
        }
        let mut survival = 1.0_f64;
        for (k, &(age, failures)) in all.failures.iter().enumerate() {
            let weight = survival.powf(rho);
            let at_risk = total[k];
            let share = |g: usize| risks[g][k] / at_risk;
            let spread = if at_risk > 1.0 {
                weight * weight * failures * (at_risk - failures) / (at_risk - 1.0)
            } else {
                0.0
            };
            for (g, failing) in failing.iter().enumerate() {
                let here = failing.binary_search_by(|(a, _)| a.total_cmp(&age));
                self.observed[g] += here.map_or(0.0, |i| weight * failing[i].1);
                self.expected[g] += weight * failures * share(g);
                for h in 0..count {
                    let same = f64::from(u8::from(g == h));
                    self.variance.add(g, h, spread * share(g) * (same - share(h)));
                }
            }
            survival *= 1.0 - failures / at_risk;
        }
        Ok(())
    }
}
