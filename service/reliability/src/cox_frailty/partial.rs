//! Breslow's partial likelihood with offsets, its baseline, and the hazard of every group.

use std::collections::BTreeMap;

use crate::frailty_fit::{FrailtyUnit, spread};
use crate::newton::{Evaluation, maximise};
use crate::parametric::ParametricError;

struct Row {
    age: f64,
    failed: bool,
    group: usize,
    covariates: Vec<f64>,
}

/// Lifetimes by falling age, so that what is at risk is what was passed already.
pub(super) struct RiskOrder {
    rows: Vec<Row>,
    /// Ranges of rows that end at the same age, in order of the rows.
    ties: Vec<core::ops::Range<usize>>,
    /// Standard deviation of every covariate, by which the rows' are divided.
    spreads: Vec<f64>,
}

impl RiskOrder {
    pub(super) fn new(units: &[FrailtyUnit], names: &BTreeMap<&str, usize>) -> Self {
        let covariates = units.first().map_or(0, |unit| unit.covariates.len());
        let spreads: Vec<f64> = (0..covariates).map(|j| spread(units, j)).collect();
        let mut rows: Vec<Row> = units
            .iter()
            .map(|unit| Row {
                age: unit.lifetime.end_age(),
                failed: unit.lifetime.failed(),
                group: names[unit.group.as_str()],
                covariates: unit.covariates.iter().zip(&spreads).map(|(x, s)| x / s).collect(),
            })
            .collect();
        rows.sort_by(|a, b| b.age.total_cmp(&a.age));
        let mut ties: Vec<core::ops::Range<usize>> = Vec::new();
        for (i, row) in rows.iter().enumerate() {
            match ties.last_mut() {
                Some(tie) if rows[tie.start].age.total_cmp(&row.age).is_eq() => tie.end = i + 1,
                _ => ties.push(i..i + 1),
            }
        }
        Self { rows, ties, spreads }
    }

    pub(super) fn covariates(&self) -> usize {
        self.spreads.len()
    }

    /// Coefficients per unit of the covariates as given.
    pub(super) fn unscaled(&self, coefficients: &[f64]) -> Vec<f64> {
        coefficients.iter().zip(&self.spreads).map(|(b, s)| b / s).collect()
    }

    /// The coefficients that maximise the partial likelihood given every group's frailty.
    pub(super) fn best_coefficients(
        &self,
        start: &[f64],
        frailties: &[f64],
    ) -> Result<Vec<f64>, ParametricError> {
        if start.is_empty() {
            return Ok(Vec::new());
        }
        let free: Vec<usize> = (0..start.len()).collect();
        let found = maximise(start, &free, |point| self.partial(point, frailties));
        let inverse = found.at.hessian.negated().inverse();
        let Some(inverse) = inverse.filter(|_| found.convergence.converged) else {
            return Err(ParametricError::NotConverged {
                iterations: found.convergence.iterations,
                largest_gradient: found.convergence.largest_gradient,
            });
        };
        // As in the parametric fit: an error of 100 per standard deviation is a flat likelihood.
        if let Some(index) = inverse.diagonal().position(|variance| variance > 1e4) {
            return Err(ParametricError::Separated { index });
        }
        Ok(found.point)
    }

    fn partial(&self, coefficients: &[f64], frailties: &[f64]) -> Evaluation {
        let mut total = Evaluation::zeros(coefficients.len());
        // Sums over what is at risk: the risk itself and its derivatives.
        let mut at_risk = Evaluation::zeros(coefficients.len());
        for tie in &self.ties {
            let mut failures = 0.0;
            for row in &self.rows[tie.clone()] {
                let log_ratio = row.log_ratio(coefficients);
                let risk = frailties[row.group] * log_ratio.exp();
                at_risk.value += risk;
                for (sum, x) in at_risk.gradient.iter_mut().zip(&row.covariates) {
                    *sum += risk * x;
                }
                at_risk.hessian.add_outer(risk, &row.covariates, &row.covariates);
                if row.failed {
                    failures += 1.0;
                    total.value += log_ratio + frailties[row.group].ln();
                    for (sum, x) in total.gradient.iter_mut().zip(&row.covariates) {
                        *sum += x;
                    }
                }
            }
            if failures > 0.0 {
                let mean: Vec<f64> = at_risk.gradient.iter().map(|g| g / at_risk.value).collect();
                total.value -= failures * at_risk.value.ln();
                for (sum, m) in total.gradient.iter_mut().zip(&mean) {
                    *sum -= failures * m;
                }
                for i in 0..coefficients.len() {
                    for j in 0..coefficients.len() {
                        let second = at_risk.hessian.get(i, j) / at_risk.value;
                        total.hessian.add(i, j, failures * (mean[i] * mean[j] - second));
                    }
                }
            }
        }
        total
    }

    /// Failures and Breslow's jump of the cumulative baseline hazard, per tie.
    pub(super) fn baseline(&self, coefficients: &[f64], frailties: &[f64]) -> Vec<(f64, f64)> {
        let mut at_risk = 0.0;
        self.ties
            .iter()
            .map(|tie| {
                let rows = &self.rows[tie.clone()];
                at_risk += rows
                    .iter()
                    .map(|row| frailties[row.group] * row.log_ratio(coefficients).exp())
                    .sum::<f64>();
                let failures = rows.iter().map(|row| f64::from(u8::from(row.failed))).sum::<f64>();
                (failures, failures / at_risk)
            })
            .collect()
    }

    /// Cumulative hazard of every group at frailty 1.
    pub(super) fn group_hazards(
        &self,
        coefficients: &[f64],
        baseline: &[(f64, f64)],
        groups: usize,
    ) -> Vec<f64> {
        let mut hazards = vec![0.0; groups];
        let mut cumulative = 0.0;
        for (tie, (_, jump)) in self.ties.iter().zip(baseline).rev() {
            cumulative += jump;
            for row in &self.rows[tie.clone()] {
                hazards[row.group] += cumulative * row.log_ratio(coefficients).exp();
            }
        }
        hazards
    }

    /// Failures of every group.
    pub(super) fn group_failures(&self, groups: usize) -> Vec<u32> {
        let mut failures = vec![0; groups];
        for row in &self.rows {
            failures[row.group] += u32::from(row.failed);
        }
        failures
    }

    /// Sum of the log hazards of the failures at frailty 1, without Breslow's `d ln d - d`.
    pub(super) fn log_hazards_of_failures(
        &self,
        coefficients: &[f64],
        baseline: &[(f64, f64)],
    ) -> f64 {
        let mut sum = 0.0;
        for (tie, &(failures, jump)) in self.ties.iter().zip(baseline) {
            if failures > 0.0 {
                let failed = self.rows[tie.clone()].iter().filter(|row| row.failed);
                sum += failed.map(|row| row.log_ratio(coefficients)).sum::<f64>();
                sum += failures * (jump / failures).ln() + failures;
            }
        }
        sum
    }
}

impl Row {
    fn log_ratio(&self, coefficients: &[f64]) -> f64 {
        self.covariates.iter().zip(coefficients).map(|(x, b)| x * b).sum()
    }
}
