//! The standard normal distribution, by `statrs`.

use statrs::distribution::{ContinuousCDF, Normal};

/// Quantile of the standard normal distribution; `p` strictly between 0 and 1.
pub fn quantile(p: f64) -> f64 {
    Normal::standard().inverse_cdf(p)
}
