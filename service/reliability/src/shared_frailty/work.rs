//! The log likelihood of one group: its hazards at entries and ends, and the sum over its frailty.

use super::grouped::{End, GroupedLifetimes};
use super::layout::Layout;
use crate::frailty_law::FrailtyLaw;
use crate::newton::Evaluation;

const NARROW: f64 = 1e-3;
const NARROW_AMONG_MANY: f64 = 5e-3;
const MOST_CORNER_INTERVALS: usize = 10;

/// Cumulative hazard of one unit at one age: `H = exp(z + x beta)` with `z = k (ln t - ln eta)`.
#[derive(Debug, Clone, Copy)]
pub(super) struct Point {
    pub(super) unit: usize,
    pub(super) hazard: f64,
    pub(super) z: f64,
}

/// The running total over groups, with scratch space for the group at hand.
pub(super) struct Work<'a> {
    pub(super) layout: Layout,
    pub(super) parameters: &'a [f64],
    pub(super) theta: f64,
    pub(super) total: Evaluation,
    pub(super) base: Vec<(Point, f64)>,
    pub(super) entries: Vec<Point>,
    pub(super) intervals: Vec<(Point, Point)>,
    pub(super) gradient: Vec<f64>,
    /// Posterior mean of the last group's frailty: minus the slope of its log transform.
    pub(super) frailty_mean: f64,
}

impl<'a> Work<'a> {
    pub(super) fn new(layout: Layout, parameters: &'a [f64], theta: f64) -> Self {
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

    pub(super) fn add_group(&mut self, data: &GroupedLifetimes, group: usize) {
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
        if data.law == FrailtyLaw::Gamma {
            self.add_failure_factors(failures);
        }
        self.add_ends(data, failures);
        self.add_entries(data);
    }

    /// The factors `1 + d theta` of the gamma law, one per failure before the last.
    fn add_failure_factors(&mut self, failures: f64) {
        let last = self.layout.frailty();
        let mut d = 0.0;
        while d < failures {
            let grown = 1.0 + d * self.theta;
            self.total.value += grown.ln();
            self.total.gradient[last] += d / grown;
            self.total.hessian.add(last, last, -(d / grown).powi(2));
            d += 1.0;
        }
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

    /// The corner sum over interval ends (one corner when there are none).
    fn add_ends(&mut self, data: &GroupedLifetimes, failures: f64) {
        let base_hazard: f64 = self.base.iter().map(|(p, w)| w * p.hazard).sum();
        let mut base_gradient = core::mem::take(&mut self.gradient);
        base_gradient.fill(0.0);
        for &(point, weight) in &self.base {
            self.add_direction(data, point, weight * point.hazard, &mut base_gradient);
        }
        if self.intervals.is_empty() {
            let g = data.law.log_transform(base_hazard, failures, self.theta);
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
        let g = data.law.log_transform(hazard, 0.0, self.theta);
        self.add_transform(&g, -1.0, &gradient);
        self.gradient = gradient;
        for index in 0..self.entries.len() {
            self.add_curvature(data, self.entries[index], -g.by_hazard);
        }
    }
}
