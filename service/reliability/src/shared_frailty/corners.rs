//! The signed sum over the corners of a group's box of interval ends.

use super::derivatives::add_lower_outer;
use super::grouped::GroupedLifetimes;
use super::work::{Point, Work};
use crate::gamma_mixture::LogTransform;

impl Work<'_> {
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

    pub(super) fn add_corners(
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
                (sign, data.law.log_transform(hazard, failures, self.theta))
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
}
