//! Seeded random choices.

use rand_chacha::ChaCha8Rng;
use rand_chacha::rand_core::{Rng, SeedableRng};
use statrs::distribution::{ContinuousCDF, Gamma, Normal};

/// A stream of random numbers; the same seed and stream give the same numbers on every machine.
#[derive(Debug, Clone)]
pub(crate) struct Dice(ChaCha8Rng);

impl Dice {
    /// Each site draws from streams of its own, so that a change at one leaves the others alone.
    pub(crate) fn new(seed: u64, stream: u64) -> Self {
        let mut rng = ChaCha8Rng::seed_from_u64(seed);
        rng.set_stream(stream);
        Self(rng)
    }

    /// Uniform in (0, 1), both ends excluded.
    pub(crate) fn unit(&mut self) -> f64 {
        (f64::from(self.0.next_u32()) + 0.5) / 4_294_967_296.0
    }

    /// Uniform in `low..high`.
    pub(crate) fn between(&mut self, low: f64, high: f64) -> f64 {
        low + (high - low) * self.unit()
    }

    /// Whole number in `low..=high`.
    pub(crate) fn whole(&mut self, low: i64, high: i64) -> i64 {
        let width = u64::try_from(high - low + 1).unwrap_or(1);
        let step = (u64::from(self.0.next_u32()) * width) >> 32;
        low + i64::try_from(step).unwrap_or(0)
    }

    /// True with probability `share`.
    pub(crate) fn chance(&mut self, share: f64) -> bool {
        self.unit() < share
    }

    /// One of the items, all alike.
    pub(crate) fn pick<T: Copy>(&mut self, items: &[T]) -> Option<T> {
        let last = i64::try_from(items.len()).ok()? - 1;
        items.get(usize::try_from(self.whole(0, last.max(0))).ok()?).copied()
    }

    /// One of the items by its share; `otherwise` for what the shares leave of one.
    pub(crate) fn share<T: Copy>(&mut self, items: &[(T, f64)], otherwise: T) -> T {
        let mut left = self.unit();
        for (item, share) in items {
            left -= share;
            if left < 0.0 {
                return *item;
            }
        }
        otherwise
    }

    /// Normal, by the inverse of its distribution function.
    pub(crate) fn normal(&mut self, mean: f64, deviation: f64) -> f64 {
        mean + deviation * Normal::standard().inverse_cdf(self.unit())
    }

    /// Exponential with mean 1.
    pub(crate) fn exponential(&mut self) -> f64 {
        -self.unit().ln()
    }

    /// Gamma with mean 1 and the given variance; 1 if the variance is none.
    pub(crate) fn frailty(&mut self, variance: f64) -> f64 {
        let unit = self.unit();
        Gamma::new(1.0 / variance, 1.0 / variance).map_or(1.0, |gamma| gamma.inverse_cdf(unit))
    }
}
