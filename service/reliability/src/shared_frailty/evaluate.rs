//! The log likelihood of all groups, summed in fixed blocks over the threads.

use rayon::prelude::*;

use super::grouped::GroupedLifetimes;
use super::work::Work;
use crate::matrix::Matrix;
use crate::newton::Evaluation;

const GROUPS_PER_TASK: usize = 256;

impl GroupedLifetimes {
    /// Log likelihood and derivatives at `parameters` (see [`super::Layout`]; the last one is the log of
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
}

/// The Hessian is gathered in its lower half; this fills the upper.
fn mirror(matrix: &mut Matrix) {
    for i in 0..matrix.size() {
        for j in 0..i {
            matrix.set(j, i, matrix.get(i, j));
        }
    }
}
