//! Survival curves without a law: Kaplan-Meier, Nelson-Aalen, Turnbull, and the log-rank test.
//!
//! # Sources
//! E. Kaplan & P. Meier, J. Amer. Stat. Assoc. 53 (1958) 457-481; M. Greenwood 1926; B. Turnbull,
//! J. Royal Stat. Soc. B 38 (1976) 290-295; D. Harrington & T. Fleming, Biometrika 69 (1982)
//! 553-566 (weights of the log-rank family).

use serde::{Deserialize, Serialize};

use crate::intervals::{chi_square_tail, normal_quantile};
use crate::lifetime::{Lifetime, Observation};
use crate::matrix::Matrix;

/// One step of a survival curve.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct CurveStep {
    /// Age at which something fails.
    pub age: f64,
    /// Weight at risk just before.
    pub at_risk: f64,
    /// Weight that fails.
    pub failures: f64,
    /// Survival from this age on.
    pub survival: f64,
    /// Standard error by Greenwood's formula.
    pub standard_error: f64,
    /// Interval on the log-log scale; none where survival is 0.
    pub log_log_interval: Option<[f64; 2]>,
    /// Nelson-Aalen cumulative hazard.
    pub cumulative_hazard: f64,
    /// Its standard error, from the sum of d / r^2.
    pub cumulative_hazard_error: f64,
}

/// Kaplan-Meier and Nelson-Aalen curve.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Curve {
    /// Steps in order of age.
    pub steps: Vec<CurveStep>,
    /// Level of the intervals.
    pub confidence: f64,
}

/// Why there is no curve or test.
#[derive(Debug, Clone, Copy, PartialEq, thiserror::Error)]
pub enum CurveError {
    /// No lifetime.
    #[error("there are no lifetimes")]
    Empty,
    /// An interval end where exact or right-censored ends are needed.
    #[error(
        "lifetime {0} ends in an interval; this method needs exact failure ages or right-censored ends"
    )]
    Interval(usize),
    /// Fewer than two groups.
    #[error("a comparison needs at least two groups with lifetimes")]
    OneGroup,
    /// No failures to compare.
    #[error("nothing failed while two groups were at risk: there is nothing to compare")]
    NothingToCompare,
}

/// Age and weight of failures and exits in order, with entries, for counting risk sets.
struct RiskSets {
    /// Distinct failure ages with the weight failing.
    failures: Vec<(f64, f64)>,
    entries: Vec<(f64, f64)>,
    exits: Vec<(f64, f64)>,
}

impl RiskSets {
    fn new<'a>(lifetimes: impl Iterator<Item = (usize, &'a Lifetime)>) -> Result<Self, CurveError> {
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
    fn at_risk(&self, ages: impl Iterator<Item = f64>) -> Vec<f64> {
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

/// Kaplan-Meier curve with Greenwood's errors and Nelson-Aalen hazard; entry ages are obeyed.
///
/// # Errors
/// [`CurveError`] without lifetimes and with interval ends.
pub fn kaplan_meier(lifetimes: &[Lifetime], confidence: f64) -> Result<Curve, CurveError> {
    if lifetimes.is_empty() {
        return Err(CurveError::Empty);
    }
    let sets = RiskSets::new(lifetimes.iter().enumerate())?;
    let z = normal_quantile(0.5 + 0.5 * confidence);
    let risks = sets.at_risk(sets.failures.iter().map(|(age, _)| *age));
    let (mut survival, mut greenwood, mut hazard, mut variance) = (1.0, 0.0, 0.0, 0.0);
    let steps = sets
        .failures
        .iter()
        .zip(risks)
        .map(|(&(age, failures), at_risk)| {
            survival *= (at_risk - failures) / at_risk;
            greenwood += failures / (at_risk * (at_risk - failures));
            hazard += failures / at_risk;
            variance += failures / (at_risk * at_risk);
            let alive = survival > 0.0;
            let log_log_interval = alive.then(|| {
                let wide = z * greenwood.sqrt() / survival.ln();
                [wide, -wide].map(|w| survival.powf((-w).exp()))
            });
            CurveStep {
                age,
                at_risk,
                failures,
                survival,
                standard_error: if alive { survival * greenwood.sqrt() } else { 0.0 },
                log_log_interval,
                cumulative_hazard: hazard,
                cumulative_hazard_error: variance.sqrt(),
            }
        })
        .collect();
    Ok(Curve { steps, confidence })
}

impl Curve {
    /// The last step at or before an age; none before the first failure.
    #[must_use]
    pub fn at(&self, age: f64) -> Option<&CurveStep> {
        self.steps[..self.steps.partition_point(|step| step.age <= age)].last()
    }

    /// Survival at an age.
    #[must_use]
    pub fn survival(&self, age: f64) -> f64 {
        self.at(age).map_or(1.0, |step| step.survival)
    }

    /// Interval on the log scale, cut at 1.
    #[must_use]
    pub fn log_interval(&self, age: f64) -> Option<[f64; 2]> {
        let step = self.at(age)?;
        let wide =
            normal_quantile(0.5 + 0.5 * self.confidence) * step.standard_error / step.survival;
        Some([step.survival * (-wide).exp(), (step.survival * wide.exp()).min(1.0)])
    }

    /// First age at which survival is at or below one half.
    #[must_use]
    pub fn median(&self) -> Option<f64> {
        self.steps.iter().find(|step| step.survival <= 0.5 + 1e-12).map(|step| step.age)
    }

    /// Mean life up to an age, with its standard error (area under the curve).
    #[must_use]
    pub fn restricted_mean(&self, until: f64) -> (f64, f64) {
        let inside: Vec<&CurveStep> =
            self.steps.iter().take_while(|step| step.age < until).collect();
        let ends = inside.iter().skip(1).map(|step| step.age).chain([until]);
        let areas: Vec<f64> =
            inside.iter().zip(ends).map(|(step, end)| step.survival * (end - step.age)).collect();
        let first = inside.first().map_or(until, |step| step.age);
        let mut rest = areas.iter().sum::<f64>();
        let mean = first + rest;
        let mut variance = 0.0;
        for (step, area) in inside.iter().zip(&areas) {
            let left = step.at_risk - step.failures;
            if left > 0.0 {
                variance += rest * rest * step.failures / (step.at_risk * left);
            }
            rest -= area;
        }
        (mean, variance.sqrt())
    }
}

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

/// One step of Turnbull's curve: the mass lies somewhere in `(after, by]`, or at `by` if equal.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct TurnbullStep {
    /// Lower end of the innermost interval.
    pub after: f64,
    /// Upper end; none for mass beyond the last inspection.
    pub by: Option<f64>,
    /// Probability that a failure lies in it.
    pub mass: f64,
    /// Survival from its upper end on.
    pub survival: f64,
}

/// Turnbull's estimate.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct TurnbullCurve {
    /// Steps in order.
    pub steps: Vec<TurnbullStep>,
    /// Rounds of expectation-maximisation.
    pub iterations: usize,
    /// Whether masses settled.
    pub converged: bool,
}

impl TurnbullCurve {
    /// Survival at an age that is the upper end of a step or lies between steps.
    #[must_use]
    pub fn survival(&self, age: f64) -> f64 {
        self.steps
            .iter()
            .take_while(|step| step.by.is_some_and(|by| by <= age))
            .last()
            .map_or(1.0, |step| step.survival)
    }
}

/// Ends in the order of the line: a value and whether it lies just after it.
type Place = (f64, bool);

/// Self-consistent survival from any mixture of exact, censored and interval ends with entry ages
/// (Turnbull 1976), by expectation-maximisation over innermost intervals.
///
/// # Errors
/// [`CurveError::Empty`].
pub fn turnbull(lifetimes: &[Lifetime]) -> Result<TurnbullCurve, CurveError> {
    if lifetimes.is_empty() {
        return Err(CurveError::Empty);
    }
    let spans: Vec<(Place, Place)> = lifetimes.iter().map(span).collect();
    let cells = innermost(&spans, lifetimes);
    // Cells are in order, so each lifetime covers a run of them.
    let runs: Vec<(usize, usize, usize)> = spans
        .iter()
        .zip(lifetimes)
        .map(|((low, high), lifetime)| {
            let first = cells.partition_point(|(left, _)| before(*left, *low));
            let last = cells.partition_point(|(_, right)| !before(*high, *right));
            let entered = cells.partition_point(|(left, _)| before(*left, (lifetime.entry, true)));
            (first, last, if lifetime.entry > 0.0 { entered } else { 0 })
        })
        .collect();
    let count = u32::try_from(cells.len()).map_or(f64::MAX, f64::from);
    let mut mass = vec![1.0 / count; cells.len()];
    let (mut iterations, mut converged) = (0, false);
    while iterations < 50_000 && !converged {
        let next = turnbull_round(&mass, &runs, lifetimes);
        converged = next.iter().zip(&mass).all(|(a, b)| (a - b).abs() < 1e-11);
        mass = next;
        iterations += 1;
    }
    let mut survival = 1.0;
    let steps = cells
        .iter()
        .zip(&mass)
        .map(|(&((after, _), (by, _)), &mass)| {
            survival = f64::max(survival - mass, 0.0);
            TurnbullStep { after, by: by.is_finite().then_some(by), mass, survival }
        })
        .collect();
    Ok(TurnbullCurve { steps, iterations, converged })
}

/// Where the failure lies: from a left place to a right place, both included.
fn span(lifetime: &Lifetime) -> (Place, Place) {
    match lifetime.observation {
        Observation::Exact { age } => ((age, false), (age, false)),
        Observation::RightCensored { age } => ((age, true), (f64::INFINITY, false)),
        Observation::Interval { after, by } => ((after, true), (by, false)),
    }
}

fn before(a: Place, b: Place) -> bool {
    a.0 < b.0 || (a.0.total_cmp(&b.0).is_eq() && !a.1 && b.1)
}

/// Innermost intervals: a left end directly followed by a right end.
fn innermost(spans: &[(Place, Place)], lifetimes: &[Lifetime]) -> Vec<(Place, Place)> {
    let mut ends: Vec<(Place, bool)> = Vec::with_capacity(2 * spans.len());
    for (low, high) in spans {
        ends.push((*low, false));
        ends.push((*high, true));
    }
    for lifetime in lifetimes.iter().filter(|l| l.entry > 0.0) {
        ends.push(((lifetime.entry, true), false));
    }
    ends.sort_by(|(a, a_right), (b, b_right)| {
        a.0.total_cmp(&b.0).then(a.1.cmp(&b.1)).then(a_right.cmp(b_right))
    });
    ends.windows(2)
        .filter(|pair| !pair[0].1 && pair[1].1)
        .map(|pair| (pair[0].0, pair[1].0))
        .collect()
}

fn turnbull_round(
    mass: &[f64],
    runs: &[(usize, usize, usize)],
    lifetimes: &[Lifetime],
) -> Vec<f64> {
    let mut next = vec![0.0; mass.len()];
    for (&(first, last, entered), lifetime) in runs.iter().zip(lifetimes) {
        let inside: f64 = mass[first..last].iter().sum();
        if inside > 0.0 {
            for (total, m) in next[first..last].iter_mut().zip(&mass[first..last]) {
                *total += lifetime.weight * m / inside;
            }
        }
        // Parts like this one that failed before they could enter.
        let visible: f64 = mass[entered..].iter().sum();
        if entered > 0 && visible > 0.0 {
            for (total, m) in next[..entered].iter_mut().zip(&mass[..entered]) {
                *total += lifetime.weight * m / visible;
            }
        }
    }
    let sum: f64 = next.iter().sum();
    next.iter().map(|n| n / sum).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn row(entry: f64, lower: Option<f64>, upper: Option<f64>) -> Lifetime {
        Lifetime::from_bounds(entry, lower, upper, 1.0).unwrap()
    }

    #[test]
    fn turnbull_of_exact_and_right_censored_ends_is_kaplan_meier() {
        let rows: Vec<Lifetime> =
            [(2.0, true), (3.0, false), (4.0, true), (4.0, true), (6.0, false)]
                .iter()
                .map(|&(age, failed)| row(0.0, Some(age), failed.then_some(age)))
                .collect();
        let plain = kaplan_meier(&rows, 0.95).unwrap();
        let general = turnbull(&rows).unwrap();
        assert!(general.converged);
        for age in [1.0, 2.0, 3.5, 4.0, 5.0] {
            assert!((plain.survival(age) - general.survival(age)).abs() < 1e-8, "{age}");
        }
    }

    #[test]
    fn a_part_enters_the_risk_set_at_its_entry_age() {
        let rows = [
            row(0.0, Some(2.0), Some(2.0)),
            row(3.0, Some(5.0), Some(5.0)),
            row(0.0, Some(6.0), None),
        ];
        let curve = kaplan_meier(&rows, 0.95).unwrap();
        assert!((curve.steps[0].at_risk - 2.0).abs() < 1e-12);
        assert!((curve.steps[1].at_risk - 2.0).abs() < 1e-12);
    }

    #[test]
    fn one_group_is_nothing_to_compare() {
        let rows = [row(0.0, Some(2.0), Some(2.0)), row(0.0, Some(3.0), Some(3.0))];
        assert_eq!(log_rank(&rows, &[0, 0], &[0, 0], 0.0).unwrap_err(), CurveError::OneGroup);
    }
}
