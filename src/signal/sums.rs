//! Running sums of a series, from which any stretch's moments follow in constant time.
//!
//! In: values and their places on the x axis. Out: [`Moments`] of any stretch. Sums of a long series lose the small
//! differences that a short stretch late in it lives on: `Σx²` over a million samples is 10¹⁷ times the spread of
//! ten of them. So sums of x are whole numbers, kept exactly (modulo 2⁶⁴: the sums of a stretch, counted from its own
//! start, fit), and sums with y carry the part that rounding cut off along with them.

/// A sum of binary numbers with the part that rounding cut off.
#[derive(Debug, Clone, Copy, Default)]
struct Exact {
    sum: f64,
    cut: f64,
}

impl Exact {
    /// Adds a number: Knuth's two-sum, exact but for the rounding of `cut` itself.
    fn plus(self, term: f64) -> Self {
        let sum = self.sum + term;
        let of_term = sum - self.sum;
        let error = (self.sum - (sum - of_term)) + (term - of_term);
        Self {
            sum,
            cut: self.cut + error,
        }
    }

    fn minus(self, earlier: Self) -> f64 {
        (self.sum - earlier.sum) + (self.cut - earlier.cut)
    }
}

#[derive(Debug, Clone, Copy, Default)]
struct Prefix {
    x: u64,
    xx: u64,
    /// Place of the sample that follows.
    next_x: u64,
    y: Exact,
    xy: Exact,
    yy: Exact,
}

/// Sums of all beginnings of a series.
#[derive(Debug)]
pub(super) struct Sums {
    prefixes: Vec<Prefix>,
}

/// What a stretch leaves after its best level and after its best straight line.
#[derive(Debug, Clone, Copy)]
pub(super) struct Moments {
    /// Number of samples.
    pub n: f64,
    /// Mean of y.
    pub level: f64,
    /// Mean of x.
    pub x_mean: f64,
    /// Sum of squares of x around its mean.
    pub x_spread: f64,
    /// Slope of y for each unit of x; 0 where there is none to be had.
    pub slope: f64,
    /// Sum of squares around the level.
    pub level_rss: f64,
    /// Sum of squares around the line.
    pub trend_rss: f64,
}

impl Sums {
    /// Takes pairs in ascending order of x; y finite, of the order of 1. The largest x squared times the number of samples
    /// must stay below 2⁶⁴ (see [`Self::longest_axis`]).
    pub fn new(samples: &[(u64, f64)]) -> Self {
        let mut sum = Prefix::default();
        let mut prefixes = Vec::with_capacity(samples.len() + 1);
        for &(x, y) in samples {
            sum.next_x = x;
            prefixes.push(sum);
            sum.x = sum.x.wrapping_add(x);
            sum.xx = sum.xx.wrapping_add(x.wrapping_mul(x));
            sum.y = sum.y.plus(y);
            sum.xy = sum.xy.plus(x as f64 * y);
            sum.yy = sum.yy.plus(y * y);
        }
        prefixes.push(sum);
        Self { prefixes }
    }

    /// The largest x that [`Self::new`] can take for so many samples.
    pub fn longest_axis(samples: usize) -> u64 {
        (2f64.powi(63) / samples.max(1) as f64).sqrt() as u64
    }

    /// Number of samples.
    pub fn len(&self) -> usize {
        self.prefixes.len() - 1
    }

    /// Place of a sample.
    pub fn x(&self, at: usize) -> f64 {
        self.prefixes[at].next_x as f64
    }

    /// Moments of the samples `from..to`, which must lie in the series and hold at least one.
    #[inline(always)]
    pub fn moments(&self, from: usize, to: usize) -> Moments {
        let (a, b) = (&self.prefixes[from], &self.prefixes[to]);
        let count = (to - from) as u64;
        let n = float(count);
        // Shifting the origin to the stretch's first sample keeps the spread of x free of its distance from 0.
        let shift = a.next_x;
        let x_sum = b.x.wrapping_sub(a.x);
        let from_start = x_sum.wrapping_sub(count.wrapping_mul(shift));
        // Σ(x − shift)² = Σx² − shift · (Σx + Σ(x − shift))
        let xx = (b.xx.wrapping_sub(a.xx))
            .wrapping_sub(shift.wrapping_mul(x_sum.wrapping_add(from_start)));
        let (x, xx) = (float(from_start), float(xx));
        let x_mean_from_start = x / n;
        let x_spread = xx - x * x_mean_from_start;

        let y = b.y.minus(a.y);
        let level = y / n;
        let level_rss = above_zero(b.yy.minus(a.yy) - y * level);
        let x_mean = float(a.next_x) + x_mean_from_start;
        let together = b.xy.minus(a.xy) - x_mean * y;
        let slope = if 0.0 < x_spread {
            together / x_spread
        } else {
            0.0
        };
        Moments {
            n,
            level,
            x_mean,
            x_spread,
            slope,
            level_rss,
            trend_rss: above_zero(level_rss - together * slope),
        }
    }
}

/// A whole number below 2⁶³, which processors turn into a float with one instruction, unlike one below 2⁶⁴.
#[inline]
fn float(x: u64) -> f64 {
    x as i64 as f64
}

/// `x.max(0.0)`, which asks about NaN first: in the innermost loop that is felt.
#[inline]
fn above_zero(x: f64) -> f64 {
    if 0.0 < x { x } else { 0.0 }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_short_stretch_late_in_a_long_series_keeps_its_moments() {
        // The last ten of two million samples, on a level a hundred thousand times their spread.
        let n = 2_000_000;
        let late = [0.1, -0.2, 0.3, 0.0, 0.4, -0.1, 0.2, -0.3, 0.1, 0.5];
        let samples: Vec<(u64, f64)> = (0..n)
            .map(|i| {
                (
                    i as u64,
                    1e5 + if n - 10 <= i {
                        late[i - (n - 10)]
                    } else {
                        0.05
                    },
                )
            })
            .collect();
        let found = Sums::new(&samples).moments(n - 10, n);

        // The same from the ten numbers alone.
        let alone: Vec<(u64, f64)> = late
            .iter()
            .enumerate()
            .map(|(i, y)| (i as u64, *y))
            .collect();
        let expected = Sums::new(&alone).moments(0, 10);
        assert!((found.level - 1e5 - expected.level).abs() < 1e-9);
        assert!((found.slope - expected.slope).abs() < 1e-5, "{found:?}");
        assert!(
            (found.level_rss / expected.level_rss - 1.0).abs() < 1e-3,
            "{found:?}"
        );
        assert!(
            (found.trend_rss / expected.trend_rss - 1.0).abs() < 1e-3,
            "{found:?}"
        );
    }

    #[test]
    fn moments_agree_with_the_definition() {
        let samples = [(3, 1.0), (4, 2.5), (7, 2.0), (20, 6.0), (21, 5.5)];
        let m = Sums::new(&samples).moments(1, 5);
        // numpy 2: polyfit([1, 4, 17, 18], [2.5, 2, 6, 5.5], 1), sums of squares of what is left
        assert!((m.level - 4.0).abs() < 1e-12);
        assert!((m.slope - 0.223_913_043_478_260_9).abs() < 1e-12, "{m:?}");
        assert!((m.level_rss - 12.5).abs() < 1e-12);
        assert!(
            (m.trend_rss - 0.968_478_260_869_565_2).abs() < 1e-12,
            "{m:?}"
        );
    }
}
