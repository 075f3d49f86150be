//! The step to which a series was rounded.
//!
//! In: values in any order, missing ones not finite. Out: the step, in the unit of the values, 0 where there is none.
//! Rounding hides noise: a series that stands still may do so because its sensor reports whole tens. Whoever
//! weighs a spread adds `step² / 12`, the variance of a value spread evenly over one step.

/// Share of neighbouring differences that may lie off the grid: typing errors, a recalibrated stretch.
const OFF_GRID: f64 = 0.02;

/// A difference counts as a whole number of steps up to this share of a step.
const TOLERANCE: f64 = 1e-3;

/// The rounding step: the largest step on whose grid (wherever it starts) at least 98 % of the distinct values stand.
///
/// 0 where there is no grid, or fewer than two distinct values. Where only two values occur, their distance says
/// little: the step is then the last decimal that they use (1 at the most).
///
/// ```
/// use patency::signal::rounding_step;
/// assert_eq!(rounding_step(&[20.0, 25.0, 40.0, 25.0]), 5.0);
/// assert_eq!(rounding_step(&[0.0, 1.0, std::f64::consts::PI, 2.2]), 0.0);
/// ```
pub fn rounding_step(values: &[f64]) -> f64 {
    let mut distinct: Vec<f64> = values.iter().copied().filter(|v| v.is_finite()).collect();
    distinct.sort_unstable_by(f64::total_cmp);
    distinct.dedup();
    let (Some(&low), Some(&high)) = (distinct.first(), distinct.last()) else {
        return 0.0;
    };
    // Below this, a difference is the rounding of binary numbers, not of a sensor.
    let least = 1e-9 * (low.abs().max(high.abs()));
    let gaps: Vec<f64> = distinct
        .windows(2)
        .map(|w| w[1] - w[0])
        .filter(|gap| least < *gap)
        .collect();
    match gaps.len() {
        0 => 0.0,
        1 => last_decimal(low).min(last_decimal(high)).min(gaps[0]),
        _ => grid(&gaps, least),
    }
}

fn grid(gaps: &[f64], least: f64) -> f64 {
    let common = gaps
        .iter()
        .fold(0.0, |step, &gap| common_step(gap, step, least));
    let smallest = gaps.iter().copied().fold(f64::INFINITY, f64::min);
    // The most frequent gap holds where a few values lie off the grid; the common step where few points of it occur.
    for step in [most_frequent(gaps), common] {
        let off = gaps
            .iter()
            .filter(|&&gap| TOLERANCE < (gap / step - (gap / step).round()).abs())
            .count();
        // A common step far below every gap is a coincidence of the tolerance, not a grid.
        if least < step && 0.02 * smallest < step && off as f64 <= OFF_GRID * gaps.len() as f64 {
            return polished(step);
        }
    }
    0.0
}

/// Euclid's algorithm on numbers with a tolerance.
fn common_step(mut a: f64, mut b: f64, least: f64) -> f64 {
    while least < b {
        let rest = a - (a / b).round() * b;
        let rest = if rest.abs() < TOLERANCE * b {
            0.0
        } else {
            rest
        };
        (a, b) = (b, rest.abs());
    }
    a
}

/// The gap that occurs most often, to six digits; the smallest of those that occur equally often.
fn most_frequent(gaps: &[f64]) -> f64 {
    let mut sorted = gaps.to_vec();
    sorted.sort_unstable_by(f64::total_cmp);
    let mut best = (0, 0.0);
    let mut from = 0;
    for i in 1..=sorted.len() {
        let ends = sorted
            .get(i)
            .is_none_or(|gap| 1e-6 * sorted[from] < gap - sorted[from]);
        if ends {
            if best.0 < i - from {
                best = (i - from, sorted[from]);
            }
            from = i;
        }
    }
    best.1
}

/// The unit of the last decimal that a number uses, 1 at the most; 0 where it needs more than nine decimals.
fn last_decimal(value: f64) -> f64 {
    (0..=9)
        .map(|decimals| 10f64.powi(-decimals))
        .find(|unit| (value / unit - (value / unit).round()).abs() < 1e-6)
        .unwrap_or(0.0)
}

/// Takes off the crumbs of binary arithmetic: 0.09999999999997 is 0.1.
fn polished(step: f64) -> f64 {
    let unit = 10f64.powi(step.log10().floor() as i32 - 5);
    let rounded = (step / unit).round() * unit;
    if (rounded / step - 1.0).abs() < 1e-5 {
        (rounded * 1e12).round() / 1e12
    } else {
        step
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use rand::{Rng, SeedableRng};
    use rstest::rstest;

    fn noise(n: usize, step: f64, seed: u64) -> Vec<f64> {
        let mut random = rand_chacha::ChaCha8Rng::seed_from_u64(seed);
        (0..n)
            .map(|_| {
                let v = 40.0 + 30.0 * (random.random::<f64>() - 0.5);
                if step == 0.0 {
                    v
                } else {
                    (v / step).round() * step
                }
            })
            .collect()
    }

    #[rstest]
    fn the_step_of_a_rounded_series_comes_back(
        #[values(0.0, 0.1, 0.25, 1.0, 2.0, 5.0, 10.0)] step: f64,
        #[values(1, 2, 3)] seed: u64,
        #[values(60, 5000)] n: usize,
    ) {
        let found = rounding_step(&noise(n, step, seed));
        assert!((found - step).abs() < 1e-9, "{found}, not {step}");
    }

    #[test]
    fn a_grid_that_was_converted_or_moved_is_still_a_grid() {
        let kpa: Vec<f64> = (0..40)
            .map(|i| f64::from(i % 7) * 0.5 * 7.500_616)
            .collect();
        assert!((rounding_step(&kpa) - 3.750_308).abs() < 1e-5);
        let moved: Vec<f64> = (0..40).map(|i| 2.5 + 5.0 * f64::from(i % 9)).collect();
        assert_eq!(rounding_step(&moved), 5.0);
    }

    #[test]
    fn a_few_values_off_the_grid_do_not_hide_it() {
        let mut values: Vec<f64> = (0..200).map(f64::from).collect();
        values.extend([17.3, 101.42]);
        assert_eq!(rounding_step(&values), 1.0);
    }

    #[test]
    fn too_few_values_claim_no_wide_step() {
        assert_eq!(rounding_step(&[]), 0.0);
        assert_eq!(rounding_step(&[f64::NAN, 7.0, 7.0]), 0.0);
        assert_eq!(rounding_step(&[0.0, 30.0]), 1.0);
        assert_eq!(rounding_step(&[5.3, 7.9]), 0.1);
    }
}
