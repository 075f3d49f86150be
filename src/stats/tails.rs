//! Tails of the normal and the chi-squared distribution, as tests and intervals need them.

use statrs::distribution::{ContinuousCDF, StudentsT};
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

/// The 97.5 % point of Student's t with so many degrees of freedom (at least 1, need not be whole): half-width of a 95 % interval
/// in standard errors. [`Z_95`] where they are too many to tell the two apart.
pub fn student_975(free: f64) -> f64 {
    match StudentsT::new(0.0, 1.0, free.max(1.0)) {
        Ok(student) if free < 1e6 => student.inverse_cdf(0.975),
        _ => Z_95,
    }
}

/// Probability that Student's t with so many degrees of freedom lies further from 0 than `t`, on either side; the normal one where
/// they are too many to tell the two apart.
pub fn two_sided_t_p(t: f64, free: f64) -> f64 {
    match StudentsT::new(0.0, 1.0, free.max(1.0)) {
        Ok(student) if free < 1e6 => 2.0 * student.cdf(-t.abs()),
        _ => two_sided_p(t),
    }
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

    // Printed critical values: NIST/SEMATECH e-Handbook, 1.3.6.7.2, column 0.975 (from memory).
    #[rstest]
    #[case(1.0, 12.706)]
    #[case(2.0, 4.303)]
    #[case(10.0, 2.228)]
    #[case(100.0, 1.984)]
    fn student_s_points_are_those_of_the_handbook(#[case] free: f64, #[case] t: f64) {
        assert!((student_975(free) - t).abs() < 6e-4);
    }

    #[test]
    fn student_s_p_at_its_own_point_is_five_percent() {
        for free in [1.0, 2.0, 10.0, f64::INFINITY] {
            assert!((two_sided_t_p(-student_975(free), free) - 0.05).abs() < 1e-6);
        }
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
