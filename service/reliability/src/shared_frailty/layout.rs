//! Where each parameter of a grouped likelihood stands.

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
