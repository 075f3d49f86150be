//! Funnel plot of rates: how far may a unit's rate lie from the overall one by chance, given its time at risk?
//!
//! In: the overall rate and an exposure. Out: limits of the unit's observed rate.

use statrs::distribution::{Discrete, DiscreteCDF, Poisson};

/// Limits of an observed rate at this exposure, if the true rate is `target` (events per unit of exposure).
///
/// `p` is the probability left in each tail (0.025 for 95 % limits, 0.001 for 99.8 %). The exact Poisson limits are
/// interpolated between counts, so that the funnel is smooth:
/// `r = min{k : P(X ≤ k) > p}`, `α = (P(X ≤ r) − p)/P(X = r)`, limit `(r − α)/exposure`; the lower one is at least 0.
/// `None` unless target and exposure are above zero and `0 < p < 0.5`.
///
/// Source: D. J. Spiegelhalter, Stat. Med. 24 (2005) 1185–1202, appendix A.1.1 (from memory).
pub fn funnel_limits(target: f64, exposure: f64, p: f64) -> Option<(f64, f64)> {
    let sound = 0.0 < target && 0.0 < exposure && exposure.is_finite() && 0.0 < p && p < 0.5;
    let expected = target * exposure;
    if !sound || !expected.is_finite() || 1e9 < expected {
        return None;
    }
    let poisson = Poisson::new(expected).ok()?;
    let limit = |p: f64| {
        let r = least_count_above(&poisson, expected, p);
        let alpha = (poisson.cdf(r) - p) / poisson.pmf(r);
        (r as f64 - alpha) / exposure
    };
    Some((limit(p).max(0.0), limit(1.0 - p)))
}

/// The least count with `P(X ≤ k) > p`, searched from the normal approximation outwards.
fn least_count_above(poisson: &Poisson, expected: f64, p: f64) -> u64 {
    let (mut low, mut high) = (0_u64, (expected + 10.0 * expected.sqrt() + 30.0) as u64);
    while low < high {
        let middle = low + (high - low) / 2;
        if p < poisson.cdf(middle) {
            high = middle;
        } else {
            low = middle + 1;
        }
    }
    low
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    proptest! {
        #[test]
        fn the_limits_enclose_the_target_and_close_in_with_exposure(target in 0.001..5.0, exposure in 5.0..5e4) {
            let (low, high) = funnel_limits(target, exposure, 0.025).unwrap();
            prop_assert!(low < target && target < high + 1.0 / exposure);
            let (wide_low, wide_high) = funnel_limits(target, exposure, 0.001).unwrap();
            prop_assert!(wide_low <= low && high <= wide_high);
            let (later_low, later_high) = funnel_limits(target, exposure * 4.0, 0.025).unwrap();
            prop_assert!(later_high - later_low < high - low + 1e-12);
        }
    }

    #[test]
    fn a_count_beyond_the_limits_is_as_rare_as_promised() {
        // Slow twin: with 4 expected, P(X ≤ 0) = 0.018 and P(X ≤ 1) = 0.092, so the lower 2.5 % limit lies between.
        let (low, high) = funnel_limits(4.0, 1.0, 0.025).unwrap();
        assert!(
            (low - (1.0 - (0.091_578_194_443_671 - 0.025) / 0.073_262_555_554_937)).abs() < 1e-9
        );
        assert!(7.0 < high && high < 9.0);
        assert_eq!(funnel_limits(0.0, 1.0, 0.025), None);
        assert_eq!(funnel_limits(1.0, 1.0, 0.7), None);
    }
}
