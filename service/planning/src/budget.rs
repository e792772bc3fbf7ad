//! What a search may use. There is no clock in this crate: the caller measures time and says so.

use std::sync::atomic::AtomicBool;

/// Limits of a search, and its ways to the outside.
#[derive(Clone, Copy)]
pub struct Budget<'a> {
    /// Iterations in all. The temperature falls with them, so the same number and seed give the same plan
    /// whatever the number of threads.
    pub iterations: u64,
    /// Threads to use.
    pub threads: usize,
    /// Set from outside to end the search at the next iteration; the plan so far is returned.
    pub stop: Option<&'a AtomicBool>,
    /// Share of the allowed time that has gone by (0 to 1). If it runs ahead of the iterations, the
    /// temperature follows the time, so that a slow machine still ends with a cooled plan (which then
    /// depends on its speed).
    pub time_share: Option<&'a (dyn Fn() -> f64 + Sync)>,
    /// Called after each round with the state of the search.
    pub progress: Option<&'a (dyn Fn(&Progress) + Sync)>,
}

impl Budget<'_> {
    /// So many iterations on one thread, nothing else.
    #[must_use]
    pub fn iterations(iterations: u64) -> Self {
        Self { iterations, threads: 1, stop: None, time_share: None, progress: None }
    }
}

/// State of a running search.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Progress {
    /// Share of the budget that is used, 0 to 1.
    pub share: f64,
    /// Objective of the best plan so far, in seconds.
    pub best_s: i64,
    /// Visits that it leaves out.
    pub unplaced: usize,
}
