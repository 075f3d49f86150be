//! What a change must be worth, so that there is nothing to tune.
//!
//! In: length, noise and tails of a series. Out: the cost's [`Terms`], the penalty for each change, the shortest segment.
//!
//! The cost of a segment is twice a negative log-likelihood. Chance alone makes two segments fit better than one; for
//! white normal noise of length n the best of all splits gains about `2 ln n` and seldom `3 ln n`, which is also what the
//! Bayesian information criterion asks for a place, a level and a spread. Real noise is neither white nor normal:
//!
//! | what | how it misleads | what is done |
//! |---|---|---|
//! | neighbours resemble each other | k samples count as one: gains are k times too large | likelihood divided by k |
//! | heavy tails | a few large values look like a change of spread | likelihood divided by the excess of the variance's variance, `(kurtosis − 1)/2` |
//! | few samples in a segment | with p parameters, a chance fit gains n/(n − p) times more | `short / n` on top |
//! | rounding | a level that stands still between two steps has no spread at all | `step²/12` added to each variance |
//!
//! The factors were set on white normal noise. Measured (by the tests of [`super::segments()`], other seeds than were used to
//! set them): series in which a change is found though there is none, of 200 each.
//!
//! | noise | 100 samples | 1000 samples |
//! |---|---|---|
//! | white, rounded to its standard deviation or to three of them, uniform, a third missing, one slope | 0–1 | 0–1 |
//! | autoregressive, correlation of neighbours 0.3, 0.6, 0.8 | 2, 3, 7 | 0, 0, 1 |
//! | autoregressive 0.5, rounded to two standard deviations | 2 | 0 |
//! | one burst of up to six samples | 1 | 1 |
//! | double exponential, Student with 3 degrees of freedom | 8, 7 | 5, 9 |
//! | exponential (one-sided) | 13 | 20 |
//! | white on a slow drift of similar size (0.8) | 61 | 15 |
//!
//! The last row is where it falls short: in a hundred samples such drift looks like what it is, a level that moves.

use super::cost::{Spread, Terms};
use super::noise::Noise;

/// Fewest samples of a segment.
const LEAST_SAMPLES: usize = 5;

/// Gain that a change must bring, in units of `ln n`: place, level, spread.
const CHANGE: f64 = 3.0;

/// What a slope must bring on top: it is one parameter, and bends to any wave.
const SLOPE: f64 = 2.0;

/// Parameters of a segment, for the correction of short ones.
const PARAMETERS: f64 = 3.0;

/// `kurtosis − 1` of normal noise, as [`super::bursts`] measures it.
const NORMAL_TAILS: f64 = 2.4;

/// The most that heavy tails may count: beyond, the series is mostly constant, and its tails say little.
const HEAVIEST_TAILS: f64 = 2.5;

/// The terms under which a series is split.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Penalty {
    /// For the cost of a segment.
    pub terms: Terms,
    /// For each change.
    pub change: f64,
    /// Fewest samples of a segment.
    pub least_samples: usize,
}

impl Penalty {
    /// Terms for `n` samples, scaled so that the noise has a standard deviation of 1. `floor` is the variance that rounding
    /// and arithmetic hide, above zero, in the same scale.
    pub fn of(n: usize, noise: Noise, kurtosis: Option<f64>, floor: f64) -> Self {
        let log_n = (n.max(2) as f64).ln();
        let tails = kurtosis.map_or(1.0, |k| {
            ((k - 1.0) / NORMAL_TAILS).clamp(1.0, HEAVIEST_TAILS)
        });
        let samples_per_one = noise.samples_per_independent_one * tails;
        Self {
            terms: Terms {
                spread: Spread::Own { floor },
                weight: 1.0 / samples_per_one,
                extra: [0.0, SLOPE * log_n],
                short: CHANGE * log_n * PARAMETERS * noise.samples_per_independent_one,
            },
            change: CHANGE * log_n,
            least_samples: LEAST_SAMPLES,
        }
    }
}
