//! How large the noise of a series is, and how much its neighbours resemble each other, whatever the series does besides.
//!
//! In: values in order. Out: [`Noise`]. Everything comes from differences between near neighbours, which a change of level
//! touches in one place only and a slope by a constant for as long as it lasts, so that no segment need be known beforehand.

use crate::stats::robust::{median, quantile};

/// Noise of a series.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Noise {
    /// Standard deviation; 0 where most neighbours are alike.
    pub sd: f64,
    /// How many samples say as much about a mean as one independent sample would; at least 1.
    pub samples_per_independent_one: f64,
}

/// Correlation of neighbours beyond which a series is no noise around a level any more.
const MOST_CORRELATION: f64 = 0.95;

/// Share of the differences that count: the largest tenth may be changes and bursts.
const KEPT: f64 = 0.9;

/// Variance of a normal distribution for each unit of variance that is left when its outer tenth is cut off:
/// `1 / (1 − 2 z φ(z) / 0.9)` with `z = Φ⁻¹(0.95)`.
const VARIANCE_PER_KEPT: f64 = 1.0 / 0.622_946_4;

/// Neighbouring differences that share a centre: a slope moves them all alike. Differences of block means overlap, and
/// need more of them for drift not to pass for a slope.
const TOGETHER: usize = 20;
const BLOCKS_TOGETHER: usize = 60;

/// Lengths of the blocks whose means are compared, and the samples that a series must have for each. Long blocks see more of
/// a slow drift, but take segments shorter than themselves for it: only long series are asked.
const BLOCKS: [(usize, usize); 3] = [(4, 240), (8, 480), (16, 5000)];

impl Noise {
    /// Measures the noise of a series without missing values. Rounding to `step` (0 = none) adds noise of variance
    /// `step²/12` that resembles nothing, and is taken off where resemblance is measured.
    pub fn of(values: &[f64], step: f64) -> Self {
        let near = difference_variance(values, 1);
        let across = difference_variance(values, 2);
        if !(0.0 < near && 0.0 < across) {
            // f64::max leaves NaN out
            let sd = near.max(across).max(0.0).sqrt();
            return Self {
                sd,
                samples_per_independent_one: 1.0,
            };
        }
        let correlation = steady_correlation(near, across, step);
        let variance = near / (1.0 - correlation);
        let forgetting = (1.0 + correlation) / (1.0 - correlation);
        Self {
            sd: variance.sqrt(),
            samples_per_independent_one: forgetting.max(slow_share(values, variance)),
        }
    }
}

/// Correlation of neighbours if the noise forgets at a steady rate; negative ones count as 0.
///
/// Half the variance of differences is `σ² (1 − ρ₁)` between neighbours and `σ² (1 − ρ₂)` across one; with `ρ₂ = ρ₁²`
/// their ratio is `1 + ρ₁`. Source of the idea: S. Chakar et al., Bernoulli 23 (2017) 1408–1447 (from memory).
fn steady_correlation(near: f64, across: f64, step: f64) -> f64 {
    let rounding = (step * step / 12.0).min(0.5 * near);
    let ratio = (across - rounding) / (near - rounding) - 1.0;
    ratio.clamp(0.0, MOST_CORRELATION)
}

/// The same as [`Noise::samples_per_independent_one`], from the means of neighbouring blocks, for noise of which a small part
/// forgets slowly: drift under the sensor's own noise, which neighbours hardly show.
///
/// `L · var(difference of block means) / 2 σ²`, the most over the block lengths L, each less 1.5 of its own standard
/// errors, so that white noise gives 1.
fn slow_share(values: &[f64], variance: f64) -> f64 {
    // Standard deviations at which a quarter of a normal distribution lies on both sides of its middle together.
    const INNER_QUARTER: f64 = 0.318_639_4;
    let centre = values.first().copied().unwrap_or(0.0);
    let mut sums = Vec::with_capacity(values.len() + 1);
    let mut sum = 0.0;
    sums.push(sum);
    for v in values {
        sum += v - centre;
        sums.push(sum);
    }
    let share = |length: usize| {
        let mut differences: Vec<f64> = (0..=values.len() - 2 * length)
            .step_by(length / 4)
            .map(|i| (sums[i + 2 * length] - 2.0 * sums[i + length] + sums[i]) / length as f64)
            .collect();
        centred(&mut differences, BLOCKS_TOGETHER);
        differences.iter_mut().for_each(|d| *d = d.abs());
        // The inner quarter stands even where two of three blocks hold a change.
        let sd = quantile(&mut differences, 0.25).unwrap_or(0.0) / INNER_QUARTER;
        let standard_error = (4.0 * length as f64 / values.len() as f64).sqrt();
        length as f64 * sd * sd / (2.0 * variance) * (1.0 - 1.5 * standard_error)
    };
    BLOCKS
        .into_iter()
        .filter(|(_, least)| *least <= values.len())
        .map(|(length, _)| share(length))
        .fold(1.0, f64::max)
}

/// Takes the local middle off: what a slope adds to differences.
fn centred(differences: &mut [f64], together: usize) {
    for chunk in differences.chunks_mut(together) {
        let centre = median(&mut chunk.to_vec()).unwrap_or(0.0);
        chunk.iter_mut().for_each(|d| *d -= centre);
    }
}

/// Half the variance of `value[i + lag] − value[i]` without its largest tenth; NaN where there are no differences.
fn difference_variance(values: &[f64], lag: usize) -> f64 {
    let mut differences: Vec<f64> = values.windows(lag + 1).map(|w| w[lag] - w[0]).collect();
    if differences.is_empty() {
        return f64::NAN;
    }
    centred(&mut differences, TOGETHER);
    differences.iter_mut().for_each(|d| *d *= *d);
    let kept = ((KEPT * differences.len() as f64).ceil() as usize).clamp(1, differences.len());
    differences.select_nth_unstable_by(kept - 1, f64::total_cmp);
    let mean = differences[..kept].iter().sum::<f64>() / kept as f64;
    0.5 * mean * VARIANCE_PER_KEPT
}

#[cfg(test)]
mod tests {
    use super::super::made::autoregressive;
    use super::*;
    use rstest::rstest;

    #[rstest]
    fn noise_is_measured_through_steps_and_slopes(
        #[values(0.0, 0.3, 0.6, 0.8)] correlation: f64,
        #[values(0.0, 8.0)] step_every_200: f64,
        #[values(0.0, 0.02)] slope: f64,
    ) {
        let values: Vec<f64> = autoregressive(7, 20_000, correlation)
            .iter()
            .enumerate()
            .map(|(i, v)| {
                1e4 + 3.0 * (v + step_every_200 * (i / 200 % 2) as f64 + slope * i as f64)
            })
            .collect();
        let noise = Noise::of(&values, 0.0);
        assert!((noise.sd / 3.0 - 1.0).abs() < 0.12, "{noise:?}");
        // (1 + ρ)/(1 − ρ): the variance of a mean of first-order autoregressive noise over that of white noise.
        let expected = (1.0 + correlation) / (1.0 - correlation);
        let found = noise.samples_per_independent_one;
        assert!(
            0.8 * expected < found && found < 1.5 * expected,
            "{found}, not {expected}"
        );
    }

    #[test]
    fn slow_drift_under_white_noise_is_not_taken_for_independent_samples() {
        let slow = autoregressive(3, 20_000, 0.9);
        let white = autoregressive(4, 20_000, 0.0);
        let values: Vec<f64> = slow.iter().zip(&white).map(|(s, w)| 0.7 * s + w).collect();
        // Variance of long means over the total variance: (0.49 · 19 + 1) / 1.49 = 6.9; neighbours alone would say 1.8.
        let found = Noise::of(&values, 0.0).samples_per_independent_one;
        assert!(2.5 < found && found < 7.5, "{found}");
    }

    #[test]
    fn too_little_to_measure_gives_no_noise() {
        for values in [&[][..], &[1.0], &[1.0, 1.0, 1.0, 1.0]] {
            let noise = Noise::of(values, 0.0);
            assert_eq!((noise.sd, noise.samples_per_independent_one), (0.0, 1.0));
        }
    }
}
