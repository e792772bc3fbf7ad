//! What every kind of import needs to know, and whom it tells how far it is.

use std::ops::ControlFlow;

use chrono::{DateTime, NaiveDate, Utc};
use hotspell_domain::BranchId;

use crate::report::ImportRefusal;

/// Told the share done, from 0 to 1; answers whether to go on.
///
/// Called for each row, so it has to be quick. After a [`ControlFlow::Break`] the import ends with
/// [`ImportRefusal::Stopped`].
pub type Observer<'a> = &'a dyn Fn(f64) -> ControlFlow<()>;

/// Shares of the work, as they are told: reading the rows, then keeping them.
pub(crate) const READING: (f64, f64) = (0.0, 0.4);
pub(crate) const KEEPING: (f64, f64) = (0.4, 0.95);
/// Rows that are kept between two looks whether to go on.
pub(crate) const STEP: usize = 2_000;

/// What an import needs to know beside its file.
#[derive(Clone, Copy)]
pub struct Context<'a> {
    /// Into which branch.
    pub branch: BranchId,
    /// The instant at which records are made and changed.
    pub now: DateTime<Utc>,
    /// The branch's calendar day: days after it are refused where they cannot be.
    pub today: NaiveDate,
    /// Who is told how far it is.
    pub observer: Observer<'a>,
}

impl core::fmt::Debug for Context<'_> {
    fn fmt(&self, f: &mut core::fmt::Formatter<'_>) -> core::fmt::Result {
        f.debug_struct("Context")
            .field("branch", &self.branch)
            .field("now", &self.now)
            .field("today", &self.today)
            .finish_non_exhaustive()
    }
}

impl Context<'static> {
    /// An import that nobody watches.
    #[must_use]
    pub fn unwatched(branch: BranchId, now: DateTime<Utc>, today: NaiveDate) -> Self {
        Self { branch, now, today, observer: &|_| ControlFlow::Continue(()) }
    }
}

impl Context<'_> {
    /// Tells how far a stretch of the work is.
    ///
    /// # Errors
    /// [`ImportRefusal::Stopped`].
    pub(crate) fn step(
        &self,
        (from, to): (f64, f64),
        done: usize,
        all: usize,
    ) -> Result<(), ImportRefusal> {
        #[expect(clippy::cast_precision_loss, reason = "counts of rows are below 2^53")]
        let share = done as f64 / all.max(1) as f64;
        match (self.observer)(from + (to - from) * share.min(1.0)) {
            ControlFlow::Continue(()) => Ok(()),
            ControlFlow::Break(()) => Err(ImportRefusal::Stopped),
        }
    }
}
