//! What a crowd of candidates must cost at least, from fits that hardly move any more.
//!
//! In: the exact fits of segments that start at any of the crowd and end at one *anchor*. Out: a lower bound for the same
//! segments ending later, from the moments of the samples since the anchor alone.
//!
//! Parts of a stretch that are fitted each by themselves bound the whole, but loosely where the whole is bent or long: each part has
//! its own free line. Here the line up to the anchor holds on to its samples. With `A` the information of the crowd's shortest
//! segment and `B` that of the samples since (both 2 × 2, for value and slope), lines `θ` before and `θ'` since,
//!
//! ```text
//! RSS(s..t)  =  RSS(s..anchor) + min over η of (η − θ)ᵀA(η − θ) + RSS(anchor..t around η)
//!            ≥  RSS(s..anchor) + RSS(anchor..t) + (θ − θ')ᵀB(θ − θ') / (1 + c),     c = trace(A⁻¹B), so that B ≤ cA
//! ```
//!
//! for every longer segment of the crowd too, whose `A` is larger still. `θ` is known to lie in a box. The logarithm's part
//! follows with `ln z ≥ 1 − 1/z`, which is close where little changes.

use super::cost::{LEVEL, TREND, Terms};
use super::sums::Moments;
use super::tree::NONE;

/// Bounds for a crowd of candidates.
#[derive(Debug, Clone)]
pub(super) struct Frozen {
    /// End of the segments that were fitted.
    pub anchor: usize,
    /// The one candidate of the crowd that was left out, because it is tried by itself; else [`NONE`].
    pub without: usize,
    /// Place of the sample that follows.
    at_x: f64,
    /// The shortest of the segments: samples, mean place, spread of places.
    shortest: (f64, f64, f64),
    shapes: [Fits; 2],
}

/// What is known of all fits of one shape.
#[derive(Debug, Clone, Copy)]
struct Fits {
    /// Least `best(s) + data(s..anchor)`.
    kept: f64,
    /// Variance, the floor included.
    variance: Within,
    /// Its logarithm, once [`Frozen::sealed`].
    log: Within,
    /// Value at the anchor.
    value: Within,
    slope: Within,
}

#[derive(Debug, Clone, Copy)]
struct Within {
    low: f64,
    high: f64,
}

impl Within {
    const NOTHING: Self = Self {
        low: f64::INFINITY,
        high: f64::NEG_INFINITY,
    };

    fn include(&mut self, x: f64) {
        self.low = lesser(self.low, x);
        self.high = greater(self.high, x);
    }

    fn merge(&mut self, other: Self) {
        self.low = lesser(self.low, other.low);
        self.high = greater(self.high, other.high);
    }

    /// How far a number lies outside.
    fn distance(self, x: f64) -> f64 {
        greater(greater(self.low - x, x - self.high), 0.0)
    }
}

impl Frozen {
    /// Nobody yet, up to `anchor`, where the sample at `at_x` follows.
    pub fn nobody(anchor: usize, at_x: f64) -> Self {
        let none = Fits {
            kept: f64::INFINITY,
            variance: Within::NOTHING,
            log: Within::NOTHING,
            value: Within::NOTHING,
            slope: Within::NOTHING,
        };
        Self {
            anchor,
            without: NONE,
            at_x,
            shortest: (f64::INFINITY, 0.0, 0.0),
            shapes: [none; 2],
        }
    }

    /// Takes a candidate in: `best` before it, the moments of its segment up to the anchor, lower bounds of the data's part of
    /// their cost for each shape.
    #[inline]
    pub fn include(&mut self, best: f64, m: &Moments, data: [f64; 2], floor: f64) {
        if m.n < self.shortest.0 {
            self.shortest = (m.n, m.x_mean, m.x_spread);
        }
        let ahead = self.at_x - m.x_mean;
        let lines = [
            (m.level_rss, m.level, 0.0),
            (m.trend_rss, m.level + m.slope * ahead, m.slope),
        ];
        for ((fits, data), (rss, value, slope)) in self.shapes.iter_mut().zip(data).zip(lines) {
            fits.kept = lesser(fits.kept, best + data);
            fits.variance.include(rss / m.n + floor);
            fits.value.include(value);
            fits.slope.include(slope);
        }
    }

    /// Takes another crowd in, of the same anchor.
    pub fn merge(&mut self, other: &Self) {
        if other.shortest.0 < self.shortest.0 {
            self.shortest = other.shortest;
        }
        self.without = self.without.min(other.without); // one of them at most has any
        for (fits, more) in self.shapes.iter_mut().zip(&other.shapes) {
            fits.kept = fits.kept.min(more.kept);
            fits.variance.merge(more.variance);
            fits.value.merge(more.value);
            fits.slope.merge(more.slope);
        }
    }

    /// With the logarithms that [`Self::bound`] needs, now that everybody is in.
    pub fn sealed(mut self) -> Self {
        for fits in &mut self.shapes {
            fits.log = Within {
                low: fits.variance.low.ln(),
                high: fits.variance.high.ln(),
            };
        }
        self
    }

    /// Least `best(s) + data(s..anchor)` of the crowd, by shape.
    pub fn kept(&self) -> [f64; 2] {
        [self.shapes[LEVEL].kept, self.shapes[TREND].kept]
    }

    /// At least `best(s) + data(s..t)` for every candidate of the crowd, by shape; `since` are the moments of `anchor..t`.
    #[inline]
    pub fn bound(&self, since: &Moments, terms: &Terms, floor: Option<f64>) -> [f64; 2] {
        let (n, x_mean, x_spread) = self.shortest;
        if n == f64::INFINITY {
            return [f64::INFINITY; 2]; // nobody is left
        }
        if x_spread <= 0.0 {
            return [f64::NEG_INFINITY; 2]; // all at one place: no line
        }
        let k = since.n;
        let off = since.x_mean - x_mean;
        let share_level = k / n;
        let share_trend = share_level + (since.x_spread + k * off * off) / x_spread;
        let ahead = since.x_mean - self.at_x;

        let [level, trend] = &self.shapes;
        let d = level.value.distance(since.level);
        let more_level = since.level_rss + k * d * d / (1.0 + share_level);
        let values = Within {
            low: trend.value.low + lesser(trend.slope.low * ahead, trend.slope.high * ahead),
            high: trend.value.high + greater(trend.slope.low * ahead, trend.slope.high * ahead),
        };
        let d = values.distance(since.level);
        let turn = trend.slope.distance(since.slope);
        let apart = k * d * d + since.x_spread * turn * turn;
        let more_trend = since.trend_rss + apart / (1.0 + share_trend);
        let mut bounds = [0.0; 2];
        for (shape, more) in [(LEVEL, more_level), (TREND, more_trend)] {
            let fits = &self.shapes[shape];
            let more = match floor {
                None => more,
                Some(floor) => log_part(n, k, more + k * floor, fits),
            };
            // What the arithmetic of large totals may have rounded away.
            bounds[shape] = fits.kept + terms.weight * more - 1e-12 * fits.kept.abs();
        }
        bounds
    }
}

/// The lesser of two numbers that are not NaN: `f64::min` asks about that first, which is felt here.
#[inline]
fn lesser(a: f64, b: f64) -> f64 {
    if a < b { a } else { b }
}

#[inline]
fn greater(a: f64, b: f64) -> f64 {
    if b < a { a } else { b }
}

/// At least `(n' + k) ln((n'v + more)/(n' + k)) − n' ln v` for every `n' ≥ n` and every `v` within the bounds.
///
/// It rises with `n'`, and with `v` on either side of `more/k`, where it is `k ln v`.
#[inline]
fn log_part(n: f64, k: f64, more: f64, fits: &Fits) -> f64 {
    let (variance, log) = (fits.variance, fits.log);
    if variance.low * k < more && more < variance.high * k {
        return k * log.low;
    }
    let (v, log) = if more <= variance.low * k {
        (variance.low, log.low)
    } else {
        (variance.high, log.high)
    };
    let a = more / v;
    k * log + (a - k) * (n + k) / (n + a)
}

#[cfg(test)]
mod tests {
    use super::super::cost::{Cost, Spread};
    use super::super::sums::Sums;
    use super::*;
    use proptest::prelude::*;

    proptest! {
        #[test]
        fn no_segment_of_the_crowd_is_ever_cheaper_than_its_bound(
            y in prop::collection::vec(-3.0..3.0f64, 160),
            best in prop::collection::vec(-20.0..20.0f64, 16),
            bend in -0.01..0.01f64,
            step in -4.0..4.0f64,
            anchor in 48..120usize,
            stretched in any::<bool>(),
            known in any::<bool>(),
        ) {
            let value = |i: usize| y[i] + bend * (i * i) as f64 + if anchor < i { step } else { 0.0 };
            let x = |i: usize| (if stretched { i * i } else { i }) as u64;
            let samples: Vec<(u64, f64)> = (0..y.len()).map(|i| (x(i), value(i))).collect();
            let sums = Sums::new(&samples);
            let spread = if known { Spread::Known } else { Spread::Own { floor: 1e-4 } };
            let terms = Terms { spread, weight: 0.7, extra: [0.0, 5.0], short: 0.0 };
            let cost = Cost::new(&sums, terms);
            let mut halves = [Frozen::nobody(anchor, cost.x(anchor)), Frozen::nobody(anchor, cost.x(anchor))];
            for (s, best) in best.iter().enumerate() {
                let m = cost.moments(s, anchor);
                halves[s / 8].include(*best, &m, cost.data_around(&m, cost.usual(&m)), cost.floor().unwrap_or(0.0));
            }
            let [mut all, more] = halves;
            all.merge(&more);
            let all = all.sealed();
            for t in anchor + 1..y.len() {
                let bounds = all.bound(&cost.moments(anchor, t), &terms, cost.floor());
                for (s, best) in best.iter().enumerate() {
                    let m = cost.moments(s, t);
                    for (shape, rss) in [(LEVEL, m.level_rss), (TREND, m.trend_rss)] {
                        let exact = best + cost.data(m.n, rss, 0.0);
                        prop_assert!(bounds[shape] <= exact + 1e-7 * (1.0 + exact.abs()),
                            "shape {shape}, {s}..{t}: {} above {exact}", bounds[shape]);
                    }
                }
            }
        }
    }

    #[test]
    fn fits_of_a_long_crowd_bound_it_closely_for_a_while() {
        // 400 samples of a bent series, 40 more: what the bound loses stays far below the penalty of a change, 3 ln 440 = 18.
        let mut random = 1u64;
        let mut noise = || {
            random = random
                .wrapping_mul(6_364_136_223_846_793_005)
                .wrapping_add(1);
            (random >> 33) as f64 / (1u64 << 30) as f64 - 1.0
        };
        let samples: Vec<(u64, f64)> = (0..440)
            .map(|i| (i, noise() + 1e-5 * (i * i) as f64))
            .collect();
        let sums = Sums::new(&samples);
        let spread = Spread::Own { floor: 1e-6 };
        let terms = Terms {
            spread,
            weight: 1.0,
            extra: [0.0, 5.0],
            short: 0.0,
        };
        let cost = Cost::new(&sums, terms);
        let mut crowd = Frozen::nobody(400, cost.x(400));
        for s in 0..16 {
            let m = cost.moments(s, 400);
            crowd.include(0.0, &m, cost.data_around(&m, cost.usual(&m)), 1e-6);
        }
        let bound = crowd
            .sealed()
            .bound(&cost.moments(400, 440), &terms, cost.floor())[TREND];
        let exact = (0..16)
            .map(|s| cost.moments(s, 440))
            .map(|m| cost.data(m.n, m.trend_rss, 0.0))
            .fold(f64::INFINITY, f64::min);
        assert!(bound <= exact && exact - bound < 5.0, "{bound} for {exact}");
    }
}
