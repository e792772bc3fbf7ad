//! What is read off a fit: parameters, quantiles, shares failed, with their intervals.

use serde::{Deserialize, Serialize};

use crate::intervals::{log_wald, wald};
use crate::location_scale::Distribution;
use crate::matrix::Matrix;
use crate::newton::Convergence;
use crate::weibull::Weibull;

/// A fitted law.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ParametricFit {
    /// The law of `W`.
    pub distribution: Distribution,
    /// Intercept, then one coefficient per covariate, on the log time scale.
    pub coefficients: Vec<f64>,
    /// `sigma`; 1 for the exponential.
    pub sigma: f64,
    /// Covariance of the coefficients and, last, `ln sigma` (0 when fixed).
    pub covariance: Matrix,
    /// Log likelihood on the original time scale.
    pub log_likelihood: f64,
    /// Sum of weights.
    pub units: f64,
    /// Sum of weights of failures.
    pub failures: f64,
    /// How the search ended.
    pub convergence: Convergence,
}

/// A quantity with its standard error and an interval.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Estimate {
    /// Value.
    pub value: f64,
    /// Standard error on the scale of the value.
    pub standard_error: f64,
    /// Interval.
    pub interval: [f64; 2],
}

impl ParametricFit {
    /// Akaike's information criterion.
    #[must_use]
    pub fn aic(&self) -> f64 {
        let fixed = usize::from(self.distribution.has_fixed_scale());
        let parameters = self.coefficients.len() + 1 - fixed;
        2.0 * u32::try_from(parameters).map_or(f64::MAX, f64::from) - 2.0 * self.log_likelihood
    }

    /// Weibull shape `1 / sigma`.
    #[must_use]
    pub fn shape(&self) -> f64 {
        1.0 / self.sigma
    }

    /// `exp(intercept)`: the Weibull scale without covariates.
    #[must_use]
    pub fn scale(&self) -> f64 {
        self.coefficients[0].exp()
    }

    /// Standard error of coefficient `index`, the intercept being 0.
    #[must_use]
    pub fn coefficient_error(&self, index: usize) -> f64 {
        self.covariance.get(index, index).sqrt()
    }

    /// Standard error of `ln sigma`.
    #[must_use]
    pub fn log_sigma_error(&self) -> f64 {
        self.coefficient_error(self.coefficients.len())
    }

    fn location(&self, covariates: &[f64]) -> f64 {
        self.coefficients[0]
            + self.coefficients[1..].iter().zip(covariates).map(|(b, x)| b * x).sum::<f64>()
    }

    /// Gradient of `location + w sigma` by the parameters.
    fn direction(&self, covariates: &[f64], w: f64) -> Vec<f64> {
        let mut direction = vec![1.0];
        direction.extend_from_slice(covariates);
        direction.push(w * self.sigma);
        direction
    }

    /// Age by which a share `probability` fails, with a Wald interval on its logarithm.
    #[must_use]
    pub fn quantile(&self, probability: f64, covariates: &[f64], confidence: f64) -> Estimate {
        let w = self.distribution.quantile(probability);
        let value = (self.location(covariates) + w * self.sigma).exp();
        let direction = self.direction(covariates, w);
        let log_error = self.covariance.quadratic_form(&direction, &direction).sqrt();
        Estimate {
            value,
            standard_error: value * log_error,
            interval: log_wald(value, log_error, confidence),
        }
    }

    /// Share that fails by `age`, with a Wald interval on the standardised log age; the standard
    /// error is that of the standardised log age.
    #[must_use]
    pub fn failed_by(&self, age: f64, covariates: &[f64], confidence: f64) -> Estimate {
        let z = (age.ln() - self.location(covariates)) / self.sigma;
        let direction: Vec<f64> =
            self.direction(covariates, z).iter().map(|d| -d / self.sigma).collect();
        let error = self.covariance.quadratic_form(&direction, &direction).sqrt();
        let share = |z: f64| -self.distribution.log_survival(z).exp_m1();
        Estimate {
            value: share(z),
            standard_error: error,
            interval: wald(z, error, confidence).map(share),
        }
    }

    /// Probability that a Weibull part fails between `age` and `age + more` given that it works
    /// at `age`, with a Wald interval on the log cumulative risk; the standard error is that of
    /// the log cumulative risk.
    #[must_use]
    pub fn conditional_failure(&self, age: f64, more: f64, confidence: f64) -> Estimate {
        let law = Weibull { shape: self.shape(), scale: self.scale() };
        let mass = law.hazard_between(age, more);
        let weighted = |t: f64| law.cumulative_hazard(t) * (t / law.scale).ln();
        let (log_scale_slope, log_sigma_slope) =
            (-law.shape, -law.shape * (weighted(age + more) - weighted(age)) / mass);
        let direction = [log_scale_slope, log_sigma_slope];
        let error = self.covariance.quadratic_form(&direction, &direction).sqrt();
        let risk = |log: f64| -(-log.exp()).exp_m1();
        Estimate {
            value: risk(mass.ln()),
            standard_error: error,
            interval: wald(mass.ln(), error, confidence).map(risk),
        }
    }
}
