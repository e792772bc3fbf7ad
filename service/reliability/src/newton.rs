//! Maximisation by Newton's method with exact derivatives, damped where the function is not
//! concave (Levenberg-Marquardt), with step halving and a convergence report.

use serde::{Deserialize, Serialize};

use crate::matrix::Matrix;

/// Value, gradient and Hessian of a function at one point.
#[derive(Debug, Clone)]
pub struct Evaluation {
    /// Value.
    pub value: f64,
    /// First derivatives.
    pub gradient: Vec<f64>,
    /// Second derivatives.
    pub hessian: Matrix,
}

impl Evaluation {
    /// Zero everywhere.
    #[must_use]
    pub fn zeros(size: usize) -> Self {
        Self { value: 0.0, gradient: vec![0.0; size], hessian: Matrix::zeros(size) }
    }

    /// Adds another evaluation of the same size.
    pub fn add(&mut self, other: &Self) {
        self.value += other.value;
        for (mine, theirs) in self.gradient.iter_mut().zip(&other.gradient) {
            *mine += theirs;
        }
        self.hessian.add_matrix(&other.hessian);
    }
}

/// How a maximisation ended.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Convergence {
    /// Whether the Newton decrement fell below the tolerance at a point with a negative definite
    /// Hessian.
    pub converged: bool,
    /// Number of accepted steps.
    pub iterations: usize,
    /// How much the value could still rise by the quadratic model, in units of log likelihood.
    pub newton_decrement: f64,
    /// Largest absolute first derivative at the end.
    pub largest_gradient: f64,
}

/// The point found.
#[derive(Debug, Clone)]
pub struct Maximum {
    /// Where.
    pub point: Vec<f64>,
    /// Value, gradient and Hessian there.
    pub at: Evaluation,
    /// How the search ended.
    pub convergence: Convergence,
}

const MAXIMUM_ITERATIONS: usize = 200;
const TOLERANCE: f64 = 1e-12;
/// A Newton step that promises less than this (units of log likelihood) and does not climb at its
/// full length has met the rounding of the value, whose sums over wide intervals cancel.
const ROUNDING: f64 = 1e-8;
/// All parameters are logarithms or coefficients on scaled covariates; a longer step is a leap
/// out of the region where the quadratic model means anything.
const LONGEST_STEP: f64 = 3.0;

/// Climbs from `start` to a maximum of `function` over the parameters whose index is in `free`;
/// the others keep their start value.
pub fn maximise(
    start: &[f64],
    free: &[usize],
    mut function: impl FnMut(&[f64]) -> Evaluation,
) -> Maximum {
    let mut point = start.to_vec();
    let mut at = function(&point);
    let mut damping = 0.0;
    let mut iterations = 0;
    let mut decrement = f64::INFINITY;
    let mut converged = false;
    while iterations < MAXIMUM_ITERATIONS {
        let gradient: Vec<f64> = free.iter().map(|&i| at.gradient[i]).collect();
        let Some((step, full_newton)) =
            ascent_step(&at.hessian.submatrix(free), &gradient, damping)
        else {
            break;
        };
        decrement = 0.5 * step.iter().zip(&gradient).map(|(s, g)| s * g).sum::<f64>();
        if full_newton && decrement.abs() <= TOLERANCE * (1.0 + 1e-3 * at.value.abs()) {
            converged = true;
            break;
        }
        let longest = step.iter().fold(0.0_f64, |m, s| m.max(s.abs()));
        let scale = if longest > LONGEST_STEP { LONGEST_STEP / longest } else { 1.0 };
        let accepted =
            shortened_until_it_climbs((&point, &at), (free, &step, scale), &mut function);
        let whole_step = accepted.as_ref().is_some_and(|(_, _, whole)| *whole);
        if full_newton && decrement.abs() <= ROUNDING && !whole_step {
            converged = true;
            break;
        }
        iterations += 1;
        if let Some((candidate, there, _)) = accepted {
            point = candidate;
            at = there;
            damping = if full_newton { 0.0 } else { damping * 0.2 };
        } else if damping > 1e8 {
            break;
        } else {
            damping = f64::max(damping * 10.0, 1e-3);
        }
    }
    let largest_gradient = free.iter().fold(0.0_f64, |m, &i| m.max(at.gradient[i].abs()));
    Maximum {
        point,
        at,
        convergence: Convergence {
            converged,
            iterations,
            newton_decrement: decrement,
            largest_gradient,
        },
    }
}

/// The first point along a step, halved again and again, at which the value does not fall, and
/// whether that is the step's end.
fn shortened_until_it_climbs(
    (point, at): (&[f64], &Evaluation),
    (free, step, mut scale): (&[usize], &[f64], f64),
    function: &mut impl FnMut(&[f64]) -> Evaluation,
) -> Option<(Vec<f64>, Evaluation, bool)> {
    for attempt in 0..30 {
        let mut candidate = point.to_vec();
        for (&i, s) in free.iter().zip(step) {
            candidate[i] += scale * s;
        }
        let there = function(&candidate);
        if there.value.is_finite() && there.value >= at.value - 1e-12 * at.value.abs() {
            return Some((candidate, there, attempt == 0));
        }
        scale *= 0.4;
    }
    None
}

/// The Newton step, damped just enough that it climbs; says whether it is undamped.
fn ascent_step(hessian: &Matrix, gradient: &[f64], damping: f64) -> Option<(Vec<f64>, bool)> {
    let size = hessian.size();
    let mut level = damping;
    loop {
        let mut information = Matrix::zeros(size);
        for i in 0..size {
            for j in 0..size {
                information.set(i, j, -hessian.get(i, j));
            }
            let curvature = hessian.get(i, i).abs().max(1e-8);
            information.add(i, i, level * curvature);
        }
        if let Some(factor) = information.cholesky() {
            return Some((factor.solve(gradient), level <= 0.0));
        }
        level = f64::max(level * 10.0, 1e-3);
        if level > 1e12 {
            return None;
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn it_finds_the_top_of_a_function_that_is_not_concave_at_the_start() {
        // log of a Cauchy density: convex far from its centre.
        let found = maximise(&[30.0], &[0], |x| {
            let d = x[0] - 1.0;
            let mut hessian = Matrix::zeros(1);
            hessian.set(0, 0, -2.0 * (1.0 - d * d) / (1.0 + d * d).powi(2));
            Evaluation {
                value: -(d * d).ln_1p(),
                gradient: vec![-2.0 * d / (1.0 + d * d)],
                hessian,
            }
        });
        assert!(found.convergence.converged);
        assert!((found.point[0] - 1.0).abs() < 1e-6);
    }

    #[test]
    fn it_stops_at_a_top_that_rounding_hides() {
        // The derivative is off by 2e-5, as one of cancelling sums is: it never vanishes.
        let found = maximise(&[0.0], &[0], |x| {
            let off = if x[0] < 1e-5 { 2e-5 } else { -2e-5 };
            let mut hessian = Matrix::zeros(1);
            hessian.set(0, 0, -1.0);
            Evaluation { value: -1.0 - 0.5 * x[0] * x[0], gradient: vec![off - x[0]], hessian }
        });
        assert!(found.convergence.converged, "{:?}", found.convergence);
    }

    #[test]
    fn a_function_that_rises_for_ever_does_not_count_as_converged() {
        let found = maximise(&[0.0], &[0], |x| Evaluation {
            value: x[0],
            gradient: vec![1.0],
            hessian: Matrix::zeros(1),
        });
        assert!(!found.convergence.converged);
    }
}
