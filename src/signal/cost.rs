//! What one segment costs: how badly a level or a straight line with its own spread describes it.
//!
//! In: [`Sums`], and how the spread is treated. Out: the cost of any stretch in constant time, and lower bounds that let
//! the search leave out whole crowds of candidates. Knows nothing of searching.
//!
//! A stretch of `n` samples whose best level (or line) leaves the sum of squares `RSS` costs
//!
//! ```text
//! weight · n · h(RSS / n) + extra + short / n
//! ```
//!
//! with `h(v) = ln(v + floor)` where each segment has its own spread (twice the negative log-likelihood of normal values),
//! or `h(v) = v` where the spread is known and is 1. The lower of level and line counts; a line has the larger `extra`.
//!
//! The search stays exact because `h` is rising and concave: `n · h(RSS / n)` of a stretch is never below the sum of the
//! same over its parts, since the parts' sums of squares never exceed the whole's. Whoever changes `h` must keep that.

use super::sums::{Moments, Sums};

/// How a segment's spread enters its cost.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) enum Spread {
    /// Known to be 1 throughout: sums of squares are compared as they are.
    Known,
    /// Each segment has its own.
    Own {
        /// Added to each segment's variance: what rounding and the computer's arithmetic hide. Above zero.
        floor: f64,
    },
}

/// A segment's shape: an index into pairs of costs.
pub(super) const LEVEL: usize = 0;
pub(super) const TREND: usize = 1;

/// The terms of the cost.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Terms {
    /// How the spread enters.
    pub spread: Spread,
    /// Independent samples for each sample: 1 for white noise, less where neighbours resemble each other.
    pub weight: f64,
    /// Added for a segment with a level, and for one with a line; infinite = not on offer.
    pub extra: [f64; 2],
    /// Added for a segment of n samples: `short / n`. Not negative.
    pub short: f64,
}

/// A spread as it is usual somewhere, its floor included.
#[derive(Debug, Clone, Copy)]
pub(super) struct Usual {
    variance: f64,
    log: f64,
}

/// Cost of stretches of one series.
#[derive(Debug)]
pub(super) struct Cost<'a> {
    sums: &'a Sums,
    terms: Terms,
}

impl<'a> Cost<'a> {
    pub fn new(sums: &'a Sums, terms: Terms) -> Self {
        Self { sums, terms }
    }

    pub fn len(&self) -> usize {
        self.sums.len()
    }

    #[inline(always)] // callers need some of them, and what nobody needs is not worked out
    pub fn moments(&self, from: usize, to: usize) -> Moments {
        self.sums.moments(from, to)
    }

    pub fn terms(&self) -> &Terms {
        &self.terms
    }

    /// Place of a sample.
    pub fn x(&self, at: usize) -> f64 {
        self.sums.x(at)
    }

    /// Added to each variance where segments have their own.
    pub fn floor(&self) -> Option<f64> {
        match self.terms.spread {
            Spread::Known => None,
            Spread::Own { floor } => Some(floor),
        }
    }

    pub fn extra(&self, shape: usize) -> f64 {
        self.terms.extra[shape]
    }

    /// Cost of `from..to` as one segment, over its shapes.
    #[inline]
    pub fn of(&self, from: usize, to: usize) -> f64 {
        let m = self.sums.moments(from, to);
        self.cheaper(&m).1 + self.shortness(m.n)
    }

    /// The shape in which `from..to` is cheaper.
    pub fn shape(&self, from: usize, to: usize) -> usize {
        self.cheaper(&self.sums.moments(from, to)).0
    }

    #[inline]
    fn cheaper(&self, m: &Moments) -> (usize, f64) {
        let [level_extra, trend_extra] = self.terms.extra;
        let level = self.data(m.n, m.level_rss, 0.0) + level_extra;
        if self.most_gain(m) <= trend_extra - level_extra {
            return (LEVEL, level);
        }
        let trend = self.data(m.n, m.trend_rss, 0.0) + trend_extra;
        if trend < level {
            (TREND, trend)
        } else {
            (LEVEL, level)
        }
    }

    /// At least what the line describes better than the level, without a logarithm: `ln r ≤ r − 1`. Most stretches have
    /// no slope, and half of the time would go into logarithms that say so.
    #[inline]
    fn most_gain(&self, m: &Moments) -> f64 {
        let explained = self.terms.weight * (m.level_rss - m.trend_rss);
        match self.terms.spread {
            Spread::Known => explained,
            Spread::Own { floor } => explained / (m.trend_rss / m.n + floor),
        }
    }

    /// The data's part of the cost of `n` samples that a shape leaves with `rss`, with `h` replaced by its tangent below the
    /// variance `tangent`.
    ///
    /// The tangent never lies below `h` and is rising and concave with it, so that parts of a stretch still add up to
    /// no more than the whole, provided that the whole's variance is at least `tangent`. It takes from parts of a few
    /// samples the lucky fit that makes bounds loose.
    #[inline]
    pub fn data(&self, n: f64, rss: f64, tangent: f64) -> f64 {
        self.terms.weight * n * self.h(rss / n, tangent)
    }

    /// At least `data(n, rss, 0)`, without a logarithm: `ln z ≥ 1 − 1/z` around a usual spread. Close where the spread is usual.
    #[inline]
    pub fn data_at_least(&self, n: f64, rss: f64, usual: Usual) -> f64 {
        let variance = rss / n;
        self.terms.weight
            * n
            * match self.terms.spread {
                Spread::Known => variance,
                Spread::Own { floor } => usual.log + 1.0 - usual.variance / (variance + floor),
            }
    }

    /// The spread of a stretch that leaves `rss`, as one that is usual.
    pub fn usual(&self, m: &Moments) -> Usual {
        let variance = m.trend_rss / m.n + self.floor().unwrap_or(0.0);
        Usual {
            variance,
            log: variance.ln(),
        }
    }

    /// Lower bounds of the data's part for level and line, close where the line's spread is near `around`.
    #[inline]
    pub fn data_around(&self, m: &Moments, around: Usual) -> [f64; 2] {
        [m.level_rss, m.trend_rss].map(|rss| self.data_at_least(m.n, rss, around))
    }

    /// What a segment of `n` samples costs for being short; falls with `n`.
    #[inline]
    pub fn shortness(&self, n: f64) -> f64 {
        self.terms.short / n
    }

    #[inline]
    fn h(&self, variance: f64, tangent: f64) -> f64 {
        match self.terms.spread {
            Spread::Known => variance,
            Spread::Own { floor } if tangent <= variance => (variance + floor).ln(),
            Spread::Own { floor } => {
                let at = tangent + floor;
                at.ln() + (variance - tangent) / at
            }
        }
    }
}
