//! Control charts: has a rate changed more than chance makes it?
//!
//! In: counts with their exposures, or values with their variances, in order of time. Out: plotted values with limits, and
//! the rules that each point breaks.
//!
//! Source throughout: NIST/SEMATECH e-Handbook of Statistical Methods, section 6.3 (doi:10.18434/M32189).

/// One point of a u-chart.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct UPoint {
    /// Events per unit of exposure.
    pub rate: f64,
    /// Lower limit, at least 0.
    pub low: f64,
    /// Upper limit.
    pub high: f64,
    /// Distance from the centre line in standard deviations, `(rate − u)/√(u/n)`.
    pub z: f64,
}

/// A u-chart: rates of counts with unequal exposures.
#[derive(Debug, Clone, PartialEq)]
pub struct UChart {
    /// Centre line, events per unit of exposure.
    pub centre: f64,
    /// One for each count; `None` where it has no exposure.
    pub points: Vec<Option<UPoint>>,
}

/// The u-chart of `(events, exposure)`; the centre line comes from the first `baseline` counts (all, if fewer).
///
/// `u = Σ events / Σ exposure`, limits `u ± 3·√(u/exposure)`. `None` without an event or without exposure in the baseline:
/// chance then has no size. Counts are assumed Poisson; for small expected counts (below about 5) the upper limit is
/// crossed by chance more often than 3 standard deviations suggest.
///
/// Source: e-Handbook 6.3.3.1, counts control charts (there with equal exposures: limits of the count).
pub fn u_chart(counts: &[(u64, f64)], baseline: usize) -> Option<UChart> {
    let exposed = |&&(_, exposure): &&(u64, f64)| 0.0 < exposure && exposure.is_finite();
    let (mut events, mut exposure) = (0.0, 0.0);
    for &(e, x) in counts.iter().take(baseline).filter(exposed) {
        events += e as f64;
        exposure += x;
    }
    let centre = events / exposure;
    if !(0.0 < centre && centre.is_finite()) {
        return None;
    }
    let point = |count: &(u64, f64)| {
        exposed(&count).then(|| {
            let sigma = (centre / count.1).sqrt();
            let rate = count.0 as f64 / count.1;
            UPoint {
                rate,
                low: (centre - 3.0 * sigma).max(0.0),
                high: centre + 3.0 * sigma,
                z: (rate - centre) / sigma,
            }
        })
    };
    Some(UChart {
        centre,
        points: counts.iter().map(point).collect(),
    })
}

/// The run rules (Western Electric), each on one side of the centre line. Source: e-Handbook 6.3.2.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Rule {
    /// One point beyond 3 standard deviations.
    BeyondThreeSigma,
    /// Two of the last three points beyond 2 standard deviations.
    TwoOfThreeBeyondTwoSigma,
    /// Four of the last five points beyond 1 standard deviation.
    FourOfFiveBeyondOneSigma,
    /// Eight points in a row on one side of the centre line.
    EightOnOneSide,
}

/// The rules broken by the run that ends at each point. A point on the centre line lies on neither side.
pub fn broken_rules(z: &[f64]) -> Vec<Vec<Rule>> {
    (0..z.len())
        .map(|last| {
            let run = |length: usize| {
                (last + 1)
                    .checked_sub(length)
                    .and_then(|first| z.get(first..=last))
            };
            let enough = |length: usize, needed: usize, beyond: f64| {
                run(length).is_some_and(|points| {
                    [1.0, -1.0]
                        .iter()
                        .any(|side| needed <= points.iter().filter(|&&z| beyond < side * z).count())
                })
            };
            [
                (Rule::BeyondThreeSigma, enough(1, 1, 3.0)),
                (Rule::TwoOfThreeBeyondTwoSigma, enough(3, 2, 2.0)),
                (Rule::FourOfFiveBeyondOneSigma, enough(5, 4, 1.0)),
                (Rule::EightOnOneSide, enough(8, 8, 0.0)),
            ]
            .into_iter()
            .filter_map(|(rule, broken)| broken.then_some(rule))
            .collect()
        })
        .collect()
}

/// One point of an EWMA chart.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct EwmaPoint {
    /// The exponentially weighted moving average.
    pub value: f64,
    /// Lower limit.
    pub low: f64,
    /// Upper limit.
    pub high: f64,
}

impl EwmaPoint {
    /// Whether the average lies beyond a limit.
    pub fn is_out(self) -> bool {
        self.value < self.low || self.high < self.value
    }
}

/// Weight of the newest value. Source: e-Handbook 6.3.2.4, "usually set between 0.2 and 0.3".
pub const EWMA_WEIGHT: f64 = 0.2;

/// The EWMA chart of `(value, variance)` about `target`, limits at 3 standard errors of the average.
///
/// `z_i = λ·x_i + (1 − λ)·z_{i−1}` from `z_0 = target`; its variance `v_i = λ²·σ_i² + (1 − λ)²·v_{i−1}`, which for equal
/// variances tends to the handbook's `σ²·λ/(2 − λ)`. Values without variance (no exposure) leave the average where it is.
///
/// Source: e-Handbook 6.3.2.4.
pub fn ewma(values: &[Option<(f64, f64)>], target: f64, weight: f64) -> Vec<EwmaPoint> {
    let (mut average, mut variance) = (target, 0.0);
    values
        .iter()
        .map(|value| {
            if let Some((x, own)) = value {
                average = weight * x + (1.0 - weight) * average;
                variance = weight * weight * own + (1.0 - weight).powi(2) * variance;
            }
            let width = 3.0 * variance.sqrt();
            EwmaPoint {
                value: average,
                low: target - width,
                high: target + width,
            }
        })
        .collect()
}

/// Half the shift to be found, in standard deviations: the reference value of the cumulative sums.
pub const CUSUM_REFERENCE: f64 = 0.5;
/// Decision limit of the cumulative sums, in standard deviations. Source: e-Handbook 6.3.2.3, `h` of 4 or 5.
pub const CUSUM_LIMIT: f64 = 5.0;

/// One point of a two-sided cumulative sum.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct CusumPoint {
    /// What has gathered above the target.
    pub high: f64,
    /// What has gathered below it (as a number of 0 or more).
    pub low: f64,
}

/// Tabular cumulative sums of deviations from `target`, in the values' unit; a missing value leaves them where they are.
///
/// `S_hi = max(0, S_hi + x − target − k)`, `S_lo = max(0, S_lo + target − k − x)`. Source: e-Handbook 6.3.2.3.
pub fn cusum(values: &[Option<f64>], target: f64, k: f64) -> Vec<CusumPoint> {
    let mut sums = CusumPoint {
        high: 0.0,
        low: 0.0,
    };
    values
        .iter()
        .map(|value| {
            if let Some(x) = value {
                sums.high = (sums.high + x - target - k).max(0.0);
                sums.low = (sums.low + target - k - x).max(0.0);
            }
            sums
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use rstest::rstest;

    #[test]
    fn the_handbooks_wafer_defects_give_its_limits() {
        // e-Handbook 6.3.3.1: 25 wafers, 400 defects, centre 16, limits 4 and 28, wafers 3 and 24 at or above the upper one.
        let defects = [
            16, 14, 28, 16, 12, 20, 10, 12, 10, 17, 19, 17, 14, 16, 15, 13, 14, 16, 11, 20, 11, 19,
            16, 31, 13,
        ];
        let counts: Vec<_> = defects.iter().map(|&d| (d, 1.0)).collect();
        let chart = u_chart(&counts, counts.len()).unwrap();
        assert_eq!(chart.centre, 16.0);
        let first = chart.points[0].unwrap();
        assert_eq!((first.low, first.high), (4.0, 28.0));
        let beyond: Vec<_> = (0..25)
            .filter(|&i| 3.0 < chart.points[i].unwrap().z)
            .collect();
        assert_eq!(beyond, [23]);
    }

    #[test]
    fn the_handbooks_ewma_example_comes_out_as_printed() {
        // e-Handbook 6.3.2.4: λ = 0.3, target 50, s = 2.0539, steady limits 52.5884 and 47.4115 (with a factor cut at 0.4201).
        let x = [
            52.0, 47.0, 53.0, 49.3, 50.1, 47.0, 51.0, 50.1, 51.2, 50.5, 49.6, 47.6, 49.9, 51.3,
            47.8, 51.2, 52.6, 52.4, 53.6, 52.1,
        ];
        let printed = [
            50.60, 49.52, 50.56, 50.18, 50.16, 49.21, 49.75, 49.85, 50.26, 50.33, 50.11, 49.36,
            49.52, 50.05, 49.38, 49.92, 50.73, 51.23, 51.94, 51.99,
        ];
        let values: Vec<_> = x.iter().map(|&x| Some((x, 2.0539_f64.powi(2)))).collect();
        let points = ewma(&values, 50.0, 0.3);
        for (point, printed) in points.iter().zip(printed) {
            assert!((point.value - printed).abs() < 0.005 + 1e-9);
            assert!(!point.is_out());
        }
        let last = points.last().unwrap();
        assert!((last.high - 52.5884).abs() < 1e-3 && (last.low - 47.4115).abs() < 1e-3);
    }

    #[test]
    fn the_handbooks_cusum_example_comes_out_as_printed() {
        // e-Handbook 6.3.2.3: target 325, k = 0.3175, h = 4.1959: the first alarm is at sample 14.
        let x = [
            324.925, 324.675, 324.725, 324.350, 325.350, 325.225, 324.125, 324.525, 325.225,
            324.600, 324.625, 325.150, 328.325, 327.250, 327.825, 328.500, 326.675, 327.775,
            326.875, 328.350,
        ];
        let high = [
            0.0, 0.0, 0.0, 0.0, 0.03, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 3.01, 4.94, 7.45, 10.63,
            11.99, 14.44, 16.00, 19.04,
        ];
        let low = [
            0.0, 0.01, 0.0, 0.33, 0.0, 0.0, 0.56, 0.72, 0.17, 0.25, 0.31, 0.0, 0.0, 0.0, 0.0, 0.0,
            0.0, 0.0, 0.0, 0.0,
        ];
        let points = cusum(&x.map(Some), 325.0, 0.3175);
        for ((point, high), low) in points.iter().zip(high).zip(low) {
            assert!((point.high - high).abs() < 0.005 + 1e-9);
            assert!((point.low - low).abs() < 0.005 + 1e-9);
        }
        assert_eq!(points.iter().position(|p| 4.1959 < p.high), Some(13));
    }

    #[rstest]
    #[case(&[0.0, 3.1], &[Rule::BeyondThreeSigma])]
    #[case(&[2.1, 0.0, 2.1], &[Rule::TwoOfThreeBeyondTwoSigma])]
    #[case(&[2.1, 0.0, -2.1], &[])]
    #[case(&[1.1, 1.1, -0.5, 1.1, 1.1], &[Rule::FourOfFiveBeyondOneSigma])]
    #[case(&[-0.1, -0.2, -0.1, -0.3, -0.1, -0.2, -0.1, -0.2], &[Rule::EightOnOneSide])]
    #[case(&[-0.1, -0.2, -0.1, 0.0, -0.1, -0.2, -0.1, -0.2], &[])]
    fn each_run_rule_speaks_for_the_run_that_ends_here(#[case] z: &[f64], #[case] rules: &[Rule]) {
        assert_eq!(broken_rules(z).last().unwrap(), rules);
    }

    #[test]
    fn months_without_time_at_risk_have_no_point() {
        let chart = u_chart(&[(2, 100.0), (0, 0.0), (4, 100.0)], 3).unwrap();
        assert_eq!(chart.points[1], None);
        assert!((chart.centre - 0.03).abs() < 1e-15);
        assert_eq!(u_chart(&[(0, 10.0)], 1), None);
        assert_eq!(u_chart(&[], 0), None);
    }
}
