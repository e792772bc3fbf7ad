//! Progress of a run and its cancellation.

use std::ops::ControlFlow;
use std::sync::atomic::{AtomicBool, AtomicUsize, Ordering};

use super::RehearsalError;

/// Told the replicates done and those asked for; answers whether to go on.
///
/// Called before the first replicate, after each, and every few thousand parts within one, so
/// that a stop takes effect within some milliseconds. Calls come from several threads at once
/// and often: it has to be quick, and a slow look (at a database) belongs behind a clock. The
/// numbers may come out of order; the largest is the truth. After the first
/// [`ControlFlow::Break`] the run ends with [`RehearsalError::Cancelled`], even when every
/// replicate was done.
pub type Observer<'a> = &'a (dyn Fn(usize, usize) -> ControlFlow<()> + Sync);

/// Asks the observer on behalf of all threads.
pub(super) struct Watch<'a> {
    observer: Observer<'a>,
    stopped: AtomicBool,
    done: AtomicUsize,
    replicates: usize,
}

impl<'a> Watch<'a> {
    pub(super) const fn new(observer: Observer<'a>, replicates: usize) -> Self {
        let (stopped, done) = (AtomicBool::new(false), AtomicUsize::new(0));
        Self { observer, stopped, done, replicates }
    }

    /// Counts a replicate and asks.
    pub(super) fn finished_one(&self) -> Result<(), RehearsalError> {
        self.done.fetch_add(1, Ordering::Relaxed);
        self.ask()
    }

    /// `Err` once the observer wants to stop; it is not asked again after that.
    pub(super) fn ask(&self) -> Result<(), RehearsalError> {
        let done = self.done.load(Ordering::Relaxed);
        let stop = self.stopped.load(Ordering::Relaxed)
            || (self.observer)(done, self.replicates).is_break();
        if stop {
            self.stopped.store(true, Ordering::Relaxed);
            return Err(RehearsalError::Cancelled { done, replicates: self.replicates });
        }
        Ok(())
    }
}
