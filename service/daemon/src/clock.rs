//! The only reader of the system clock.

use std::fmt::Debug;

use chrono::{DateTime, TimeDelta, Utc};

/// Where the daemon gets the time from.
pub trait Clock: Debug + Send + Sync {
    /// The present instant.
    fn now(&self) -> DateTime<Utc>;
}

/// The machine's clock.
#[derive(Debug, Clone, Copy, Default)]
pub struct SystemClock;

impl Clock for SystemClock {
    #[expect(clippy::disallowed_methods, reason = "this is the one place that reads the clock")]
    fn now(&self) -> DateTime<Utc> {
        Utc::now()
    }
}

/// The machine's clock moved by a fixed amount: it runs, but on another day.
///
/// The demo uses it to live in a year whose weather is known.
#[derive(Debug, Clone, Copy)]
pub struct ShiftedClock {
    shift: TimeDelta,
}

impl ShiftedClock {
    /// A clock that shows `start` now and runs on from there.
    #[must_use]
    pub fn starting_at(start: DateTime<Utc>) -> Self {
        Self { shift: start - SystemClock.now() }
    }
}

impl Clock for ShiftedClock {
    fn now(&self) -> DateTime<Utc> {
        SystemClock.now() + self.shift
    }
}
