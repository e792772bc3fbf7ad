//! When to try a delivery again, and when to give up.

use chrono::{DateTime, TimeDelta, Utc};
use rand::{Rng, RngExt as _};

/// How patiently a delivery is tried again.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct RetryPolicy {
    /// Wait after the first failed attempt; doubled after each further one.
    pub first_wait: TimeDelta,
    /// No wait is longer.
    pub longest_wait: TimeDelta,
    /// Attempts in all.
    pub most_attempts: u32,
}

impl Default for RetryPolicy {
    /// 1 min, 2 min, 4 min … up to 4 h; 30 attempts reach about four days. RFC 5321, section
    /// 4.5.4.1, asks a mail server for at least 30 min between attempts and for 4 to 5 days in
    /// all; towards one's own relay the first waits may be shorter.
    fn default() -> Self {
        Self {
            first_wait: TimeDelta::minutes(1),
            longest_wait: TimeDelta::hours(4),
            most_attempts: 30,
        }
    }
}

/// What follows a failed attempt.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum NextStep {
    /// Try again, not before this instant.
    TryAt(DateTime<Utc>),
    /// No more attempts are left.
    GiveUp,
    /// The next attempt would come when the message has no use any more.
    TooLate,
}

impl RetryPolicy {
    /// What follows when `attempts` have failed, the last one at `last`.
    ///
    /// The wait is doubled each time up to the longest, and between half and all of it is taken,
    /// so that messages that failed together do not come back together. `useful_until`: after
    /// this instant nobody needs the message (a reminder after its visit).
    pub fn after_failure<R: Rng + ?Sized>(
        &self,
        attempts: u32,
        last: DateTime<Utc>,
        useful_until: Option<DateTime<Utc>>,
        rng: &mut R,
    ) -> NextStep {
        if attempts >= self.most_attempts {
            return NextStep::GiveUp;
        }
        let full = self.full_wait(attempts).num_milliseconds().max(1);
        let wait = TimeDelta::milliseconds(rng.random_range(full / 2..=full));
        let next = last + wait;
        if useful_until.is_some_and(|until| next >= until) {
            return NextStep::TooLate;
        }
        NextStep::TryAt(next)
    }

    fn full_wait(&self, attempts: u32) -> TimeDelta {
        let doublings = attempts.saturating_sub(1).min(30);
        let factor = 1i32 << doublings;
        self.first_wait
            .checked_mul(factor)
            .map_or(self.longest_wait, |wait| wait.min(self.longest_wait))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;
    use rand_chacha::ChaCha8Rng;
    use rand_chacha::rand_core::SeedableRng as _;

    fn at(text: &str) -> DateTime<Utc> {
        text.parse().unwrap()
    }

    fn wait_after(attempts: u32, seed: u64) -> TimeDelta {
        let last = at("2026-03-03T15:00:00Z");
        let mut rng = ChaCha8Rng::seed_from_u64(seed);
        match RetryPolicy::default().after_failure(attempts, last, None, &mut rng) {
            NextStep::TryAt(next) => next - last,
            other => panic!("expected another attempt, got {other:?}"),
        }
    }

    #[test]
    fn waits_double_up_to_four_hours() {
        for (attempts, minutes) in [(1, 1), (2, 2), (5, 16), (9, 240), (29, 240)] {
            let wait = wait_after(attempts, 1);
            let full = TimeDelta::minutes(minutes);
            assert!(full / 2 <= wait && wait <= full, "after {attempts}: {wait}");
        }
    }

    #[test]
    fn the_same_seed_waits_the_same_and_another_one_does_not() {
        assert_eq!(wait_after(3, 5), wait_after(3, 5));
        assert_ne!(wait_after(3, 5), wait_after(3, 6));
    }

    #[test]
    fn the_thirtieth_failure_is_the_last() {
        let mut rng = ChaCha8Rng::seed_from_u64(1);
        let step =
            RetryPolicy::default().after_failure(30, at("2026-03-03T15:00:00Z"), None, &mut rng);
        assert_eq!(step, NextStep::GiveUp);
    }

    #[test]
    fn a_reminder_is_not_tried_after_its_visit() {
        let mut rng = ChaCha8Rng::seed_from_u64(1);
        let visit = at("2026-03-03T15:00:20Z");
        let step = RetryPolicy::default().after_failure(
            1,
            at("2026-03-03T15:00:00Z"),
            Some(visit),
            &mut rng,
        );
        assert_eq!(step, NextStep::TooLate);
    }

    proptest! {
        #[test]
        fn the_next_attempt_is_always_later(attempts in 0u32..30, seed: u64) {
            prop_assert!(wait_after(attempts, seed) > TimeDelta::zero());
        }
    }
}
