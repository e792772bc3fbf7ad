//! Turnbull's self-consistent curve from interval ends.

use serde::{Deserialize, Serialize};

use super::CurveError;
use crate::lifetime::{Lifetime, Observation};

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
