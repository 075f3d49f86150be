//! Location, spread and straight lines that a few wild values do not move.
//!
//! In: plain numbers, in any order. Out: plain numbers in the same unit; `None` where there is nothing to say.
//! Values that are not finite are left out everywhere.

/// Standard deviation of a normal distribution for each unit of its median absolute deviation: `1 / Φ⁻¹(3/4)`.
pub const SD_PER_MAD: f64 = 1.482_602_218_505_602;

/// Huber's threshold in standard deviations: 95 % efficient for normal values.
/// Source: P. J. Huber, Ann Math Statist 35 (1964) 73–101 (the constant from memory, common practice).
const HUBER: f64 = 1.345;

/// Median of the finite values; the mean of the middle two for an even count. `None` where there is none.
///
/// Reorders the slice. Linear in time.
///
/// ```
/// assert_eq!(patency::stats::robust::median(&mut [3.0, f64::NAN, 1.0, 10.0]), Some(3.0));
/// ```
pub fn median(values: &mut [f64]) -> Option<f64> {
    let n = finite_first(values);
    let values = &mut values[..n];
    if n == 0 {
        return None;
    }
    let (below, &mut upper, _) = values.select_nth_unstable_by(n / 2, f64::total_cmp);
    if n % 2 == 1 {
        return Some(upper);
    }
    let lower = below.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    Some(lower + 0.5 * (upper - lower))
}

/// Median absolute deviation from the median, times [`SD_PER_MAD`]: the standard deviation, for normal values.
///
/// 0 where more than half of the values are alike. `None` where there is no finite value. Reorders and overwrites
/// the slice.
pub fn mad(values: &mut [f64]) -> Option<f64> {
    let centre = median(values)?;
    for v in values.iter_mut() {
        *v = (*v - centre).abs();
    }
    median(values).map(|deviation| deviation * SD_PER_MAD)
}

/// Quantile `p` (0–1) by linear interpolation between order statistics (the common "type 7").
///
/// `None` where there is no finite value or `p` lies outside. Reorders the slice.
pub fn quantile(values: &mut [f64], p: f64) -> Option<f64> {
    let n = finite_first(values);
    if n == 0 || !(0.0..=1.0).contains(&p) {
        return None;
    }
    let values = &mut values[..n];
    let place = p * (n - 1) as f64;
    let lower = place.floor() as usize;
    let (_, &mut at, above) = values.select_nth_unstable_by(lower, f64::total_cmp);
    let next = above.iter().copied().fold(f64::INFINITY, f64::min);
    let share = place - lower as f64;
    Some(if share == 0.0 {
        at
    } else {
        at + share * (next - at)
    })
}

/// Quantile `p` (0–1) of `(value, weight)` pairs: the least value up to which at least a share `p` of the weight lies.
///
/// Pairs whose value or weight is not finite, or whose weight is not above zero, are left out. `None` where nothing is
/// left or `p` lies outside. Reorders the slice.
pub fn weighted_quantile(pairs: &mut [(f64, f64)], p: f64) -> Option<f64> {
    let counts = |&(v, w): &(f64, f64)| v.is_finite() && w.is_finite() && 0.0 < w;
    let total: f64 = pairs.iter().filter(|pair| counts(pair)).map(|p| p.1).sum();
    if !(0.0..=1.0).contains(&p) || total == 0.0 {
        return None;
    }
    pairs.sort_unstable_by(|a, b| a.0.total_cmp(&b.0));
    let mut below = 0.0;
    let mut last = None;
    for (value, weight) in pairs.iter().filter(|pair| counts(pair)) {
        below += weight;
        last = Some(*value);
        // A hair of slack, so that rounding in the sum does not skip the value that stands exactly on the share.
        if p * total <= below * (1.0 + 1e-12) {
            break;
        }
    }
    last
}

/// Huber's location: values within 1.345 robust standard deviations count fully, others as if they stood there.
///
/// The spread is the median absolute deviation; where that is 0, the median is returned. `None` where there is no finite
/// value.
pub fn huber_location(values: &[f64]) -> Option<f64> {
    let mut copy: Vec<f64> = values.iter().copied().filter(|v| v.is_finite()).collect();
    let mut centre = median(&mut copy)?;
    let values = copy.clone();
    let reach = HUBER * mad(&mut copy)?;
    if reach == 0.0 {
        return Some(centre);
    }
    for _ in 0..100 {
        let step = values
            .iter()
            .map(|v| (v - centre).clamp(-reach, reach))
            .sum::<f64>()
            / values.len() as f64;
        centre += step;
        if step.abs() < 1e-10 * reach {
            break;
        }
    }
    Some(centre)
}

/// A straight line `level + slope · x`, with the spread of what it leaves.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct RobustLine {
    /// Value at x = 0.
    pub level: f64,
    /// Rise for each unit of x.
    pub slope: f64,
    /// Robust standard deviation of the residuals.
    pub spread: f64,
}

/// Huber's straight line through `(x, y)` pairs, by reweighting from least squares, the spread renewed in each round.
///
/// Wild `y` do not move it; wild `x` do. `None` for fewer than two finite pairs or where all `x` are alike.
/// Source: P. J. Huber, Robust Statistics (1981), ch. 7 (method from memory).
pub fn huber_line(pairs: &[(f64, f64)]) -> Option<RobustLine> {
    let pairs: Vec<(f64, f64)> = pairs
        .iter()
        .copied()
        .filter(|(x, y)| x.is_finite() && y.is_finite())
        .collect();
    let mut weights = vec![1.0; pairs.len()];
    let mut line = weighted_line(&pairs, &weights)?;
    for _ in 0..50 {
        let mut sizes: Vec<f64> = pairs
            .iter()
            .map(|(x, y)| (y - line.0 - line.1 * x).abs())
            .collect();
        let residuals = sizes.clone();
        let spread = median(&mut sizes)? * SD_PER_MAD;
        let found = RobustLine {
            level: line.0,
            slope: line.1,
            spread,
        };
        if spread == 0.0 {
            return Some(found);
        }
        for (w, r) in weights.iter_mut().zip(&residuals) {
            *w = (HUBER * spread / r).min(1.0);
        }
        let next = weighted_line(&pairs, &weights)?;
        let x_range = pairs.iter().fold(0.0, |m: f64, (x, _)| m.max(x.abs()));
        let moved = (next.0 - line.0).abs() + (next.1 - line.1).abs() * x_range;
        line = next;
        if moved < 1e-9 * spread {
            return Some(found);
        }
    }
    let mut sizes: Vec<f64> = pairs
        .iter()
        .map(|(x, y)| (y - line.0 - line.1 * x).abs())
        .collect();
    median(&mut sizes).map(|m| RobustLine {
        level: line.0,
        slope: line.1,
        spread: m * SD_PER_MAD,
    })
}

/// Weighted least squares; `(level, slope)`.
fn weighted_line(pairs: &[(f64, f64)], weights: &[f64]) -> Option<(f64, f64)> {
    let total: f64 = weights.iter().sum();
    let mean = |f: &dyn Fn(&(f64, f64)) -> f64| {
        pairs
            .iter()
            .zip(weights)
            .map(|(p, w)| w * f(p))
            .sum::<f64>()
            / total
    };
    let (x0, y0) = (mean(&|p| p.0), mean(&|p| p.1));
    let xx = mean(&|p| (p.0 - x0) * (p.0 - x0));
    let xy = mean(&|p| (p.0 - x0) * (p.1 - y0));
    let slope = xy / xx;
    (0.0 < xx && slope.is_finite()).then_some((y0 - slope * x0, slope))
}

/// Moves the finite values to the front and says how many there are.
fn finite_first(values: &mut [f64]) -> usize {
    let mut kept = 0;
    for i in 0..values.len() {
        if values[i].is_finite() {
            values.swap(kept, i);
            kept += 1;
        }
    }
    kept
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn median_and_spread_ignore_what_is_not_finite() {
        assert_eq!(median(&mut [4.0, 1.0, f64::INFINITY, 2.0, 3.0]), Some(2.5));
        assert_eq!(median(&mut [f64::NAN]), None);
        // 1, 1, 2, 2, 4, 6, 9: median 2, deviations 1, 1, 0, 0, 2, 4, 7, their median 1 (a common textbook example).
        let mut values = [1.0, 1.0, 2.0, 2.0, 4.0, 6.0, 9.0];
        assert_eq!(mad(&mut values), Some(SD_PER_MAD));
    }

    #[test]
    fn quantiles_agree_with_numpy() {
        // numpy 2: quantile([1, 2, 4, 8, 16], [0.1, 0.25, 0.9])
        let values = [16.0, 2.0, 8.0, 1.0, 4.0];
        for (p, expected) in [
            (0.0, 1.0),
            (0.1, 1.4),
            (0.25, 2.0),
            (0.9, 12.8),
            (1.0, 16.0),
        ] {
            let found = quantile(&mut values.clone(), p).unwrap();
            assert!((found - expected).abs() < 1e-12, "{p}: {found}");
        }
        assert_eq!(quantile(&mut values.clone(), 1.1), None);
    }

    #[test]
    fn a_weight_counts_as_so_many_values() {
        let pairs = [(1.0, 1.0), (2.0, 3.0), (9.0, 1.0), (5.0, 0.0)];
        let at = |p| weighted_quantile(&mut pairs.clone(), p);
        assert_eq!(
            (at(0.1), at(0.5), at(0.8), at(1.0)),
            (Some(1.0), Some(2.0), Some(2.0), Some(9.0))
        );
        assert_eq!(weighted_quantile(&mut [(1.0, 0.0)], 0.5), None);
    }

    #[test]
    fn one_wild_value_moves_hubers_location_little() {
        let mut values: Vec<f64> = (0..101).map(|i| f64::from(i) / 50.0 - 1.0).collect();
        assert!(huber_location(&values).unwrap().abs() < 1e-9);
        values.push(1e6);
        assert!(huber_location(&values).unwrap().abs() < 0.03);
        assert_eq!(huber_location(&[5.0, 5.0, 5.0, 7.0]), Some(5.0));
    }

    #[test]
    fn wild_values_move_hubers_line_little() {
        let mut pairs: Vec<(f64, f64)> = (0..200)
            .map(|i| {
                let x = f64::from(i) / 10.0;
                (x, 3.0 + 0.5 * x + if i % 2 == 0 { 0.1 } else { -0.1 })
            })
            .collect();
        for i in [20, 21, 22, 150] {
            pairs[i].1 += 500.0;
        }
        let line = huber_line(&pairs).unwrap();
        assert!((line.level - 3.0).abs() < 0.03, "{line:?}");
        assert!((line.slope - 0.5).abs() < 0.003, "{line:?}");
        assert_eq!(huber_line(&[(1.0, 2.0), (1.0, 3.0)]), None);
    }

    proptest! {
        #[test]
        fn median_and_quantiles_agree_with_sorting(mut values in proptest::collection::vec(-1e3..1e3f64, 1..40), p in 0.0..=1.0f64) {
            let mut sorted = values.clone();
            sorted.sort_by(f64::total_cmp);
            let at = p * (sorted.len() - 1) as f64;
            let (low, high) = (sorted[at.floor() as usize], sorted[at.ceil() as usize]);
            let slow = low + (at - at.floor()) * (high - low);
            prop_assert!((quantile(&mut values, p).unwrap() - slow).abs() < 1e-9);
            prop_assert!((median(&mut values).unwrap() - quantile(&mut values, 0.5).unwrap()).abs() < 1e-9);
        }
    }
}
