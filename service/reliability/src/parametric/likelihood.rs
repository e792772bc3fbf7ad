//! Log likelihood of a sample with exact first and second derivatives.

use super::sample::Sample;
use crate::lifetime::{Lifetime, Observation};
use crate::location_scale::Distribution;
use crate::newton::Evaluation;

impl Sample {
    /// Log likelihood with derivatives at `(coefficients..., ln sigma)`.
    #[must_use]
    pub fn evaluate(&self, distribution: Distribution, parameters: &[f64]) -> Evaluation {
        let mut total = Evaluation::zeros(parameters.len());
        for (lifetime, covariates) in self.lifetimes.iter().zip(&self.covariates) {
            add_lifetime(&mut total, distribution, parameters, lifetime, covariates);
        }
        total
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
