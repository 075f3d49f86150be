//! Made series from a fixed random state, for the tests of this room.

use rand::SeedableRng;
use rand_distr::{Distribution, StandardNormal};

pub(super) type Random = rand_chacha::ChaCha8Rng;

pub(super) fn random(seed: u64) -> Random {
    Random::seed_from_u64(seed)
}

pub(super) fn normal(random: &mut Random) -> f64 {
    StandardNormal.sample(random)
}

/// First-order autoregressive noise of standard deviation 1; white at correlation 0.
pub(super) fn autoregressive(seed: u64, n: usize, correlation: f64) -> Vec<f64> {
    let mut random = random(seed);
    let fresh = (1.0 - correlation * correlation).sqrt();
    let mut state = normal(&mut random);
    (0..n)
        .map(|_| {
            state = correlation * state + fresh * normal(&mut random);
            state
        })
        .collect()
}
