//! The score of one component: probabilities and heat left.

use super::readings::{Drifting, drifting, failed_already, sudden_share};
use super::site::SiteHistory;
use super::{ComponentScore, ComponentState, ScoreInput};
use crate::ensemble::NodeAverages;
use crate::reason::Reason;
use crate::risk_model::ClassModel;
use crate::survival_sum::{expected_heat_left, invert};

/// Scores one component of a site.
pub(super) struct Scorer<'a> {
    pub(super) input: &'a ScoreInput<'a>,
    pub(super) site: &'a SiteHistory,
    pub(super) component: &'a ComponentState,
    pub(super) law: &'a ClassModel,
    pub(super) averages: &'a NodeAverages,
    /// Cumulative hazard of a reference part of its heat age.
    pub(super) hazard_now: f64,
    /// Logarithm of its heat age over the scale.
    pub(super) log_age_share: f64,
}

impl<'a> Scorer<'a> {
    pub(super) fn new(
        input: &'a ScoreInput<'a>,
        site: &'a SiteHistory,
        component: &'a ComponentState,
        (law, averages): (&'a ClassModel, &'a NodeAverages),
    ) -> Self {
        let age = component.heat_age_hours;
        Self {
            input,
            site,
            component,
            law,
            averages,
            hazard_now: law.cumulative_hazard(age),
            log_age_share: (age / law.scale_hours).ln(),
        }
    }

    /// Hazard mass of a reference part over `more` hours from now, and its derivative by the log
    /// shape over the shape: the rise of `H ln(age / scale)`.
    pub(super) fn mass_over(&self, more: f64) -> (f64, f64) {
        let (age, law) = (self.component.heat_age_hours, self.law);
        if age > 0.0 {
            let grown = (more / age).ln_1p();
            let rise = (law.shape * grown).exp_m1();
            let mass = self.hazard_now * rise;
            (mass, mass * self.log_age_share + self.hazard_now * (1.0 + rise) * grown)
        } else if more > 0.0 {
            let mass = law.cumulative_hazard(more);
            (mass, mass * (more / law.scale_hours).ln())
        } else {
            (0.0, 0.0)
        }
    }

    pub(super) fn score(&self) -> ComponentScore {
        if let Some(reason) = failed_already(self.input.drift, self.component) {
            return self.failed(reason);
        }
        let drifting = drifting(self.input.drift, self.component, self.law);
        let effect = self.input.model.log_hazard_ratio(&self.component.covariates).exp();
        let probability = self.probabilities(drifting.as_ref(), effect);
        let (lower, upper) = self.interval(&probability, drifting.as_ref(), effect);
        let (baseline_log_risk, log_risk, reasons) =
            self.reasons(&probability, drifting.as_ref(), effect);
        let (expected, median) = self.heat_left(drifting.as_ref(), effect);
        ComponentScore {
            component: self.component.component,
            site: self.component.site,
            probability,
            lower,
            upper,
            expected_heat_left_hours: expected,
            median_heat_left_hours: median,
            site_frailty: self.site.posterior.mean(),
            failed_already: false,
            baseline_log_risk,
            log_risk,
            reasons,
        }
    }

    fn failed(&self, reason: Reason) -> ComponentScore {
        let ones = vec![1.0; self.averages.weights.len()];
        ComponentScore {
            component: self.component.component,
            site: self.component.site,
            probability: ones.clone(),
            lower: ones.clone(),
            upper: ones,
            expected_heat_left_hours: Some(0.0),
            median_heat_left_hours: 0.0,
            site_frailty: self.site.posterior.mean(),
            failed_already: true,
            baseline_log_risk: None,
            log_risk: None,
            reasons: vec![reason],
        }
    }

    /// Cumulative risk when `hours` of the ensemble's heat have passed.
    pub(super) fn cumulative_risk(
        &self,
        hours: f64,
        drifting: Option<&Drifting>,
        effect: f64,
    ) -> f64 {
        let more = hours * self.component.heat_rate;
        let age = self.component.heat_age_hours;
        let mass = effect * sudden_share(drifting) * self.mass_over(more).0;
        self.site.posterior.cumulative_risk(mass)
            + drifting.map_or(0.0, |d| d.crossing_risk(age, more))
    }

    fn probabilities(&self, drifting: Option<&Drifting>, effect: f64) -> Vec<f64> {
        let at_nodes: Vec<f64> = self
            .averages
            .node_hours
            .iter()
            .map(|&hours| -(-self.cumulative_risk(hours, drifting, effect)).exp_m1())
            .collect();
        let mut highest = 0.0_f64;
        self.averages
            .weights
            .iter()
            .map(|weights| {
                let mean: f64 = weights.iter().zip(&at_nodes).map(|(w, p)| w * p).sum();
                highest = highest.max(mean.clamp(0.0, 1.0));
                highest
            })
            .collect()
    }

    /// Mean and median heat left, in the part's own equivalent hours.
    fn heat_left(&self, drifting: Option<&Drifting>, effect: f64) -> (Option<f64>, f64) {
        let age = self.component.heat_age_hours;
        let now = self.hazard_now;
        let posterior = &self.site.posterior;
        let sudden = |survival: f64| {
            let mass = posterior.hazard_at_survival(survival) / effect;
            (self.law.age_at_hazard(now + mass) - age).max(0.0)
        };
        match drifting {
            None => (expected_heat_left(sudden, posterior.shape * self.law.shape), sudden(0.5)),
            Some(drifting) => {
                let risk = |more: f64| {
                    let mass =
                        effect * sudden_share(Some(drifting)) * self.law.hazard_between(age, more);
                    posterior.cumulative_risk(mass) + drifting.crossing_risk(age, more)
                };
                let at = |survival: f64| invert(risk, -survival.ln(), self.law.scale_hours);
                (expected_heat_left(at, posterior.shape * self.law.shape), at(0.5))
            }
        }
    }
}
