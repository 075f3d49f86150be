//! Random numbers, each purpose with a stream of its own, so that switching one thing on leaves the others as they were.
//!
//! In: the seed. Out: generators and slow wanders. Nothing here knows what they are used for.

use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rand_distr::StandardNormal;

/// What a stream of random numbers is for. The numbers are part of what "same seed, same bytes" means: never reuse one.
#[derive(Debug, Clone, Copy)]
pub(super) enum Purpose {
    Sensor = 1,
    Missing = 2,
    Coughs = 3,
    Touches = 4,
    Vein = 5,
    Stick = 6,
    Episode = 7,
    LineFile = 8,
    Moves = 9,
}

/// The generator for a purpose; `index` tells channels or episodes apart.
pub(super) fn stream(seed: u64, purpose: Purpose, index: usize) -> ChaCha8Rng {
    let mut rng = ChaCha8Rng::seed_from_u64(seed);
    rng.set_stream(purpose as u64 * 1000 + index as u64);
    rng
}

/// One standard normal number.
pub(super) fn normal(rng: &mut ChaCha8Rng) -> f64 {
    rng.sample(StandardNormal)
}

/// A number from an exponential distribution of this mean.
pub(super) fn exponential(rng: &mut ChaCha8Rng, mean: f64) -> f64 {
    -mean * (1.0 - rng.random::<f64>()).ln()
}

/// A stationary wander of unit variance with an exponential memory.
#[derive(Debug, Clone)]
pub(super) struct Wander {
    rng: ChaCha8Rng,
    at: f64,
    memory: f64,
}

impl Wander {
    /// `memory` in the unit of what [`Wander::move_on`] is given.
    pub fn new(mut rng: ChaCha8Rng, memory: f64) -> Self {
        let at = normal(&mut rng);
        Self { rng, at, memory }
    }

    /// Goes on by `by` (time or volume) and gives the new value.
    pub fn move_on(&mut self, by: f64) -> f64 {
        if 0.0 < by {
            let keep = (-by / self.memory).exp();
            self.at = keep * self.at + (1.0 - keep * keep).max(0.0).sqrt() * normal(&mut self.rng);
        }
        self.at
    }

    /// A factor of mean 1 whose logarithm has this standard deviation.
    pub fn factor(&mut self, by: f64, spread: f64) -> f64 {
        if spread == 0.0 {
            return 1.0;
        }
        (spread * self.move_on(by) - spread * spread / 2.0).exp()
    }
}
