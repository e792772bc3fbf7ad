//! Maximum likelihood for log-location-scale lifetimes with any censoring, entry ages, weights
//! and covariates.
//!
//! ```text
//! ln T = b0 + b1 x1 + ... + sigma W
//! ```
//! The log likelihood is the sum of weighted log densities on the original time scale. Parameters
//! are the coefficients and `ln sigma`; the covariance is the inverse observed information.
//!
//! # Sources
//! J. Lawless, Statistical Models and Methods for Lifetime Data, 2nd edition, Wiley 2003, chapter
//! 6; W. Meeker & L. Escobar, Statistical Methods for Reliability Data, Wiley 1998, chapters 8, 17.

use serde::{Deserialize, Serialize};

use crate::intervals::{chi_square_quantile, log_wald, normal_quantile, wald};
use crate::lifetime::{Lifetime, Observation};
use crate::location_scale::Distribution;
use crate::matrix::Matrix;
use crate::newton::{Convergence, Evaluation, Maximum, maximise};
use crate::priors::NormalPrior;

/// Lifetimes with their covariates.
#[derive(Debug, Clone, Default)]
pub struct Sample {
    /// Lifetimes.
    pub lifetimes: Vec<Lifetime>,
    /// One row of covariates per lifetime; all of one length, without the constant.
    pub covariates: Vec<Vec<f64>>,
}

/// Why there is no fit.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum ParametricError {
    /// No lifetime.
    #[error("there are no lifetimes to fit")]
    Empty,
    /// A row with another number of covariates, or one that is no number.
    #[error(
        "lifetime {row} has {found} covariates, all must be finite and as many as in the first ({expected})"
    )]
    Covariates {
        /// Index of the lifetime, from 0.
        row: usize,
        /// Found.
        found: usize,
        /// Expected.
        expected: usize,
    },
    /// Nothing failed, so the likelihood rises for ever.
    #[error(
        "no failure among {0} lifetimes: there is no maximum; use a prior or wait for failures"
    )]
    NoFailures(usize),
    /// Fewer distinct failure ages than parameters.
    #[error(
        "too few different failure ages for {parameters} parameters (one unit, or all failed at one age): the likelihood has no maximum"
    )]
    Degenerate {
        /// Number of parameters.
        parameters: usize,
    },
    /// A covariate that never varies.
    #[error(
        "covariate {index} is the same in every lifetime: it cannot be told from the intercept"
    )]
    ConstantCovariate {
        /// Index of the covariate, from 0.
        index: usize,
    },
    /// A covariate separates failures from survivors.
    #[error(
        "covariate {index} separates failures from survivors perfectly: its effect has no finite estimate; leave it out or use a prior"
    )]
    Separated {
        /// Index of the covariate, from 0.
        index: usize,
    },
    /// A weight where groups share a frailty.
    #[error(
        "lifetime {row} has weight {weight}: with a shared frailty every lifetime must stand alone; repeat the row instead"
    )]
    WeightInGroup {
        /// Index of the lifetime, from 0.
        row: usize,
        /// Its weight.
        weight: f64,
    },
    /// The search did not end at a maximum: collinear covariates or too little data.
    #[error(
        "the fit did not converge after {iterations} steps (largest gradient {largest_gradient:.3e}): covariates may depend on each other, or there is too little data"
    )]
    NotConverged {
        /// Steps.
        iterations: usize,
        /// Largest derivative left.
        largest_gradient: f64,
    },
}

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

impl Sample {
    /// Without covariates.
    #[must_use]
    pub fn without_covariates(lifetimes: Vec<Lifetime>) -> Self {
        let covariates = vec![Vec::new(); lifetimes.len()];
        Self { lifetimes, covariates }
    }

    /// Log likelihood with derivatives at `(coefficients..., ln sigma)`.
    #[must_use]
    pub fn evaluate(&self, distribution: Distribution, parameters: &[f64]) -> Evaluation {
        let mut total = Evaluation::zeros(parameters.len());
        for (lifetime, covariates) in self.lifetimes.iter().zip(&self.covariates) {
            add_lifetime(&mut total, distribution, parameters, lifetime, covariates);
        }
        total
    }

    fn check(&self, distribution: Distribution) -> Result<usize, ParametricError> {
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

/// Adds one lifetime's weighted log likelihood and derivatives.
fn add_lifetime(
    total: &mut Evaluation,
    distribution: Distribution,
    parameters: &[f64],
    lifetime: &Lifetime,
    covariates: &[f64],
) {
    let last = parameters.len() - 1;
    let sigma = parameters[last].exp();
    let location = parameters[0]
        + covariates.iter().zip(&parameters[1..last]).map(|(x, b)| x * b).sum::<f64>();
    let weight = lifetime.weight;
    let z = |age: f64| (age.ln() - location) / sigma;
    let mut term = Term { total, covariates, sigma, weight };
    match lifetime.observation {
        Observation::Exact { age } => {
            let at = z(age);
            let [value, first, second] = distribution.log_density(at);
            term.add(at, value - sigma.ln() - age.ln(), first, second);
            term.total.gradient[last] -= weight;
        }
        Observation::RightCensored { age } => {
            if age > 0.0 {
                let at = z(age);
                let [value, first, second] = distribution.log_survival_derivatives(at);
                term.add(at, value, first, second);
            }
        }
        Observation::Interval { after, by } => {
            let (low, high) = (z(after), z(by));
            term.add_interval(distribution, low, high);
        }
    }
    if lifetime.entry > 0.0 {
        let at = z(lifetime.entry);
        let [value, first, second] = distribution.log_survival_derivatives(at);
        term.add(at, -value, -first, -second);
    }
}

struct Term<'a> {
    total: &'a mut Evaluation,
    covariates: &'a [f64],
    sigma: f64,
    weight: f64,
}

impl Term<'_> {
    /// `x` of coefficient `i`, the constant first.
    fn x(&self, i: usize) -> f64 {
        if i == 0 { 1.0 } else { self.covariates[i - 1] }
    }

    /// Derivative of `z` by parameter `i`.
    fn slope(&self, i: usize, z: f64) -> f64 {
        if i > self.covariates.len() { -z } else { -self.x(i) / self.sigma }
    }

    /// Adds a function of one `z` by its value and derivatives.
    fn add(&mut self, z: f64, value: f64, first: f64, second: f64) {
        self.total.value += self.weight * value;
        self.add_slopes(z, first);
        self.add_bend(z, z, second);
        self.add_curvature(z, first);
    }

    fn add_slopes(&mut self, z: f64, first: f64) {
        for i in 0..self.covariates.len() + 2 {
            self.total.gradient[i] += self.weight * first * self.slope(i, z);
        }
    }

    /// `coefficient * dz_left dz_right'`.
    fn add_bend(&mut self, left: f64, right: f64, coefficient: f64) {
        for i in 0..self.covariates.len() + 2 {
            let scaled = self.weight * coefficient * self.slope(i, left);
            for j in 0..self.covariates.len() + 2 {
                self.total.hessian.add(i, j, scaled * self.slope(j, right));
            }
        }
    }

    /// `first * d2z`: `d2z / db dln sigma = x / sigma`, `d2z / dln sigma^2 = z`.
    fn add_curvature(&mut self, z: f64, first: f64) {
        let last = self.covariates.len() + 1;
        for i in 0..last {
            let value = self.weight * first * self.x(i) / self.sigma;
            self.total.hessian.add(i, last, value);
            self.total.hessian.add(last, i, value);
        }
        self.total.hessian.add(last, last, self.weight * first * z);
    }

    /// `ln(S(low) - S(high))`; a `low` of negative infinity has no density and no derivative.
    fn add_interval(&mut self, distribution: Distribution, low: f64, high: f64) {
        let log_mass = distribution.log_interval(low, high);
        self.total.value += self.weight * log_mass;
        let side = |z: f64| {
            let [density, slope, _] = distribution.log_density(z);
            let ratio = (density - log_mass).exp();
            (ratio, ratio * slope)
        };
        let (last, last_slope) = side(high);
        self.add_slopes(high, last);
        self.add_bend(high, high, last_slope - last * last);
        self.add_curvature(high, last);
        if low > f64::NEG_INFINITY {
            let (first, first_slope) = side(low);
            self.add_slopes(low, -first);
            self.add_bend(low, low, -first_slope - first * first);
            self.add_bend(low, high, first * last);
            self.add_bend(high, low, first * last);
            self.add_curvature(low, -first);
        }
    }
}

/// Fits by maximum likelihood.
///
/// # Errors
/// [`ParametricError`] for degenerate data and when no maximum is found.
pub fn fit(sample: &Sample, distribution: Distribution) -> Result<ParametricFit, ParametricError> {
    let covariates = sample.check(distribution)?;
    // Centred and scaled covariates make the first steps safe; the answer is mapped back.
    let scaling: Vec<(f64, f64)> = (0..covariates).map(|j| centre_and_spread(sample, j)).collect();
    let scaled = Sample {
        lifetimes: sample.lifetimes.clone(),
        covariates: sample
            .covariates
            .iter()
            .map(|row| row.iter().zip(&scaling).map(|(x, (c, s))| (x - c) / s).collect())
            .collect(),
    };
    let size = covariates + 2;
    let mut start = vec![0.0; size];
    start[0] = start_location(sample);
    start[size - 1] = if distribution.has_fixed_scale() { 0.0 } else { -0.5 };
    let free: Vec<usize> =
        if distribution.has_fixed_scale() { (0..size - 1).collect() } else { (0..size).collect() };
    let found = maximise(&start, &free, |point| scaled.evaluate(distribution, point));
    let information = negated(&found.at.hessian.submatrix(&free));
    let Some(inverse) = information.inverse().filter(|_| found.convergence.converged) else {
        return Err(ParametricError::NotConverged {
            iterations: found.convergence.iterations,
            largest_gradient: found.convergence.largest_gradient,
        });
    };
    // A standard deviation of the covariate that moves log life by 100 is no effect but a flat
    // likelihood.
    if let Some(index) = (0..covariates).find(|&j| inverse.get(j + 1, j + 1) > 1e4) {
        return Err(ParametricError::Separated { index });
    }
    Ok(unscaled(sample, distribution, &found, &inverse, &scaling))
}

fn negated(matrix: &Matrix) -> Matrix {
    let mut result = Matrix::zeros(matrix.size());
    for i in 0..matrix.size() {
        for j in 0..matrix.size() {
            result.set(i, j, -matrix.get(i, j));
        }
    }
    result
}

fn centre_and_spread(sample: &Sample, index: usize) -> (f64, f64) {
    let count = u32::try_from(sample.covariates.len()).map_or(f64::MAX, f64::from);
    let mean = sample.covariates.iter().map(|row| row[index]).sum::<f64>() / count;
    let variance =
        sample.covariates.iter().map(|row| (row[index] - mean).powi(2)).sum::<f64>() / count;
    (mean, variance.sqrt())
}

/// Log of total time over failures: the exponential's answer, a safe start for all.
fn start_location(sample: &Sample) -> f64 {
    let time: f64 = sample.lifetimes.iter().map(|l| l.weight * (l.end_age() - l.entry)).sum();
    let failures: f64 = sample.lifetimes.iter().filter(|l| l.failed()).map(|l| l.weight).sum();
    (time / failures).ln()
}

fn unscaled(
    sample: &Sample,
    distribution: Distribution,
    found: &Maximum,
    inverse: &Matrix,
    scaling: &[(f64, f64)],
) -> ParametricFit {
    let size = scaling.len() + 2;
    let mut full = Matrix::zeros(size);
    for i in 0..inverse.size() {
        for j in 0..inverse.size() {
            full.set(i, j, inverse.get(i, j));
        }
    }
    let mut map = vec![vec![0.0; size]; size];
    map[0][0] = 1.0;
    map[size - 1][size - 1] = 1.0;
    for (j, (centre, spread)) in scaling.iter().enumerate() {
        map[j + 1][j + 1] = 1.0 / spread;
        map[0][j + 1] = -centre / spread;
    }
    let coefficients = map[..size - 1]
        .iter()
        .map(|row| row.iter().zip(&found.point).map(|(a, b)| a * b).sum())
        .collect();
    ParametricFit {
        distribution,
        coefficients,
        sigma: found.point[size - 1].exp(),
        covariance: full.mapped(&map),
        log_likelihood: found.at.value,
        units: sample.lifetimes.iter().map(|l| l.weight).sum(),
        failures: sample.lifetimes.iter().filter(|l| l.failed()).map(|l| l.weight).sum(),
        convergence: found.convergence.clone(),
    }
}

/// The posterior mode of a law without covariates under a normal prior on `(ln scale, ln shape)`
/// and its Laplace approximation.
#[derive(Debug, Clone)]
pub struct WeibullPosterior {
    /// Mode of `(ln scale, ln shape)`.
    pub mode: [f64; 2],
    /// Covariance there.
    pub covariance: Matrix,
    /// Log likelihood plus log prior density at the mode.
    pub log_posterior: f64,
    /// Laplace approximation of the log evidence.
    pub log_evidence: f64,
}

/// Log likelihood plus log prior (without its constant) at `(ln scale, ln shape)`.
#[must_use]
pub fn weibull_log_posterior(
    lifetimes: &Sample,
    prior: &NormalPrior,
    log_scale: f64,
    log_shape: f64,
) -> Evaluation {
    let mut at = lifetimes.evaluate(Distribution::Weibull, &[log_scale, -log_shape]);
    // ln sigma = -ln shape.
    at.gradient[1] = -at.gradient[1];
    for (i, j) in [(0, 1), (1, 0)] {
        let value = -at.hessian.get(i, j);
        at.hessian.set(i, j, value);
    }
    at.add(&prior.log_density(&[log_scale, log_shape]));
    at
}

/// Maximum a posteriori of a Weibull law; works without any failure.
///
/// # Errors
/// [`ParametricError::Empty`] and [`ParametricError::NotConverged`].
pub fn weibull_posterior(
    lifetimes: &Sample,
    prior: &NormalPrior,
) -> Result<WeibullPosterior, ParametricError> {
    if lifetimes.lifetimes.is_empty() {
        return Err(ParametricError::Empty);
    }
    let found = maximise(&prior.mean, &[0, 1], |point| {
        weibull_log_posterior(lifetimes, prior, point[0], point[1])
    });
    let factor = negated(&found.at.hessian).cholesky();
    let (Some(factor), Some(prior_factor), true) =
        (factor, prior.precision.cholesky(), found.convergence.converged)
    else {
        return Err(ParametricError::NotConverged {
            iterations: found.convergence.iterations,
            largest_gradient: found.convergence.largest_gradient,
        });
    };
    let covariance = negated(&found.at.hessian).inverse().unwrap_or_else(|| Matrix::zeros(2));
    let log_two_pi = (2.0 * core::f64::consts::PI).ln();
    let log_posterior = found.at.value + 0.5 * prior_factor.log_determinant() - log_two_pi;
    let log_evidence = log_posterior + log_two_pi - 0.5 * factor.log_determinant();
    Ok(WeibullPosterior {
        mode: [found.point[0], found.point[1]],
        covariance,
        log_posterior,
        log_evidence,
    })
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
        let law = crate::weibull::Weibull { shape: self.shape(), scale: self.scale() };
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

/// What a likelihood-ratio interval is asked for.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Target {
    /// The age by which this share fails.
    Quantile(f64),
    /// `sigma` (invert for the Weibull shape).
    Sigma,
}

/// Likelihood-ratio interval of a fit without covariates: all values whose profile log likelihood
/// lies within half the chi-square quantile of the maximum. It does not lean on the normal
/// approximation and is the one to show when failures are few.
#[must_use]
pub fn likelihood_ratio_interval(
    sample: &Sample,
    fit: &ParametricFit,
    target: Target,
    confidence: f64,
) -> [f64; 2] {
    let drop = 0.5 * chi_square_quantile(confidence, 1.0);
    let log_sigma = fit.sigma.ln();
    // Coordinates: the log of the target first, the other parameter second.
    let (centre, other, error, w) = match target {
        Target::Sigma => (log_sigma, fit.coefficients[0], fit.log_sigma_error(), 0.0),
        Target::Quantile(p) => {
            let w = fit.distribution.quantile(p);
            let at = fit.quantile(p, &[], confidence);
            (at.value.ln(), log_sigma, at.standard_error / at.value, w)
        }
    };
    let profile = |value: f64, start: f64| {
        let found = maximise(&[value, start], &[1], |point| match target {
            Target::Sigma => swapped(sample.evaluate(fit.distribution, &[point[1], point[0]])),
            Target::Quantile(_) => moved_by_sigma(sample, fit.distribution, point, w),
        });
        (found.at.value - fit.log_likelihood + drop, found.point[1])
    };
    [-1.0, 1.0].map(|side| {
        let (mut inside, mut step, mut start) = (centre, error * side, other);
        let mut outside = centre + step;
        for _ in 0..60 {
            let (height, found) = profile(outside, start);
            if height < 0.0 {
                break;
            }
            start = found;
            inside = outside;
            step *= 1.5;
            outside += step;
        }
        for _ in 0..60 {
            let middle = f64::midpoint(inside, outside);
            let (height, found) = profile(middle, start);
            if height > 0.0 {
                inside = middle;
                start = found;
            } else {
                outside = middle;
            }
        }
        f64::midpoint(inside, outside).exp()
    })
}

fn swapped(mut at: Evaluation) -> Evaluation {
    at.gradient.swap(0, 1);
    let (a, b) = (at.hessian.get(0, 0), at.hessian.get(1, 1));
    at.hessian.set(0, 0, b);
    at.hessian.set(1, 1, a);
    at
}

/// The likelihood in coordinates (log quantile, ln sigma): `mu = log quantile - w sigma`.
fn moved_by_sigma(
    sample: &Sample,
    distribution: Distribution,
    point: &[f64],
    w: f64,
) -> Evaluation {
    let shift = w * point[1].exp();
    let mut at = sample.evaluate(distribution, &[point[0] - shift, point[1]]);
    let (mu, h00, h01) = (at.gradient[0], at.hessian.get(0, 0), at.hessian.get(0, 1));
    at.gradient[1] -= shift * mu;
    at.hessian.add(1, 1, -2.0 * shift * h01 + shift * shift * h00 - shift * mu);
    at.hessian.set(0, 1, h01 - shift * h00);
    at.hessian.set(1, 0, h01 - shift * h00);
    at
}

/// Bounds of the exponential mean life by the chi-square law, for time-truncated data.
///
/// ```text
/// 2 time / chi2(upper, 2 r + 2)  to  2 time / chi2(lower, 2 r)
/// ```
/// Source: W. Nelson, Applied Life Data Analysis, Wiley 1982, chapter 6.
#[must_use]
pub fn exponential_mean_interval(total_time: f64, failures: f64, confidence: f64) -> [f64; 2] {
    let tail = 0.5 * (1.0 - confidence);
    [
        2.0 * total_time / chi_square_quantile(1.0 - tail, 2.0 * failures + 2.0),
        2.0 * total_time / chi_square_quantile(tail, 2.0 * failures),
    ]
}

/// Test of no frailty: twice the rise of log likelihood is 0 with probability one half and
/// chi-square with one degree of freedom otherwise (S. Self & K. Liang, J. Amer. Stat. Assoc. 82
/// (1987) 605-610).
#[must_use]
pub fn boundary_p_value(likelihood_ratio: f64) -> f64 {
    if likelihood_ratio <= 0.0 {
        return 1.0;
    }
    // Half of P(chi2_1 > x) is the upper normal tail at its root.
    Distribution::Lognormal.log_survival(likelihood_ratio.sqrt()).exp()
}

/// Standard normal quantile, for callers that build their own bounds.
#[must_use]
pub fn z_of(confidence: f64) -> f64 {
    normal_quantile(0.5 + 0.5 * confidence)
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    fn exact(age: f64) -> Lifetime {
        Lifetime::from_bounds(0.0, Some(age), Some(age), 1.0).unwrap()
    }

    fn mixed() -> Sample {
        let row = |entry, lower, upper, weight| {
            Lifetime::from_bounds(entry, lower, upper, weight).unwrap()
        };
        Sample {
            lifetimes: vec![
                exact(3.0),
                row(1.0, Some(4.0), Some(6.0), 2.0),
                row(0.5, Some(7.0), None, 1.0),
                row(0.0, None, Some(2.0), 1.5),
                row(2.0, Some(5.0), Some(5.0), 1.0),
            ],
            covariates: vec![vec![0.2], vec![-1.0], vec![0.7], vec![1.5], vec![0.0]],
        }
    }

    proptest! {
        #[test]
        fn derivatives_agree_with_differences(
            b0 in 0.5_f64..2.5, b1 in -0.5_f64..0.5, s in -1.0_f64..0.5,
        ) {
            use Distribution::{Exponential, Loglogistic, Lognormal, Weibull};
            for law in [Weibull, Lognormal, Loglogistic, Exponential] {
                let sample = mixed();
                let point = [b0, b1, s];
                let here = sample.evaluate(law, &point);
                for i in 0..3 {
                    let moved = |by: f64| {
                        let mut p = point;
                        p[i] += by;
                        sample.evaluate(law, &p)
                    };
                    let (up, down) = (moved(1e-5), moved(-1e-5));
                    let slope = (up.value - down.value) / 2e-5;
                    prop_assert!((slope - here.gradient[i]).abs() < 1e-5 * (1.0 + slope.abs()));
                    for j in 0..3 {
                        let bend = (up.gradient[j] - down.gradient[j]) / 2e-5;
                        prop_assert!(
                            (bend - here.hessian.get(i, j)).abs() < 1e-4 * (1.0 + bend.abs())
                        );
                    }
                }
            }
        }
    }

    #[test]
    fn degenerate_data_are_refused_with_the_reason() {
        let right = |age| Lifetime::from_bounds(0.0, Some(age), None, 1.0).unwrap();
        let refusal = |lifetimes| {
            fit(&Sample::without_covariates(lifetimes), Distribution::Weibull).unwrap_err()
        };
        assert!(matches!(refusal(vec![]), ParametricError::Empty));
        assert!(matches!(refusal(vec![right(3.0), right(4.0)]), ParametricError::NoFailures(2)));
        assert!(matches!(refusal(vec![exact(3.0)]), ParametricError::Degenerate { .. }));
        assert!(matches!(
            refusal(vec![exact(3.0), exact(3.0), right(2.0)]),
            ParametricError::Degenerate { .. }
        ));
    }

    #[test]
    fn a_covariate_that_separates_failures_from_survivors_is_refused() {
        let right = |age| Lifetime::from_bounds(0.0, Some(age), None, 1.0).unwrap();
        let sample = Sample {
            lifetimes: vec![exact(3.0), exact(4.0), exact(6.0), right(7.0), right(8.0), right(9.0)],
            covariates: [0.0, 0.0, 0.0, 1.0, 1.0, 1.0].iter().map(|x| vec![*x]).collect(),
        };
        let refusal = fit(&sample, Distribution::Weibull).unwrap_err();
        assert_eq!(refusal, ParametricError::Separated { index: 0 });
    }

    #[test]
    fn a_constant_covariate_is_named() {
        let sample = Sample {
            lifetimes: vec![exact(3.0), exact(4.0)],
            covariates: vec![vec![1.0, 5.0], vec![2.0, 5.0]],
        };
        let refusal = fit(&sample, Distribution::Weibull).unwrap_err();
        assert_eq!(refusal, ParametricError::ConstantCovariate { index: 1 });
    }
}
