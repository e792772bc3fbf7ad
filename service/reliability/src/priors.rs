//! What is believed before the branch's own records speak, in one place.
//!
//! The centres are wide on purpose: a standard deviation of 0.35 on a logarithm means a factor
//! of two either way. The life ranges beside each class come from general publications of low
//! authority (marked), so that a branch's own failures soon outweigh them.
//!
//! | quantity | prior | why |
//! |---|---|---|
//! | log shape | N(log 2.5, 0.35^2) | wear-out, between 1.3 and 5 |
//! | log scale | N(log of the local heat of the class's years, 0.35^2) | ten years for capacitors |
//! | coefficients | N(0, 0.3^2) | no effect expected, a factor of two possible |
//! | log frailty variance | N(log 0.5, 0.8^2) | homes differ by a factor of two or so |
//!
//! Classes share a common level: log scales (and log shapes) of two classes have correlation
//! one half, as if half of their variance came from one draw for the whole branch. A class with
//! two failures so borrows from the others.

use std::collections::BTreeMap;

use hotspell_domain::ComponentClass;
use serde::{Deserialize, Serialize};

use crate::matrix::Matrix;
use crate::shared_frailty::Layout;

/// What is believed of one class of component.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ClassPrior {
    /// The class.
    pub class: ComponentClass,
    /// Calendar years whose local heat is the centre of the scale.
    pub scale_years: f64,
    /// Years that the trade calls usual, shortest and longest.
    pub trade_life_years: (f64, f64),
    /// Where the range comes from.
    pub source: String,
}

/// All priors of a fit. Stored with every fit.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Priors {
    /// Centre of the Weibull shape.
    pub shape_centre: f64,
    /// Standard deviation of the log shape.
    pub log_shape_sd: f64,
    /// Standard deviation of the log scale.
    pub log_scale_sd: f64,
    /// Correlation between classes, of log scales and of log shapes.
    pub class_correlation: f64,
    /// Standard deviation of every log hazard ratio, around 0.
    pub coefficient_sd: f64,
    /// Centre of the frailty variance.
    pub frailty_variance_centre: f64,
    /// Standard deviation of the log frailty variance.
    pub log_frailty_variance_sd: f64,
    /// From so many failures in all ...
    pub likelihood_alone_from_failures: usize,
    /// ... and so many in every class, the priors are left out.
    pub likelihood_alone_from_class_failures: usize,
    /// Per class.
    pub classes: Vec<ClassPrior>,
}

impl Default for Priors {
    fn default() -> Self {
        let class = |class, scale_years, low, high, source: &str| ClassPrior {
            class,
            scale_years,
            trade_life_years: (low, high),
            source: source.to_owned(),
        };
        let capacitor = "five to ten years, some fifteen, some under four: common practice, no \
                         source; 8 to 15 years in a consumer article";
        let handbook = "median service life quoted by trade pages and attributed to a handbook of \
                        the heating and cooling profession; not checked at the source";
        Self {
            shape_centre: 2.5,
            log_shape_sd: 0.35,
            log_scale_sd: 0.35,
            class_correlation: 0.5,
            coefficient_sd: 0.3,
            frailty_variance_centre: 0.5,
            log_frailty_variance_sd: 0.8,
            likelihood_alone_from_failures: 1000,
            likelihood_alone_from_class_failures: 100,
            classes: vec![
                class(ComponentClass::RunCapacitorSingle, 10.0, 4.0, 15.0, capacitor),
                class(ComponentClass::RunCapacitorDual, 10.0, 4.0, 15.0, capacitor),
                class(ComponentClass::Contactor, 17.0, 8.0, 20.0, handbook),
                class(ComponentClass::FanMotor, 18.0, 8.0, 20.0, handbook),
                class(ComponentClass::BlowerMotor, 18.0, 8.0, 20.0, handbook),
                class(ComponentClass::Compressor, 20.0, 10.0, 20.0, handbook),
            ],
        }
    }
}

/// Heat age that a component of each class gathers at the branch in an average calendar year, in
/// equivalent hours. It turns years of the trade into the unit of the model.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct LocalHeat {
    /// Per class.
    pub equivalent_hours_per_year: BTreeMap<ComponentClass, f64>,
}

/// A joint normal distribution of the parameters.
#[derive(Debug, Clone)]
pub struct NormalPrior {
    /// Centre.
    pub mean: Vec<f64>,
    /// Inverse of the covariance.
    pub precision: Matrix,
}

impl NormalPrior {
    /// Independent normals.
    #[must_use]
    pub fn independent(mean: Vec<f64>, standard_deviations: &[f64]) -> Self {
        let mut precision = Matrix::zeros(mean.len());
        for (i, sd) in standard_deviations.iter().enumerate() {
            precision.set(i, i, sd.powi(-2));
        }
        Self { mean, precision }
    }

    /// Log density up to the constant, as value, gradient and Hessian.
    #[must_use]
    pub fn log_density(&self, point: &[f64]) -> crate::newton::Evaluation {
        let off: Vec<f64> = point.iter().zip(&self.mean).map(|(x, m)| x - m).collect();
        let pull = self.precision.times(&off);
        let mut hessian = Matrix::zeros(point.len());
        for i in 0..point.len() {
            for j in 0..point.len() {
                hessian.set(i, j, -self.precision.get(i, j));
            }
        }
        crate::newton::Evaluation {
            value: -0.5 * off.iter().zip(&pull).map(|(a, b)| a * b).sum::<f64>(),
            gradient: pull.iter().map(|p| -p).collect(),
            hessian,
        }
    }
}

impl Priors {
    /// Centre of the log scale of a class, if its local heat is known.
    #[must_use]
    pub fn log_scale_centre(&self, class: ComponentClass, heat: &LocalHeat) -> Option<f64> {
        let years = self.classes.iter().find(|prior| prior.class == class)?.scale_years;
        let yearly = *heat.equivalent_hours_per_year.get(&class)?;
        (yearly > 0.0 && yearly.is_finite()).then(|| (years * yearly).ln())
    }

    /// The joint prior of a model with these centres of the log scales, one per class.
    #[must_use]
    pub fn joint(&self, layout: Layout, log_scale_centres: &[f64]) -> NormalPrior {
        let mut mean = vec![0.0; layout.len()];
        let mut precision = Matrix::zeros(layout.len());
        let between = self.exchangeable_precision(layout.classes);
        for i in 0..layout.classes {
            mean[layout.log_scale(i)] = log_scale_centres[i];
            mean[layout.log_shape(i)] = self.shape_centre.ln();
            for j in 0..layout.classes {
                let value = if i == j { between.0 } else { between.1 };
                precision.set(
                    layout.log_scale(i),
                    layout.log_scale(j),
                    value / self.log_scale_sd.powi(2),
                );
                precision.set(
                    layout.log_shape(i),
                    layout.log_shape(j),
                    value / self.log_shape_sd.powi(2),
                );
            }
        }
        for j in 0..layout.covariates {
            let at = layout.coefficient(j);
            precision.set(at, at, self.coefficient_sd.powi(-2));
        }
        let last = layout.frailty();
        mean[last] = self.frailty_variance_centre.ln();
        precision.set(last, last, self.log_frailty_variance_sd.powi(-2));
        NormalPrior { mean, precision }
    }

    /// Diagonal and off-diagonal of the inverse of a correlation matrix with one common
    /// correlation: `((1 - r) I + r 11')^-1`.
    fn exchangeable_precision(&self, size: usize) -> (f64, f64) {
        let n = u32::try_from(size).map_or(f64::INFINITY, f64::from);
        let r = self.class_correlation;
        let off = -r / ((1.0 - r) * (1.0 + (n - 1.0) * r));
        (1.0 / (1.0 - r) + off, off)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn one_class_alone_has_the_documented_spread() {
        let priors = Priors::default();
        let layout = Layout { classes: 1, covariates: 1 };
        let covariance = priors.joint(layout, &[9.0]).precision.inverse().unwrap();
        let sds: Vec<f64> = covariance.diagonal().map(f64::sqrt).collect();
        for (sd, expected) in sds.iter().zip([0.35, 0.35, 0.3, 0.8]) {
            assert!((sd - expected).abs() < 1e-12);
        }
    }

    #[test]
    fn classes_keep_their_own_spread_and_share_half_of_it() {
        let priors = Priors::default();
        let layout = Layout { classes: 3, covariates: 0 };
        let covariance = priors.joint(layout, &[9.0; 3]).precision.inverse().unwrap();
        assert!((covariance.get(0, 0) - 0.1225).abs() < 1e-12);
        assert!((covariance.get(0, 2) - 0.06125).abs() < 1e-12);
    }
}
