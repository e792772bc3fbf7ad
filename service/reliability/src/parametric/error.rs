//! Why there is no fit.

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
