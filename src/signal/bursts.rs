//! Bursts: a few wild samples after which a series goes on as before.
//!
//! In: values in order. Out: which of them to leave out, and how heavy the tails of the rest are. A cough, a knock, a
//! glitch of the sensor is no segment, and the squares of its values would drown everything around it. A burst has at
//! most [`LONGEST`] samples; what lasts longer is a segment.

/// The longest run of wild samples that is still a burst.
pub(super) const LONGEST: usize = 7;

/// Samples around each one that say what is usual there. A burst fills less than a quarter of it, so that the
/// middle half stays free of it.
const WINDOW: usize = 31;

/// Standard deviations from the window's median at which a sample is wild, and at which a wild one's neighbour is.
const WILD: f64 = 4.0;
const WILD_BESIDE_WILD: f64 = 2.5;

/// Interquartile range of a normal distribution in standard deviations: `2 Φ⁻¹(3/4)`.
const IQR_PER_SD: f64 = 1.348_979_500_392_163_5;

/// What stands out of a series.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Bursts {
    /// Whether each sample belongs to a burst.
    pub wild: Vec<bool>,
    /// Fourth moment over the square of the second, of the samples' distances from their window's median in its standard
    /// deviations, wild ones left out: about 3.4 for normal noise. `None` for short series.
    pub kurtosis: Option<f64>,
}

impl Bursts {
    /// Looks through a series without missing values; `least_sd` is a spread below which nothing is wild (what rounding
    /// makes).
    ///
    /// Runs that touch an end of the series are no bursts unless they are single samples: nothing shows that the
    /// series went on as before.
    pub fn of(values: &[f64], least_sd: f64) -> Self {
        let n = values.len();
        if n < WINDOW {
            return Self {
                wild: vec![false; n],
                kurtosis: None,
            };
        }
        let mut window: Vec<f64> = values[..WINDOW].to_vec();
        window.sort_unstable_by(f64::total_cmp);
        let mut distances = Vec::with_capacity(n);
        for (i, &value) in values.iter().enumerate() {
            // The window is centred, and stands still near the ends.
            if WINDOW / 2 < i && i + WINDOW / 2 < n {
                replace(
                    &mut window,
                    values[i - WINDOW / 2 - 1],
                    values[i + WINDOW / 2],
                );
            }
            let iqr = window[WINDOW * 3 / 4] - window[WINDOW / 4];
            let sd = (iqr / IQR_PER_SD).max(least_sd);
            let distance = (value - window[WINDOW / 2]).abs();
            distances.push(if distance == 0.0 { 0.0 } else { distance / sd });
        }
        let mut wild: Vec<bool> = distances.iter().map(|d| WILD < *d).collect();
        let beside = |i: usize, neighbour: bool| neighbour && WILD_BESIDE_WILD < distances[i];
        for i in 1..n {
            wild[i] |= beside(i, wild[i - 1]);
        }
        for i in (0..n - 1).rev() {
            wild[i] |= beside(i, wild[i + 1]);
        }
        keep_short_runs(&mut wild);
        Self {
            wild,
            kurtosis: kurtosis(&distances),
        }
    }
}

/// Takes one value out of a sorted window and puts another in.
fn replace(window: &mut [f64], old: f64, new: f64) {
    let from = window.partition_point(|v| *v < old).min(window.len() - 1);
    let to = window.partition_point(|v| *v < new);
    if from < to {
        window.copy_within(from + 1..to, from);
        window[to - 1] = new;
    } else {
        window.copy_within(to..from, to + 1);
        window[to] = new;
    }
}

fn keep_short_runs(wild: &mut [bool]) {
    let n = wild.len();
    let mut start = 0;
    while start < n {
        let end = (start..n).find(|&i| !wild[i]).unwrap_or(n);
        let at_an_end = start == 0 || end == n;
        let longest = if at_an_end { 1 } else { LONGEST };
        if longest < end - start {
            wild[start..end].fill(false);
        }
        start = end + 1;
    }
}

fn kurtosis(distances: &[f64]) -> Option<f64> {
    let (mut count, mut squares, mut fourths) = (0.0, 0.0, 0.0);
    for d in distances.iter().filter(|d| **d < WILD) {
        count += 1.0;
        squares += d * d;
        fourths += d * d * d * d;
    }
    let kurtosis = fourths * count / (squares * squares);
    kurtosis.is_finite().then_some(kurtosis)
}

#[cfg(test)]
mod tests {
    use super::super::made::autoregressive;
    use super::*;
    use rstest::rstest;

    fn where_wild(values: &[f64]) -> Vec<usize> {
        let wild = Bursts::of(values, 0.0).wild;
        (0..values.len()).filter(|&i| wild[i]).collect()
    }

    #[rstest]
    #[case::one_sample(1, 7.0)]
    #[case::five(5, 9.0)]
    #[case::the_longest(LONGEST, 30.0)]
    fn a_short_burst_is_left_out(#[case] length: usize, #[case] height: f64) {
        let mut values = autoregressive(5, 300, 0.0);
        values[150..150 + length]
            .iter_mut()
            .for_each(|v| *v += height);
        let wild = where_wild(&values);
        assert!((150..150 + length).all(|i| wild.contains(&i)), "{wild:?}");
        assert!(wild.len() <= length + 1, "{wild:?}");
    }

    #[test]
    fn what_lasts_longer_is_kept_and_so_is_a_step() {
        let mut values = autoregressive(6, 300, 0.0);
        values[100..=100 + LONGEST]
            .iter_mut()
            .for_each(|v| *v += 30.0);
        values[200..].iter_mut().for_each(|v| *v += 30.0);
        assert_eq!(where_wild(&values), Vec::<usize>::new());
    }

    #[test]
    fn a_run_at_the_end_may_be_the_first_of_a_segment() {
        let mut values = autoregressive(8, 300, 0.0);
        values[296..].iter_mut().for_each(|v| *v += 30.0);
        assert!(where_wild(&values).iter().all(|i| *i < 296));
    }

    #[test]
    fn the_sliding_window_stays_sorted() {
        let values = autoregressive(9, 500, 0.4);
        let mut window: Vec<f64> = values[..WINDOW].to_vec();
        window.sort_unstable_by(f64::total_cmp);
        for i in WINDOW..values.len() {
            replace(&mut window, values[i - WINDOW], values[i]);
            let mut expected = values[i + 1 - WINDOW..=i].to_vec();
            expected.sort_unstable_by(f64::total_cmp);
            assert_eq!(window, expected);
        }
    }
}
