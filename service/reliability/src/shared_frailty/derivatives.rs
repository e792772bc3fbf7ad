//! First and second derivatives of hazards and of the frailty's log transform, added to the total.

use super::grouped::GroupedLifetimes;
use super::work::{Point, Work};
use crate::gamma_mixture::LogTransform;
use crate::matrix::Matrix;

impl Work<'_> {
    /// `log h` of an exact failure at frailty 1.
    pub(super) fn add_log_hazard(&mut self, data: &GroupedLifetimes, end: Point, log_age: f64) {
        let (known, _) = data.unit(end.unit);
        let log_shape = self.parameters[self.layout.log_shape(known.class)];
        self.total.value += log_shape + end.hazard.ln() - log_age;
        let mut gradient = core::mem::take(&mut self.total.gradient);
        self.add_direction(data, end, 1.0, &mut gradient);
        gradient[self.layout.log_shape(known.class)] += 1.0;
        self.total.gradient = gradient;
        self.add_bend(data, end, 1.0);
    }

    /// `log (H(by) - H(after))` of a narrow interval.
    pub(super) fn add_log_mass(&mut self, data: &GroupedLifetimes, after: Point, by: Point) {
        let mass = by.hazard - after.hazard;
        self.total.value += mass.ln();
        let mut gradient = core::mem::take(&mut self.gradient);
        gradient.fill(0.0);
        self.add_direction(data, by, by.hazard / mass, &mut gradient);
        self.add_direction(data, after, -after.hazard / mass, &mut gradient);
        for (total, g) in self.total.gradient.iter_mut().zip(&gradient) {
            *total += g;
        }
        add_lower_outer(&mut self.total.hessian, -1.0, &gradient);
        self.gradient = gradient;
        self.add_curvature(data, by, 1.0 / mass);
        self.add_curvature(data, after, -1.0 / mass);
    }

    pub(super) fn add_transform(&mut self, g: &LogTransform, weight: f64, gradient: &[f64]) {
        let last = self.layout.frailty();
        self.total.value += weight * g.value;
        for (total, part) in self.total.gradient.iter_mut().zip(gradient) {
            *total += weight * g.by_hazard * part;
        }
        self.total.gradient[last] += weight * g.by_theta;
        self.add_transform_hessian(g, weight, gradient);
    }

    pub(super) fn add_transform_hessian(
        &mut self,
        g: &LogTransform,
        weight: f64,
        gradient: &[f64],
    ) {
        let last = self.layout.frailty();
        add_lower_outer(&mut self.total.hessian, weight * g.by_hazard_twice, gradient);
        for (i, part) in gradient.iter().enumerate().take(last) {
            self.total.hessian.add(last, i, weight * g.by_theta_hazard * part);
        }
        self.total.hessian.add(last, last, weight * g.by_theta_twice);
    }

    /// Adds `weight * d(z + x beta)`.
    pub(super) fn add_direction(
        &self,
        data: &GroupedLifetimes,
        point: Point,
        weight: f64,
        out: &mut [f64],
    ) {
        // An age of 0 has no hazard and its logarithm no derivative.
        if point.hazard <= 0.0 {
            return;
        }
        let (known, covariates) = data.unit(point.unit);
        let shape = self.parameters[self.layout.log_shape(known.class)].exp();
        out[self.layout.log_scale(known.class)] -= weight * shape;
        out[self.layout.log_shape(known.class)] += weight * point.z;
        for (j, x) in covariates.iter().enumerate() {
            out[self.layout.coefficient(j)] += weight * x;
        }
    }

    /// Adds `weight` times the second derivative of `H = exp(z + x beta)`.
    pub(super) fn add_curvature(&mut self, data: &GroupedLifetimes, point: Point, weight: f64) {
        if point.hazard <= 0.0 {
            return;
        }
        let (known, covariates) = data.unit(point.unit);
        let shape = self.parameters[self.layout.log_shape(known.class)].exp();
        let scaled = weight * point.hazard;
        let (eta, k) = (self.layout.log_scale(known.class), self.layout.log_shape(known.class));
        let hessian = &mut self.total.hessian;
        hessian.add(eta, eta, scaled * shape * shape);
        hessian.add(k, eta, -scaled * shape * point.z);
        hessian.add(k, k, scaled * point.z * point.z);
        for (j, x) in covariates.iter().enumerate() {
            let row = self.layout.coefficient(j);
            hessian.add(row, eta, -scaled * x * shape);
            hessian.add(row, k, scaled * x * point.z);
            for (i, other) in covariates.iter().enumerate().take(j + 1) {
                hessian.add(row, self.layout.coefficient(i), scaled * x * other);
            }
        }
        self.add_bend(data, point, scaled);
    }

    /// Adds `weight` times the second derivative of `z`.
    fn add_bend(&mut self, data: &GroupedLifetimes, point: Point, weight: f64) {
        let (known, _) = data.unit(point.unit);
        let (eta, k) = (self.layout.log_scale(known.class), self.layout.log_shape(known.class));
        let shape = self.parameters[k].exp();
        self.total.hessian.add(k, k, weight * point.z);
        self.total.hessian.add(k, eta, -weight * shape);
    }
}

pub(super) fn add_lower_outer(matrix: &mut Matrix, weight: f64, vector: &[f64]) {
    for (i, left) in vector.iter().enumerate() {
        if *left != 0.0 {
            let scaled = weight * left;
            for (j, right) in vector.iter().enumerate().take(i + 1) {
                matrix.add(i, j, scaled * right);
            }
        }
    }
}
