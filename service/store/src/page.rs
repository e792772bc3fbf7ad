//! Pages of a list: everything after an id, in the order of ids.

/// Which part of a list.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Page {
    /// Rows with a greater id than this.
    pub after_id: i64,
    /// At most so many.
    pub limit: i64,
}

impl Page {
    /// The first rows.
    #[must_use]
    pub const fn first(limit: i64) -> Self {
        Self { after_id: 0, limit }
    }

    /// The rows after one that was seen.
    #[must_use]
    pub const fn after(after_id: i64, limit: i64) -> Self {
        Self { after_id, limit }
    }

    /// Every row, for computations over a whole branch.
    #[must_use]
    pub const fn everything() -> Self {
        Self { after_id: 0, limit: i64::MAX }
    }
}
