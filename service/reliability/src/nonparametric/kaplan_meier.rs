//! Kaplan-Meier curve with Greenwood's errors and Nelson-Aalen hazard.

use serde::{Deserialize, Serialize};

use super::CurveError;
use super::risk_sets::RiskSets;
use crate::intervals::z_of;
use crate::lifetime::Lifetime;

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

/// Kaplan-Meier curve with Greenwood's errors and Nelson-Aalen hazard; entry ages are obeyed.
///
/// # Errors
/// [`CurveError`] without lifetimes and with interval ends.
pub fn kaplan_meier(lifetimes: &[Lifetime], confidence: f64) -> Result<Curve, CurveError> {
    if lifetimes.is_empty() {
        return Err(CurveError::Empty);
    }
    let sets = RiskSets::new(lifetimes.iter().enumerate())?;
    let z = z_of(confidence);
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
        let wide = z_of(self.confidence) * step.standard_error / step.survival;
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
