//! Rates of events: exact limits of a Poisson count, and ratios of two rates.
//!
//! In: counts and exposures. Out: intervals that hold their level whatever the count.

use crate::units::Estimate;
use statrs::distribution::{ContinuousCDF, Gamma};
use statrs::function::beta::{beta_reg, inv_beta_reg};
use statrs::function::gamma::gamma_lr;

/// Exact limits of the mean of a Poisson count, at confidence `level` (0.95 = 95 %).
///
/// With `a = (1 − level)/2`: `low = Q(a; n)`, `high = Q(1 − a; n + 1)`, where `Q(p; k)` is the quantile of
/// Gamma(k, 1). With no event, `low` is 0. `None` when `level` is not inside (0, 1).
///
/// Source: F. Garwood, "Fiducial limits for the Poisson distribution", Biometrika 28 (1936) 437–442.
pub fn count_limits(events: u64, level: f64) -> Option<(f64, f64)> {
    if !(0.0 < level && level < 1.0) {
        return None;
    }
    let tail = (1.0 - level) / 2.0;
    let low = match events {
        0 => 0.0,
        n => Gamma::new(n as f64, 1.0).ok()?.inverse_cdf(tail),
    };
    let high = Gamma::new(events as f64 + 1.0, 1.0)
        .ok()?
        .inverse_cdf(1.0 - tail);
    Some((low, high))
}

/// Rate of `events` over `exposure`, with exact 95 % limits, per unit of exposure.
///
/// `None` when `exposure` is not above zero and finite. Source: as [`count_limits`].
///
/// ```
/// let rate = patency::stats::poisson::rate(31, 4.21).unwrap(); // per 1,000 h
/// assert!((rate.low - 5.0030869309).abs() < 1e-9);
/// ```
pub fn rate(events: u64, exposure: f64) -> Option<Estimate> {
    if !(0.0 < exposure && exposure.is_finite()) {
        return None;
    }
    let (low, high) = count_limits(events, 0.95)?;
    Estimate::new(events as f64 / exposure, low / exposure, high / exposure)
}

/// Rate over several completed data sets, `(events, exposure)` each, with 95 % limits that hold how far these differ.
///
/// The limits are the outer points of the mixture, with equal weights, of the gamma distributions behind Garwood's limits:
/// `Gamma(n, t)` below, `Gamma(n + 1, t)` above, each with `n` and `t` divided by `dispersion` (at least 1; 1 = Poisson). Where all data
/// sets agree and the dispersion is 1, they are Garwood's. `None` without data sets or where an exposure is not above zero.
///
/// Sources: mixture of the completed-data posteriors: A. Gelman and others, *Bayesian Data Analysis*, chapter 18; scaling by
/// the dispersion: P. McCullagh, J. A. Nelder, *Generalized Linear Models*, section 6.2.3 (both from memory).
pub fn mixed_rate(completed: &[(u64, f64)], dispersion: f64) -> Option<Estimate> {
    let usable = |&(_, t): &(u64, f64)| 0.0 < t && t.is_finite();
    let &first = completed.first()?;
    if !completed.iter().all(usable) {
        return None;
    }
    if dispersion <= 1.0 && completed.iter().all(|&c| c == first) {
        return rate(first.0, first.1);
    }
    let m = completed.len() as f64;
    let value = completed.iter().map(|c| c.0 as f64).sum::<f64>()
        / completed.iter().map(|c| c.1).sum::<f64>();
    let dispersion = dispersion.max(1.0);
    let below = |r: f64, more: f64| {
        let one = |&(n, t): &(u64, f64)| match n as f64 / dispersion + more {
            shape if shape <= 0.0 => 1.0,
            shape if r <= 0.0 || shape.is_nan() => 0.0,
            shape => gamma_lr(shape, r * t / dispersion),
        };
        completed.iter().map(one).sum::<f64>() / m
    };
    let most = completed
        .iter()
        .map(|&(n, t)| (n as f64 + 12.0 * dispersion + 12.0 * (dispersion * n as f64).sqrt()) / t)
        .fold(0.0, f64::max);
    let point = |p: f64, more: f64| {
        let (mut low, mut high) = (0.0, most);
        for _ in 0..60 {
            let middle = 0.5 * (low + high);
            if below(middle, more) < p {
                low = middle
            } else {
                high = middle
            }
        }
        0.5 * (low + high)
    };
    let low = if 0.025 <= below(0.0, 0.0) {
        0.0
    } else {
        point(0.025, 0.0)
    };
    Estimate::new(value, low.min(value), point(0.975, 1.0).max(value))
}

/// Variance of a rate's count over clusters against that of a Poisson count: `C/(C − 1) Σ (d − r t)² / Σ d`, over `(d, t)` of each
/// cluster; 1 where it is less or cannot be known.
///
/// The sandwich variance of a rate: as for score residuals in D. Y. Lin, L. J. Wei, JASA 84 (1989) 1074–1078
/// (from memory).
pub fn cluster_dispersion(clusters: impl Iterator<Item = (f64, f64)> + Clone) -> f64 {
    let (count, events, time) = clusters
        .clone()
        .filter(|c| 0.0 < c.1)
        .fold((0.0, 0.0, 0.0), |(c, d, t), one| {
            (c + 1.0, d + one.0, t + one.1)
        });
    if count < 2.0 || events <= 0.0 {
        return 1.0;
    }
    let squares: f64 = clusters.map(|(d, t)| (d - events / time * t).powi(2)).sum();
    (count / (count - 1.0) * squares / events).max(1.0)
}

/// Ratio of two rates with exact limits.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct RateRatio {
    /// First rate over second; `None` where the second has no event (the ratio has then no upper bound).
    pub value: Option<f64>,
    /// Lower 95 % limit; 0 where the first has no event.
    pub low: f64,
    /// Upper 95 % limit; `None` = no upper bound.
    pub high: Option<f64>,
    /// Two-sided exact p for "the rates are the same": twice the smaller tail, at most 1.
    pub p: f64,
}

/// Ratio of the rate `events.0 / exposure.0` to `events.1 / exposure.1`.
///
/// Given the sum of both counts, the first is binomial with `p = r·t₀ / (r·t₀ + t₁)`; the limits are the exact
/// (Clopper–Pearson) ones of `p`, turned back into `r`. `None` when there is no event at all or an exposure is
/// not above zero.
///
/// Source: the conditional argument of J. Przyborowski, H. Wilenski, Biometrika 31 (1940) 313–323;
/// limits C. J. Clopper, E. S. Pearson, Biometrika 26 (1934) 404–413 (both from memory).
pub fn rate_ratio(events: (u64, u64), exposure: (f64, f64)) -> Option<RateRatio> {
    let usable = |t: f64| 0.0 < t && t.is_finite();
    let total = events.0 + events.1;
    if total == 0 || !usable(exposure.0) || !usable(exposure.1) {
        return None;
    }
    let (x, n) = (events.0 as f64, total as f64);
    let odds_to_ratio = |p: f64| p / (1.0 - p) * exposure.1 / exposure.0;
    let low = match events.0 {
        0 => 0.0,
        _ => odds_to_ratio(inv_beta_reg(x, n - x + 1.0, 0.025)),
    };
    let high = match events.1 {
        0 => None,
        _ => Some(odds_to_ratio(inv_beta_reg(x + 1.0, n - x, 0.975))),
    };
    let value =
        (0 < events.1).then(|| (events.0 as f64 / exposure.0) / (events.1 as f64 / exposure.1));

    let share = exposure.0 / (exposure.0 + exposure.1); // of the events, under equal rates
    let at_most = match events.1 {
        0 => 1.0, // P(X <= n)
        _ => 1.0 - beta_reg(x + 1.0, n - x, share),
    };
    let at_least = match events.0 {
        0 => 1.0,
        _ => beta_reg(x, n - x + 1.0, share),
    };
    let p = (2.0 * at_most.min(at_least)).min(1.0);
    Some(RateRatio {
        value,
        low,
        high,
        p,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn close(found: f64, expected: f64, relative: f64) {
        assert!(
            (found - expected).abs() <= relative * expected.abs().max(1e-12),
            "found {found}, expected {expected}"
        );
    }

    #[test]
    fn without_exposure_there_is_no_rate() {
        assert_eq!(rate(3, 0.0), None);
        assert_eq!(rate(3, f64::NAN), None);
        assert_eq!(rate_ratio((0, 0), (1.0, 1.0)), None);
        assert_eq!(rate_ratio((1, 1), (1.0, 0.0)), None);
    }

    #[test]
    fn completed_data_that_agree_have_garwoods_limits_and_others_wider_ones() {
        let exact = rate(31, 4.21).unwrap();
        assert_eq!(mixed_rate(&[(31, 4.21); 4], 1.0), Some(exact));
        // The numeric point of the mixture itself: two data sets that differ by a hair.
        let near = mixed_rate(&[(31, 4.21), (31, 4.21 + 1e-9)], 1.0).unwrap();
        close(near.low, exact.low, 1e-6);
        close(near.high, exact.high, 1e-6);
        let apart = mixed_rate(&[(25, 4.21), (37, 4.21)], 1.0).unwrap();
        close(apart.value, exact.value, 1e-12);
        assert!(apart.low < exact.low && exact.high < apart.high);
        let dispersed = mixed_rate(&[(31, 4.21)], 2.0).unwrap();
        assert!(dispersed.low < exact.low && exact.high < dispersed.high);
        assert_eq!(mixed_rate(&[(0, 4.0), (1, 4.0)], 1.0).unwrap().low, 0.0);
        assert_eq!(mixed_rate(&[], 1.0), None);
        assert_eq!(mixed_rate(&[(1, 0.0)], 1.0), None);
    }

    #[test]
    fn clusters_with_all_events_in_one_are_dispersed() {
        // Four clusters of one hour, 4 events in one: rate 1; 4/3 · (9 + 1 + 1 + 1) / 4 = 4.
        let clusters = [(4.0, 1.0), (0.0, 1.0), (0.0, 1.0), (0.0, 1.0)];
        close(cluster_dispersion(clusters.into_iter()), 4.0, 1e-12);
        assert_eq!(cluster_dispersion([(1.0, 1.0); 4].into_iter()), 1.0);
        assert_eq!(cluster_dispersion([(1.0, 1.0)].into_iter()), 1.0);
    }

    #[test]
    fn a_group_without_events_gives_a_one_sided_interval() {
        let none_in_second = rate_ratio((5, 0), (100.0, 100.0)).unwrap();
        assert_eq!((none_in_second.value, none_in_second.high), (None, None));
        assert!(0.0 < none_in_second.low);
        let none_in_first = rate_ratio((0, 5), (100.0, 100.0)).unwrap();
        assert_eq!((none_in_first.value, none_in_first.low), (Some(0.0), 0.0));
        // 5 of 5 on one side of a fair coin: 2 · 2⁻⁵
        close(none_in_first.p, 0.0625, 1e-12);
        close(none_in_second.p, 0.0625, 1e-12);
    }

    #[test]
    fn swapping_the_groups_inverts_the_ratio() {
        let there = rate_ratio((12, 5), (300.0, 250.0)).unwrap();
        let back = rate_ratio((5, 12), (250.0, 300.0)).unwrap();
        close(there.value.unwrap(), 1.0 / back.value.unwrap(), 1e-12);
        close(there.low, 1.0 / back.high.unwrap(), 1e-9);
        close(there.p, back.p, 1e-9);
    }
}
