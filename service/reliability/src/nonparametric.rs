//! Survival curves without a law: Kaplan-Meier, Nelson-Aalen, Turnbull, and the log-rank test.
//!
//! # Sources
//! E. Kaplan & P. Meier, J. Amer. Stat. Assoc. 53 (1958) 457-481; M. Greenwood 1926; B. Turnbull,
//! J. Royal Stat. Soc. B 38 (1976) 290-295; D. Harrington & T. Fleming, Biometrika 69 (1982)
//! 553-566 (weights of the log-rank family).

mod kaplan_meier;
mod log_rank;
mod risk_sets;
mod turnbull;

pub use kaplan_meier::{Curve, CurveStep, kaplan_meier};
pub use log_rank::{LogRank, log_rank};
pub use turnbull::{TurnbullCurve, TurnbullStep, turnbull};

/// Why there is no curve or test.
#[derive(Debug, Clone, Copy, PartialEq, thiserror::Error)]
pub enum CurveError {
    /// No lifetime.
    #[error("there are no lifetimes")]
    Empty,
    /// An interval end where exact or right-censored ends are needed.
    #[error(
        "lifetime {0} ends in an interval; this method needs exact failure ages or right-censored ends"
    )]
    Interval(usize),
    /// Fewer than two groups.
    #[error("a comparison needs at least two groups with lifetimes")]
    OneGroup,
    /// No failures to compare.
    #[error("nothing failed while two groups were at risk: there is nothing to compare")]
    NothingToCompare,
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::lifetime::Lifetime;

    fn row(entry: f64, lower: Option<f64>, upper: Option<f64>) -> Lifetime {
        Lifetime::from_bounds(entry, lower, upper, 1.0).unwrap()
    }

    #[test]
    fn turnbull_of_exact_and_right_censored_ends_is_kaplan_meier() {
        let rows: Vec<Lifetime> =
            [(2.0, true), (3.0, false), (4.0, true), (4.0, true), (6.0, false)]
                .iter()
                .map(|&(age, failed)| row(0.0, Some(age), failed.then_some(age)))
                .collect();
        let plain = kaplan_meier(&rows, 0.95).unwrap();
        let general = turnbull(&rows).unwrap();
        assert!(general.converged);
        for age in [1.0, 2.0, 3.5, 4.0, 5.0] {
            assert!((plain.survival(age) - general.survival(age)).abs() < 1e-8, "{age}");
        }
    }

    #[test]
    fn a_part_enters_the_risk_set_at_its_entry_age() {
        let rows = [
            row(0.0, Some(2.0), Some(2.0)),
            row(3.0, Some(5.0), Some(5.0)),
            row(0.0, Some(6.0), None),
        ];
        let curve = kaplan_meier(&rows, 0.95).unwrap();
        assert!((curve.steps[0].at_risk - 2.0).abs() < 1e-12);
        assert!((curve.steps[1].at_risk - 2.0).abs() < 1e-12);
    }

    #[test]
    fn one_group_is_nothing_to_compare() {
        let rows = [row(0.0, Some(2.0), Some(2.0)), row(0.0, Some(3.0), Some(3.0))];
        assert_eq!(log_rank(&rows, &[0, 0], &[0, 0], 0.0).unwrap_err(), CurveError::OneGroup);
    }
}
