//! Tails of the normal and the chi-squared distribution, as tests and intervals need them.

use statrs::function::erf::erfc;
use statrs::function::gamma::gamma_ur;

/// The 97.5 % point of the standard normal: half-width of a 95 % interval in standard errors.
///
/// Source: mpmath 1.4, `mp.dps = 30`, `sqrt(2) * erfinv(0.95)` = 1.95996398454005423552.
pub const Z_95: f64 = 1.959_963_984_540_054_2;

/// Probability that a standard normal lies further from 0 than `z`, on either side. NaN gives NaN.
///
/// As exact as the library's `erfc`, some 1e-11 of the unit.
///
/// ```
/// use patency::stats::tails::{Z_95, two_sided_p};
/// assert!((two_sided_p(Z_95) - 0.05).abs() < 1e-10);
/// ```
pub fn two_sided_p(z: f64) -> f64 {
    erfc(z.abs() / std::f64::consts::SQRT_2)
}

/// Probability that a chi-squared variable with `df` degrees of freedom exceeds `x`; 1 for `x <= 0` or `df == 0`.
///
/// `Q(df/2, x/2)`, the regularised upper incomplete gamma function.
pub fn chi_squared_upper_p(x: f64, df: usize) -> f64 {
    if df == 0 || x <= 0.0 {
        return 1.0;
    }
    if x.is_nan() || 1e6 < x {
        return if x.is_nan() { f64::NAN } else { 0.0 };
    }
    gamma_ur(df as f64 / 2.0, x / 2.0)
}

#[cfg(test)]
mod tests {
    use super::*;
    use rstest::rstest;

    // Printed critical values: NIST/SEMATECH e-Handbook, 1.3.6.7.4, upper-tail 0.05 column.
    #[rstest]
    #[case(1, 3.841)]
    #[case(2, 5.991)]
    #[case(10, 18.307)]
    #[case(30, 43.773)]
    fn the_handbooks_critical_values_leave_five_percent(#[case] df: usize, #[case] x: f64) {
        assert!((chi_squared_upper_p(x, df) - 0.05).abs() < 5e-5);
    }

    #[rstest]
    #[case(0.0, 1, 1.0)]
    #[case(-1.0, 3, 1.0)]
    #[case(5.0, 0, 1.0)]
    #[case(f64::INFINITY, 2, 0.0)]
    fn odd_arguments_give_probabilities(#[case] x: f64, #[case] df: usize, #[case] p: f64) {
        assert_eq!(chi_squared_upper_p(x, df), p);
    }
}
