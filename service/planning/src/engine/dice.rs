//! Seeded random choices.

use rand_chacha::ChaCha8Rng;
use rand_chacha::rand_core::{Rng, SeedableRng};

/// A stream of random numbers; the same seed and stream give the same numbers on every machine.
#[derive(Debug, Clone)]
pub(crate) struct Dice(ChaCha8Rng);

impl Dice {
    pub(crate) fn new(seed: u64, stream: u64) -> Self {
        let mut rng = ChaCha8Rng::seed_from_u64(seed);
        rng.set_stream(stream);
        Self(rng)
    }

    /// Uniform in `0..n`; 0 if n is 0. The bias of the multiplication is below n / 2^32.
    pub(crate) fn below(&mut self, n: usize) -> usize {
        ((u64::from(self.0.next_u32()) * n as u64) >> 32) as usize
    }

    /// Uniform in (0, 1].
    pub(crate) fn unit(&mut self) -> f64 {
        (f64::from(self.0.next_u32()) + 1.0) / 4_294_967_296.0
    }

    /// Number of failures before the first success of probability `p`.
    pub(crate) fn until(&mut self, p: f64) -> i64 {
        if p <= 0.0 {
            return i64::MAX;
        }
        (self.unit().ln() / (1.0 - p).ln()) as i64
    }

    pub(crate) fn shuffle<T>(&mut self, items: &mut [T]) {
        for i in (1..items.len()).rev() {
            let j = self.below(i + 1);
            items.swap(i, j);
        }
    }
}
