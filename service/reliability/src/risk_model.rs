//! The branch's life model: Weibull on heat age per class, few proportional-hazards covariates,
//! one gamma frailty per site.

mod diagnostics;
mod fit;
mod imputation;
mod maximum;

use hotspell_domain::ComponentClass;
use serde::{Deserialize, Serialize};

use crate::gamma_mixture::FrailtyPosterior;
use crate::matrix::Matrix;
use crate::shared_frailty::Layout;

pub use diagnostics::FitDiagnostics;
pub use fit::{FitError, FitInput, FittedRiskModel, fit};

pub(crate) use maximum::{covariance_of, fit_grouped};

/// How the parameters were found.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum FitMethod {
    /// Prior and records together; the covariance is the Laplace approximation of the posterior.
    MaximumAPosteriori,
    /// Records alone; the covariance is the inverse observed information.
    MaximumLikelihood,
}

/// Weibull law of one class on heat age.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ClassModel {
    /// The class.
    pub class: ComponentClass,
    /// Weibull shape.
    pub shape: f64,
    /// Weibull scale, equivalent hours.
    pub scale_hours: f64,
    /// Scale by the prior alone, equivalent hours.
    pub prior_scale_hours: f64,
    /// Shape by the prior alone.
    pub prior_shape: f64,
    /// Components in the records.
    pub components: usize,
    /// Failures in the records.
    pub failures: usize,
    /// Of these, ends by a reading below the limit.
    pub below_limit: usize,
}

/// A fitted model. Serialisable, so that a run record can hold it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct RiskModel {
    /// One law per class, in the order of [`ComponentClass::ALL`].
    pub classes: Vec<ClassModel>,
    /// Names of the covariates.
    pub covariate_names: Vec<String>,
    /// Log hazard ratio per unit of each covariate.
    pub coefficients: Vec<f64>,
    /// Variance of the site frailty; 0 when sites are alike.
    pub frailty_variance: f64,
    /// Covariance of (log scales, log shapes, coefficients, log frailty variance); the last row
    /// is 0 when the variance is 0.
    pub covariance: Matrix,
    /// How it was found.
    pub method: FitMethod,
}

/// Position of a class in [`ComponentClass::ALL`].
pub(crate) fn class_index(class: ComponentClass) -> usize {
    ComponentClass::ALL.iter().position(|&c| c == class).unwrap_or(0)
}

impl RiskModel {
    /// Where the parameters stand in the covariance.
    #[must_use]
    pub fn layout(&self) -> Layout {
        Layout { classes: self.classes.len(), covariates: self.coefficients.len() }
    }

    /// The parameters in the order of the covariance: log scales, log shapes, coefficients, log
    /// frailty variance (a variance of 0 stands as its logarithm at -50).
    #[must_use]
    pub fn parameters(&self) -> Vec<f64> {
        let scales = self.classes.iter().map(|class| class.scale_hours.ln());
        let shapes = self.classes.iter().map(|class| class.shape.ln());
        let variance = self.frailty_variance.ln().max(-50.0);
        scales.chain(shapes).chain(self.coefficients.iter().copied()).chain([variance]).collect()
    }

    /// The law of a class.
    #[must_use]
    pub fn class(&self, class: ComponentClass) -> Option<&ClassModel> {
        self.classes.iter().find(|model| model.class == class)
    }

    /// Log hazard ratio of a component against the reference part.
    #[must_use]
    pub fn log_hazard_ratio(&self, covariates: &[f64]) -> f64 {
        self.coefficients.iter().zip(covariates).map(|(b, x)| b * x).sum()
    }

    /// Posterior of a site's frailty from its failures and the cumulative hazard of all its
    /// parts, each from new.
    #[must_use]
    pub fn frailty_posterior(&self, failures: f64, cumulative_hazard: f64) -> FrailtyPosterior {
        FrailtyPosterior::new(self.frailty_variance, failures, cumulative_hazard)
    }
}

impl ClassModel {
    /// Share of failures that readings can see coming: ends by a reading below the limit among
    /// all, with one of each kind added (Laplace's rule); 0 for classes that are not read.
    #[must_use]
    pub fn drift_share(&self) -> f64 {
        let count = |n: usize| u32::try_from(n).map_or(f64::MAX, f64::from);
        if self.class.is_run_capacitor() {
            (count(self.below_limit) + 1.0) / (count(self.failures) + 2.0)
        } else {
            0.0
        }
    }

    /// Hazard mass gathered from `age` over `more` further hours, without loss of digits.
    #[must_use]
    pub fn hazard_between(&self, age_hours: f64, more_hours: f64) -> f64 {
        if age_hours > 0.0 {
            self.cumulative_hazard(age_hours)
                * (self.shape * (more_hours / age_hours).ln_1p()).exp_m1()
        } else {
            self.cumulative_hazard(more_hours)
        }
    }

    /// The law before any record.
    #[must_use]
    pub fn prior_law(&self) -> Self {
        Self { shape: self.prior_shape, scale_hours: self.prior_scale_hours, ..self.clone() }
    }

    /// Cumulative hazard of a reference part at frailty 1: `(age / scale)^shape`.
    #[must_use]
    pub fn cumulative_hazard(&self, heat_age_hours: f64) -> f64 {
        if heat_age_hours <= 0.0 {
            0.0
        } else {
            (heat_age_hours / self.scale_hours).powf(self.shape)
        }
    }

    /// Heat age at a cumulative hazard.
    #[must_use]
    pub fn age_at_hazard(&self, hazard: f64) -> f64 {
        self.scale_hours * hazard.powf(1.0 / self.shape)
    }
}
