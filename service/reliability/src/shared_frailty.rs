//! Log likelihood of Weibull lifetimes that share a gamma frailty within groups, with exact
//! first and second derivatives.
//!
//! ```text
//! h(t | u) = u * exp(x beta) * (k / eta) * (t / eta)^(k - 1)
//! group:  log E[prod of ends] - log E[exp(-u H(entry))]
//! ```
//! Every class of unit has its own `eta` and `k`; `beta` and the frailty variance are shared.
//! Entry ages condition the whole group together: a group is in the records only because all its
//! units had survived to their entry ages. An interval end contributes
//! `exp(-u H(after)) - exp(-u H(by))`; multiplied out over the units of a group this is a signed
//! sum over the corners of a box, each corner in closed form, so there is no EM and no
//! approximation of the frailty.
//!
//! # Numerics
//! Corners cancel when intervals are narrow. An interval whose cumulative hazard is below
//! `NARROW` counts as a failure at its middle with hazard mass `H(by) - H(after)`; the relative
//! error is `(u * mass)^2 / 24`, below 1e-6. Beyond `MOST_CORNER_INTERVALS` intervals in one group
//! the narrowest are treated so.
//!
//! # Sources
//! P. Hougaard, Analysis of Multivariate Survival Data, Springer 2000; L. Duchateau & P. Janssen,
//! The Frailty Model, Springer 2008; K. Goethals et al., J. Agric. Biol. Environ. Stat. 14 (2009)
//! 1-14 (interval ends).

use rayon::prelude::*;

use crate::gamma_mixture::LogTransform;
use crate::lifetime::{Lifetime, Observation};
use crate::matrix::Matrix;
use crate::newton::Evaluation;

const NARROW: f64 = 1e-3;
const NARROW_AMONG_MANY: f64 = 5e-3;
const MOST_CORNER_INTERVALS: usize = 10;
const GROUPS_PER_TASK: usize = 256;

/// Where each parameter stands in the vector: `classes` log scales, `classes` log shapes, the
/// coefficients, and the frailty variance last.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Layout {
    /// Number of classes.
    pub classes: usize,
    /// Number of covariates.
    pub covariates: usize,
}

impl Layout {
    /// Log scale of a class.
    #[must_use]
    pub const fn log_scale(&self, class: usize) -> usize {
        class
    }
    /// Log shape of a class.
    #[must_use]
    pub const fn log_shape(&self, class: usize) -> usize {
        self.classes + class
    }
    /// Coefficient of a covariate.
    #[must_use]
    pub const fn coefficient(&self, covariate: usize) -> usize {
        2 * self.classes + covariate
    }
    /// Log frailty variance.
    #[must_use]
    pub const fn frailty(&self) -> usize {
        2 * self.classes + self.covariates
    }
    /// Number of parameters.
    #[must_use]
    pub const fn len(&self) -> usize {
        self.frailty() + 1
    }
    /// Never: there is always the frailty variance.
    #[must_use]
    pub const fn is_empty(&self) -> bool {
        false
    }
}

#[derive(Debug, Clone)]
struct Unit {
    class: usize,
    log_entry: f64,
    end: End,
}

#[derive(Debug, Clone, Copy)]
enum End {
    Exact(f64),
    Right(f64),
    Interval(f64, f64),
}

/// Lifetimes sorted into groups that share a frailty.
#[derive(Debug, Clone)]
pub struct GroupedLifetimes {
    layout: Layout,
    units: Vec<Unit>,
    covariates: Vec<f64>,
    group_starts: Vec<usize>,
}

/// One lifetime with its class, covariates and group.
#[derive(Debug, Clone, Copy)]
pub struct GroupedUnit<'a> {
    /// Index of the group, in any order.
    pub group: usize,
    /// Index of the class.
    pub class: usize,
    /// The lifetime; its weight is taken as 1.
    pub lifetime: Lifetime,
    /// Covariates, as many as the layout says.
    pub covariates: &'a [f64],
}

impl GroupedLifetimes {
    /// Sorts units into their groups.
    #[must_use]
    pub fn new(layout: Layout, units: &[GroupedUnit<'_>]) -> Self {
        let mut order: Vec<usize> = (0..units.len()).collect();
        order.sort_by_key(|&i| units[i].group);
        let mut sorted = Self {
            layout,
            units: Vec::with_capacity(units.len()),
            covariates: Vec::with_capacity(units.len() * layout.covariates),
            group_starts: Vec::new(),
        };
        let mut last = None;
        for i in order {
            let unit = &units[i];
            if last != Some(unit.group) {
                sorted.group_starts.push(sorted.units.len());
                last = Some(unit.group);
            }
            let end = match unit.lifetime.observation {
                Observation::Exact { age } => End::Exact(age.ln()),
                Observation::RightCensored { age } => End::Right(age.ln()),
                Observation::Interval { after, by } => End::Interval(after.ln(), by.ln()),
            };
            sorted.units.push(Unit { class: unit.class, log_entry: unit.lifetime.entry.ln(), end });
            sorted.covariates.extend_from_slice(unit.covariates);
        }
        sorted.group_starts.push(sorted.units.len());
        sorted
    }

    /// Number of groups.
    #[must_use]
    pub fn groups(&self) -> usize {
        self.group_starts.len() - 1
    }

    /// Where the parameters stand.
    #[must_use]
    pub fn layout(&self) -> Layout {
        self.layout
    }

    /// Log likelihood and derivatives at `parameters` (see [`Layout`]; the last one is the log of
    /// the frailty variance, negative infinity for none). The result does not depend on the
    /// number of threads: partial sums are formed over fixed blocks and added in order.
    #[must_use]
    pub fn evaluate(&self, parameters: &[f64]) -> Evaluation {
        let theta = parameters[self.layout.frailty()].exp();
        let mut total = self.evaluate_at_variance(parameters, theta);
        let last = self.layout.frailty();
        for i in 0..last {
            let cross = theta * total.hessian.get(i, last);
            total.hessian.set(i, last, cross);
            total.hessian.set(last, i, cross);
        }
        let by_theta = total.gradient[last];
        let twice = total.hessian.get(last, last);
        total.hessian.set(last, last, theta * theta * twice + theta * by_theta);
        total.gradient[last] = theta * by_theta;
        total
    }

    /// As [`Self::evaluate`] but with the frailty variance itself as last coordinate.
    #[must_use]
    pub fn evaluate_at_variance(&self, parameters: &[f64], theta: f64) -> Evaluation {
        let starts: Vec<usize> = (0..self.groups()).step_by(GROUPS_PER_TASK).collect();
        let parts: Vec<Evaluation> = starts
            .par_iter()
            .map(|&first| {
                let mut work = Work::new(self.layout, parameters, theta);
                for group in first..(first + GROUPS_PER_TASK).min(self.groups()) {
                    work.add_group(self, group);
                }
                work.total
            })
            .collect();
        let mut total = Evaluation::zeros(self.layout.len());
        for part in &parts {
            total.add(part);
        }
        mirror(&mut total.hessian);
        total
    }

    /// Mean of every group's frailty given what the group has shown, in the order of the group
    /// indices.
    #[must_use]
    pub fn frailty_means(&self, parameters: &[f64]) -> Vec<f64> {
        let theta = parameters[self.layout.frailty()].exp();
        let mut work = Work::new(self.layout, parameters, theta);
        (0..self.groups())
            .map(|group| {
                work.add_group(self, group);
                work.frailty_mean
            })
            .collect()
    }

    fn unit(&self, index: usize) -> (&Unit, &[f64]) {
        let p = self.layout.covariates;
        (&self.units[index], &self.covariates[index * p..(index + 1) * p])
    }
}

/// The Hessian is gathered in its lower half; this fills the upper.
fn mirror(matrix: &mut Matrix) {
    for i in 0..matrix.size() {
        for j in 0..i {
            matrix.set(j, i, matrix.get(i, j));
        }
    }
}

/// Cumulative hazard of one unit at one age: `H = exp(z + x beta)` with `z = k (ln t - ln eta)`.
#[derive(Debug, Clone, Copy)]
struct Point {
    unit: usize,
    hazard: f64,
    z: f64,
}

struct Work<'a> {
    layout: Layout,
    parameters: &'a [f64],
    theta: f64,
    total: Evaluation,
    base: Vec<(Point, f64)>,
    entries: Vec<Point>,
    intervals: Vec<(Point, Point)>,
    gradient: Vec<f64>,
    /// Posterior mean of the last group's frailty: minus the slope of its log transform.
    frailty_mean: f64,
}

impl<'a> Work<'a> {
    fn new(layout: Layout, parameters: &'a [f64], theta: f64) -> Self {
        Self {
            layout,
            parameters,
            theta,
            total: Evaluation::zeros(layout.len()),
            base: Vec::new(),
            entries: Vec::new(),
            intervals: Vec::new(),
            gradient: vec![0.0; layout.len()],
            frailty_mean: 1.0,
        }
    }

    fn point(&self, data: &GroupedLifetimes, unit: usize, log_age: f64) -> Point {
        let (known, covariates) = data.unit(unit);
        let shape = self.parameters[self.layout.log_shape(known.class)].exp();
        let z = shape * (log_age - self.parameters[self.layout.log_scale(known.class)]);
        let effect: f64 = covariates
            .iter()
            .enumerate()
            .map(|(j, x)| x * self.parameters[self.layout.coefficient(j)])
            .sum();
        Point { unit, hazard: (z + effect).exp(), z }
    }

    fn add_group(&mut self, data: &GroupedLifetimes, group: usize) {
        self.base.clear();
        self.entries.clear();
        self.intervals.clear();
        let mut failures = 0.0;
        for unit in data.group_starts[group]..data.group_starts[group + 1] {
            let (known, _) = data.unit(unit);
            if known.log_entry > f64::NEG_INFINITY {
                let entry = self.point(data, unit, known.log_entry);
                self.entries.push(entry);
            }
            match known.end {
                End::Right(age) => {
                    let end = self.point(data, unit, age);
                    self.base.push((end, 1.0));
                }
                End::Exact(age) => {
                    let end = self.point(data, unit, age);
                    self.base.push((end, 1.0));
                    self.add_log_hazard(data, end, age);
                    failures += 1.0;
                }
                End::Interval(after, by) => {
                    let after = self.point(data, unit, after);
                    let by = self.point(data, unit, by);
                    self.intervals.push((after, by));
                }
            }
        }
        failures += self.settle_narrow_intervals(data);
        let mut d = 0.0;
        let total_failures = failures;
        while d < total_failures {
            let grown = 1.0 + d * self.theta;
            self.total.value += grown.ln();
            let last = self.layout.frailty();
            self.total.gradient[last] += d / grown;
            self.total.hessian.add(last, last, -(d / grown).powi(2));
            d += 1.0;
        }
        self.add_ends(data, failures);
        self.add_entries(data);
    }

    /// Turns intervals too narrow for the corner sum into failures at their middle.
    fn settle_narrow_intervals(&mut self, data: &GroupedLifetimes) -> f64 {
        let mut settled = 0.0;
        let mut open = core::mem::take(&mut self.intervals);
        let mass = |pair: &(Point, Point)| pair.1.hazard - pair.0.hazard;
        open.sort_by(|a, b| mass(b).total_cmp(&mass(a)));
        let narrow = if open.len() > 2 { NARROW_AMONG_MANY } else { NARROW };
        for (rank, pair) in open.iter().enumerate() {
            if mass(pair) >= narrow && rank < MOST_CORNER_INTERVALS {
                self.intervals.push(*pair);
            } else {
                settled += 1.0;
                self.base.push((pair.0, 0.5));
                self.base.push((pair.1, 0.5));
                self.add_log_mass(data, pair.0, pair.1);
            }
        }
        settled
    }

    /// `log h` of an exact failure at frailty 1.
    fn add_log_hazard(&mut self, data: &GroupedLifetimes, end: Point, log_age: f64) {
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
    fn add_log_mass(&mut self, data: &GroupedLifetimes, after: Point, by: Point) {
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

    /// The corner sum over interval ends (one corner when there are none).
    fn add_ends(&mut self, data: &GroupedLifetimes, failures: f64) {
        let base_hazard: f64 = self.base.iter().map(|(p, w)| w * p.hazard).sum();
        let mut base_gradient = core::mem::take(&mut self.gradient);
        base_gradient.fill(0.0);
        for &(point, weight) in &self.base {
            self.add_direction(data, point, weight * point.hazard, &mut base_gradient);
        }
        if self.intervals.is_empty() {
            let g = LogTransform::new(base_hazard, failures, self.theta);
            self.add_transform(&g, 1.0, &base_gradient);
            self.frailty_mean = -g.by_hazard;
            self.gradient = base_gradient;
            for index in 0..self.base.len() {
                let (point, weight) = self.base[index];
                self.add_curvature(data, point, weight * g.by_hazard);
            }
            return;
        }
        self.add_corners(data, failures, base_hazard, &base_gradient);
        self.gradient = base_gradient;
    }

    /// Both ends of every interval with the derivatives of their hazards.
    fn interval_ends(&self, data: &GroupedLifetimes) -> Vec<[(Point, Vec<f64>); 2]> {
        self.intervals
            .iter()
            .map(|&(after, by)| {
                [after, by].map(|point| {
                    let mut gradient = vec![0.0; self.layout.len()];
                    self.add_direction(data, point, point.hazard, &mut gradient);
                    (point, gradient)
                })
            })
            .collect()
    }

    fn add_corners(
        &mut self,
        data: &GroupedLifetimes,
        failures: f64,
        base_hazard: f64,
        base_gradient: &[f64],
    ) {
        let ends = self.interval_ends(data);
        let (size, last) = (self.layout.len(), self.layout.frailty());
        let corners: Vec<(f64, LogTransform)> = (0..1_usize << ends.len())
            .map(|corner| {
                let hazard = base_hazard
                    + ends
                        .iter()
                        .enumerate()
                        .map(|(i, e)| e[corner >> i & 1].0.hazard)
                        .sum::<f64>();
                let sign = if corner.count_ones() % 2 == 0 { 1.0 } else { -1.0 };
                (sign, LogTransform::new(hazard, failures, self.theta))
            })
            .collect();
        let top = corners[0].1.value;
        let sum: f64 = corners.iter().map(|(sign, g)| sign * (g.value - top).exp()).sum();
        self.total.value += top + sum.ln();
        let mut mean = vec![0.0; size];
        let mut base_weight = 0.0;
        let mut end_weights = vec![[0.0; 2]; ends.len()];
        for (corner, (sign, g)) in corners.iter().enumerate() {
            let weight = sign * (g.value - top).exp() / sum;
            let mut gradient: Vec<f64> = base_gradient.to_vec();
            for (i, end) in ends.iter().enumerate() {
                for (total, part) in gradient.iter_mut().zip(&end[corner >> i & 1].1) {
                    *total += part;
                }
                end_weights[i][corner >> i & 1] += weight * g.by_hazard;
            }
            base_weight += weight * g.by_hazard;
            for (row, value) in gradient.iter_mut().enumerate() {
                if row != last {
                    mean[row] += weight * g.by_hazard * *value;
                }
            }
            mean[last] += weight * g.by_theta;
            let squared = LogTransform {
                by_hazard_twice: g.by_hazard_twice + g.by_hazard * g.by_hazard,
                by_theta_hazard: g.by_theta_hazard + g.by_theta * g.by_hazard,
                by_theta_twice: g.by_theta_twice + g.by_theta * g.by_theta,
                ..*g
            };
            self.add_transform_hessian(&squared, weight, &gradient);
        }
        self.frailty_mean = -base_weight;
        add_lower_outer(&mut self.total.hessian, -1.0, &mean);
        for (total, m) in self.total.gradient.iter_mut().zip(&mean) {
            *total += m;
        }
        for index in 0..self.base.len() {
            let (point, weight) = self.base[index];
            self.add_curvature(data, point, weight * base_weight);
        }
        for (end, weights) in ends.iter().zip(end_weights) {
            for (side, weight) in end.iter().zip(weights) {
                self.add_curvature(data, side.0, weight);
            }
        }
    }

    /// Conditions the group on having survived to its entry ages.
    fn add_entries(&mut self, data: &GroupedLifetimes) {
        if self.entries.is_empty() {
            return;
        }
        let hazard: f64 = self.entries.iter().map(|p| p.hazard).sum();
        let mut gradient = core::mem::take(&mut self.gradient);
        gradient.fill(0.0);
        for &point in &self.entries {
            self.add_direction(data, point, point.hazard, &mut gradient);
        }
        let g = LogTransform::new(hazard, 0.0, self.theta);
        self.add_transform(&g, -1.0, &gradient);
        self.gradient = gradient;
        for index in 0..self.entries.len() {
            self.add_curvature(data, self.entries[index], -g.by_hazard);
        }
    }

    fn add_transform(&mut self, g: &LogTransform, weight: f64, gradient: &[f64]) {
        let last = self.layout.frailty();
        self.total.value += weight * g.value;
        for (total, part) in self.total.gradient.iter_mut().zip(gradient) {
            *total += weight * g.by_hazard * part;
        }
        self.total.gradient[last] += weight * g.by_theta;
        self.add_transform_hessian(g, weight, gradient);
    }

    fn add_transform_hessian(&mut self, g: &LogTransform, weight: f64, gradient: &[f64]) {
        let last = self.layout.frailty();
        add_lower_outer(&mut self.total.hessian, weight * g.by_hazard_twice, gradient);
        for (i, part) in gradient.iter().enumerate().take(last) {
            self.total.hessian.add(last, i, weight * g.by_theta_hazard * part);
        }
        self.total.hessian.add(last, last, weight * g.by_theta_twice);
    }

    /// Adds `weight * d(z + x beta)`.
    fn add_direction(&self, data: &GroupedLifetimes, point: Point, weight: f64, out: &mut [f64]) {
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
    fn add_curvature(&mut self, data: &GroupedLifetimes, point: Point, weight: f64) {
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

fn add_lower_outer(matrix: &mut Matrix, weight: f64, vector: &[f64]) {
    for (i, left) in vector.iter().enumerate() {
        if *left != 0.0 {
            let scaled = weight * left;
            for (j, right) in vector.iter().enumerate().take(i + 1) {
                matrix.add(i, j, scaled * right);
            }
        }
    }
}
