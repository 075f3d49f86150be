//! Several analyses of completed data become one: Rubin's rules.
//!
//! In: an estimate and its variance from each completed data set. Out: [`Pooled`], whose variance holds what was imputed too.

use super::tails::{student_975, two_sided_t_p};

/// An estimate over completed data sets.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Pooled {
    /// Mean of the estimates.
    pub value: f64,
    /// Within variance + (1 + 1/m) · between variance.
    pub variance: f64,
    /// Degrees of freedom of its t distribution; infinite where the data sets agree.
    pub free: f64,
    /// Share of the variance that is due to what was imputed.
    pub missing_share: f64,
}

/// Pools `(estimate, variance)` pairs; `None` for no pair or where a number is not finite.
///
/// `free_complete` is how many degrees of freedom complete data would have had (infinite: normal).
///
/// Sources: D. B. Rubin, *Multiple Imputation for Nonresponse in Surveys*, 1987, section 3.1; degrees of freedom: J. Barnard,
/// D. B. Rubin, Biometrika 86 (1999) 948–955 (both from memory).
pub fn pool(estimates: &[(f64, f64)], free_complete: f64) -> Option<Pooled> {
    let sound = |&(q, u): &(f64, f64)| q.is_finite() && u.is_finite() && 0.0 <= u;
    if estimates.is_empty() || !estimates.iter().all(sound) {
        return None;
    }
    let m = estimates.len() as f64;
    let value = estimates.iter().map(|e| e.0).sum::<f64>() / m;
    let within = estimates.iter().map(|e| e.1).sum::<f64>() / m;
    let squares: f64 = estimates.iter().map(|e| (e.0 - value).powi(2)).sum();
    let between = if m < 2.0 { 0.0 } else { squares / (m - 1.0) };
    let added = (1.0 + 1.0 / m) * between;
    let variance = within + added;
    let missing_share = if 0.0 < variance {
        added / variance
    } else {
        0.0
    };
    let old = match missing_share {
        0.0 => f64::INFINITY,
        share => (m - 1.0) / (share * share),
    };
    let observed = match free_complete.is_finite() {
        true => {
            (free_complete + 1.0) / (free_complete + 3.0) * free_complete * (1.0 - missing_share)
        }
        false => f64::INFINITY,
    };
    Some(Pooled {
        value,
        variance,
        free: 1.0 / (1.0 / old + 1.0 / observed),
        missing_share,
    })
}

impl Pooled {
    /// Standard error.
    pub fn standard_error(self) -> f64 {
        self.variance.sqrt()
    }

    /// 95 % limits.
    pub fn limits(self) -> (f64, f64) {
        let half = student_975(self.free) * self.standard_error();
        (self.value - half, self.value + half)
    }

    /// Two-sided p for "the value is 0".
    pub fn p(self) -> f64 {
        two_sided_t_p(self.value / self.standard_error(), self.free)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    // The rules by hand: estimates 1, 2, 3 with variance 1: mean 2, between 1, total 1 + 4/3 = 7/3, share 4/7,
    // degrees of freedom 2 · (7/4)² = 6.125.
    #[test]
    fn three_estimates_are_pooled_as_by_hand() {
        let found = pool(&[(1.0, 1.0), (2.0, 1.0), (3.0, 1.0)], f64::INFINITY).unwrap();
        assert!((found.value - 2.0).abs() < 1e-12);
        assert!((found.variance - 7.0 / 3.0).abs() < 1e-12);
        assert!((found.missing_share - 4.0 / 7.0).abs() < 1e-12);
        assert!((found.free - 6.125).abs() < 1e-9);
    }

    #[test]
    fn estimates_that_agree_keep_the_normal_interval() {
        let found = pool(&[(0.5, 0.04); 5], f64::INFINITY).unwrap();
        let (low, high) = found.limits();
        assert!((low - (0.5 - 0.2 * 1.959_964)).abs() < 1e-5);
        assert!((high - (0.5 + 0.2 * 1.959_964)).abs() < 1e-5);
        // 2.5 standard errors: 0.012419 (normal table)
        assert!((found.p() - 0.012_419).abs() < 1e-5);
    }

    #[test]
    fn nothing_and_what_is_not_finite_give_nothing() {
        assert_eq!(pool(&[], 10.0), None);
        assert_eq!(pool(&[(f64::NAN, 1.0)], 10.0), None);
        assert_eq!(pool(&[(1.0, f64::INFINITY)], 10.0), None);
    }
}
