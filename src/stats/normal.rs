//! The standard normal distribution, by `statrs`.

use statrs::distribution::{Continuous, ContinuousCDF, Normal};

/// Quantile of the standard normal distribution; `p` strictly between 0 and 1.
pub fn quantile(p: f64) -> f64 {
    Normal::standard().inverse_cdf(p)
}

/// Density of the standard normal distribution.
pub fn density(z: f64) -> f64 {
    Normal::standard().pdf(z)
}

/// Probability that a standard normal lies above `z`.
pub fn upper(z: f64) -> f64 {
    Normal::standard().sf(z)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::stats::tails::Z_95;

    #[test]
    fn density_and_tail_are_the_tabled_ones() {
        // 1/√(2π); the tail beyond its 97.5 % point by that point's definition.
        assert!((density(0.0) - 0.398_942_280_401_432_7).abs() < 1e-12);
        assert!((upper(Z_95) - 0.025).abs() < 1e-9);
        assert!((upper(0.0) - 0.5).abs() < 1e-12);
    }
}
