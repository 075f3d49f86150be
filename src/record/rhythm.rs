//! The rhythm of a channel: its usual period, whether rows were written on change, and where samples are missing.
//!
//! In: samples in order of time. Out: [`Rhythm`].

use super::Samples;
use crate::time::Span;

/// A silence is one that is written on in any case from so many of it on.
const SIGNS: usize = 3;

/// How a channel's samples follow each other.
pub(crate) struct Rhythm {
    pub(crate) period_s: Option<f64>,
    pub(crate) on_change: bool,
    pub(crate) gaps: Vec<Span>,
}

impl Rhythm {
    pub(crate) fn of(samples: &Samples) -> Self {
        let steps = steps(&samples.t_s);
        let period_s = median(&steps);
        let uneven = is_uneven(&steps, period_s);
        let silence_s = uneven.then(|| silence(samples, &steps)).flatten();
        let on_change = uneven && is_on_change(samples, &steps, silence_s);
        let gaps = if on_change {
            gaps_on_change(samples, &steps, silence_s)
        } else {
            gaps_periodic(&samples.t_s, period_s)
        };
        Self {
            period_s,
            on_change,
            gaps,
        }
    }
}

fn steps(t_s: &[f64]) -> Vec<f64> {
    t_s.iter()
        .zip(t_s.iter().skip(1))
        .map(|(a, b)| b - a)
        .collect()
}

/// The middle one, or the mean of the middle two; `None` of nothing.
fn median(values: &[f64]) -> Option<f64> {
    if values.windows(2).all(|two| two.first() == two.last()) {
        return values.first().copied(); // of a pump that keeps time
    }
    let mut values = values.to_vec();
    let n = values.len();
    if n == 0 {
        return None;
    }
    let (below, &mut upper, _) = values.select_nth_unstable_by(n / 2, f64::total_cmp);
    if n % 2 == 1 {
        return Some(upper);
    }
    let lower = below.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    Some(0.5 * (lower + upper))
}

/// The value below which the share `q` of the values lies; `None` of nothing.
fn quantile(values: &[f64], q: f64) -> Option<f64> {
    let mut values = values.to_vec();
    let n = values.len();
    let k = ((n as f64 * q) as usize).min(n.checked_sub(1)?);
    Some(*values.select_nth_unstable_by(k, f64::total_cmp).1)
}

/// The longest silence of a log on change that is written on in any case, seconds: the longest step that comes again and again,
/// mostly with rows that move by less than any other does; `None` where there is none.
///
/// ```text
/// 12 . . 13 . 12 . . . . . . . . 12 . . . . . . . . 12 . 13      the two rows 12 after the longest steps are signs of life
/// ```
fn silence(samples: &Samples, steps: &[f64]) -> Option<f64> {
    let mut longest = steps.to_vec();
    longest.sort_by(|a, b| b.total_cmp(a));
    let silence_s = longest
        .windows(SIGNS)
        .find(|w| alike(w[0], w[SIGNS - 1]))
        .map(|w| w[0])?;
    let jumps = |quiet: bool| {
        let rows = (0..steps.len()).filter(move |&i| alike(steps[i], silence_s) == quiet);
        rows.filter_map(|i| jump(samples, i))
    };
    let least = jumps(false)
        .filter(|&d| 1e-9 < d)
        .fold(f64::INFINITY, f64::min);
    let (all, still) = jumps(true).fold((0, 0), |(all, still), d| {
        (all + 1, still + usize::from(d + 1e-9 < least))
    });
    (all < 2 * still).then_some(silence_s)
}

/// By how much the pressure of row `i + 1` differs from that of row `i`, where nothing else does; `None` where one of them has
/// none.
fn jump(samples: &Samples, i: usize) -> Option<f64> {
    let p = &samples.pressure_mmhg;
    let by = (p.get(i + 1)? - p.get(i)?).abs();
    let set = [&samples.rate_ml_h, &samples.limit_mmhg];
    let alone = !set.into_iter().any(|column| moved(column, i));
    (by.is_finite() && alone).then_some(by)
}

/// Whether two steps are the same but for the clock's own.
fn alike(a_s: f64, b_s: f64) -> bool {
    (a_s - b_s).abs() <= 1.0 + 0.01 * b_s
}

/// Whether one step in ten or more is not the usual one. Fewer than eight prove nothing.
fn is_uneven(steps: &[f64], period_s: Option<f64>) -> bool {
    let (n, Some(period_s)) = (steps.len(), period_s) else {
        return false;
    };
    let unlike = steps
        .iter()
        .filter(|&&s| 0.25 * period_s < (s - period_s).abs())
        .count();
    8 <= n && n <= unlike * 10
}

/// Whether rows of uneven steps were written only when something changed.
///
/// ```text
/// by the clock:   12 12 12 13 13 12 12 12      every step alike, many rows repeat the row before
/// on change:      12 .  .  13 .  12 .  .       no row repeats the row before, steps of any length,
///                                              and mostly by the least step that the pump shows
/// ```
/// All three marks are asked for: a log by the clock with fine noise also changes at every row, and one with rows
/// missing also has unlike steps. Rows after the longest silence that is kept may repeat.
fn is_on_change(samples: &Samples, steps: &[f64], silence_s: Option<f64>) -> bool {
    let counts: Vec<usize> = (0..steps.len())
        .filter(|&i| silence_s.is_none_or(|s| !alike(steps[i], s)))
        .collect();
    let changed = counts.iter().filter(|&&i| differs(samples, i)).count();
    if changed == 0 || changed * 100 < counts.len() * 98 {
        return false;
    }
    let jumps: Vec<f64> = counts
        .iter()
        .filter_map(|&i| jump(samples, i))
        .filter(|&d| 1e-9 < d)
        .collect();
    match (quantile(&jumps, 0.0), median(&jumps)) {
        (Some(least), Some(usual)) => usual <= 2.0 * least + 1e-9,
        _ => true, // no pressure: rates or limits alone changed
    }
}

/// Whether row `i + 1` differs from row `i` in anything but time and volume (the volume always moves).
fn differs(samples: &Samples, i: usize) -> bool {
    [
        &samples.pressure_mmhg,
        &samples.rate_ml_h,
        &samples.limit_mmhg,
    ]
    .into_iter()
    .any(|column| moved(column, i))
}

/// Whether a column's value in row `i + 1` is another than in row `i`.
fn moved(column: &[f64], i: usize) -> bool {
    match (column.get(i), column.get(i + 1)) {
        (Some(a), Some(b)) => a != b && !(a.is_nan() && b.is_nan()),
        _ => false,
    }
}

/// Gaps of a log by the clock: steps longer than three periods and a second. The second is for times written in
/// whole seconds, which may be up to one off.
///
/// ```text
/// ×  ×  ×  ×              ×  ×  ×     × a sample
///          |<--- gap --->|            from the last sample before to the first one after
/// ```
fn gaps_periodic(t_s: &[f64], period_s: Option<f64>) -> Vec<Span> {
    let Some(period_s) = period_s else {
        return Vec::new();
    };
    let spans = t_s.iter().zip(t_s.iter().skip(1));
    spans
        .filter(|(a, b)| 3.0 * period_s + 1.0 < *b - *a)
        .map(|(&start_s, &end_s)| Span { start_s, end_s })
        .collect()
}

/// Gaps of a log on change. Silence there is the rule: the last row holds. It counts as a gap only
///
/// - where it is longer than a silence that is written on in any case;
/// - where the volume contradicts it: what was delivered is not what the last row's rate gives (5 % and 0.1 mL aside);
/// - or, with no volume to tell, where a running channel is silent for an hour and ten times longer than 99 of 100 steps.
///
/// ```text
/// rate 4, volume 10 |   two silent hours   | rate 4, volume 18     no gap: 4 mL/h × 2 h = 8 mL
/// rate 4, volume 10 |   two silent hours   | rate 4, volume 12     gap: something stopped and started unseen
/// rate 0            |  twenty silent hours | rate 4                no gap: nothing runs, nothing changes
/// ```
fn gaps_on_change(samples: &Samples, steps: &[f64], silence_s: Option<f64>) -> Vec<Span> {
    let silent_from_s = quantile(steps, 0.99).map_or(f64::INFINITY, |s| (10.0 * s).max(3600.0));
    let times = samples.t_s.iter().zip(samples.t_s.iter().skip(1));
    let volumes = samples
        .volume_ml
        .iter()
        .zip(samples.volume_ml.iter().skip(1));
    times
        .zip(volumes)
        .zip(&samples.rate_ml_h)
        .filter(|(((a, b), (v, w)), rate)| {
            let step_s = *b - *a;
            let expected_ml = *rate * step_s / 3600.0;
            let delivered_ml = *w - *v;
            if silence_s.is_some_and(|s| s < step_s && !alike(step_s, s)) {
                true
            } else if delivered_ml.is_nan() {
                0.0 < **rate && silent_from_s < step_s
            } else {
                0.05 * expected_ml + 0.1 < (delivered_ml - expected_ml).abs()
            }
        })
        .map(|(((&start_s, &end_s), _), _)| Span { start_s, end_s })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// `(second, pressure, rate, volume)`.
    fn rhythm(rows: &[(i64, f64, f64, f64)]) -> Rhythm {
        Rhythm::of(&Samples {
            t_s: rows.iter().map(|r| r.0 as f64).collect(),
            pressure_mmhg: rows.iter().map(|r| r.1).collect(),
            rate_ml_h: rows.iter().map(|r| r.2).collect(),
            volume_ml: rows.iter().map(|r| r.3).collect(),
            limit_mmhg: vec![f64::NAN; rows.len()],
        })
    }

    const NONE: f64 = f64::NAN;

    #[test]
    fn the_period_is_the_median_step_and_a_long_step_is_a_gap() {
        let mut rows: Vec<_> = (0..10).map(|i| (10 * i, 30.0, 4.0, NONE)).collect();
        rows.extend((0..10).map(|i| (200 + 10 * i, 30.0, 4.0, NONE)));
        let channel = rhythm(&rows);
        assert_eq!(channel.period_s, Some(10.0));
        assert!(!channel.on_change);
        let gap = Span {
            start_s: 90.0,
            end_s: 200.0,
        };
        assert_eq!(channel.gaps, [gap]);
    }

    #[test]
    fn two_missing_samples_are_no_gap() {
        let times = [0, 10, 20, 30, 60, 70, 80];
        let rows: Vec<_> = times.iter().map(|&t| (t, 30.0, 4.0, NONE)).collect();
        assert!(rhythm(&rows).gaps.is_empty());
    }

    /// A pump that shows whole mmHg and writes a row when the figure moves.
    fn on_change_rows(volume_at: fn(i64) -> f64) -> Vec<(i64, f64, f64, f64)> {
        let steps = [7, 31, 4, 118, 12, 55, 9, 260, 17, 3, 90, 41];
        let mut t = 0;
        let row = |(i, step): (usize, &i64)| {
            t += step;
            (t, 30.0 + (i % 2) as f64, 4.0, volume_at(t))
        };
        steps.iter().enumerate().map(row).collect()
    }

    #[test]
    fn a_log_on_change_is_known_as_one_and_its_silences_are_no_gaps() {
        let channel = rhythm(&on_change_rows(|_| NONE));
        assert!(channel.on_change);
        assert!(channel.gaps.is_empty());
    }

    /// Rows on change in steps of 2 to 2.4 mmHg, and in any case after 900 s, with the value as it is then.
    fn rows_with_signs_of_life() -> Vec<(i64, f64, f64, f64)> {
        let steps = [7, 31, 900, 4, 118, 900, 12, 55, 900, 9, 260, 17, 900, 3, 90];
        let (mut t, mut mmhg) = (0, 30.0);
        let row = |(i, step): (usize, &i64)| {
            t += step;
            mmhg += if *step == 900 {
                0.3
            } else {
                2.0 + 0.1 * (i % 5) as f64
            };
            (t, mmhg, 4.0, NONE)
        };
        steps.iter().enumerate().map(row).collect()
    }

    #[test]
    fn a_log_on_change_may_say_now_and_then_that_nothing_changed() {
        let mut rows = rows_with_signs_of_life();
        let (t, mmhg, ..) = *rows.last().unwrap();
        rows.push((t + 40, mmhg - 0.4, 0.0, NONE)); // a stop, with the pressure as it is
        let channel = rhythm(&rows);
        assert!(channel.on_change);
        assert!(channel.gaps.is_empty(), "{:?}", channel.gaps);
    }

    #[test]
    fn a_silence_longer_than_the_log_ever_keeps_is_a_gap() {
        let mut rows = rows_with_signs_of_life();
        let (t, mmhg, ..) = *rows.last().unwrap();
        rows.push((t + 2000, mmhg + 2.0, 4.0, NONE));
        let channel = rhythm(&rows);
        assert!(channel.on_change);
        let gap = Span {
            start_s: t as f64,
            end_s: (t + 2000) as f64,
        };
        assert_eq!(channel.gaps, [gap]);
    }

    #[test]
    fn a_log_by_the_clock_with_rows_missing_is_not_one_on_change() {
        let times = [
            0, 10, 20, 40, 50, 70, 80, 90, 110, 120, 150, 160, 180, 210, 220, 250,
        ];
        let shown = [
            30, 30, 31, 31, 31, 30, 30, 31, 31, 30, 30, 30, 31, 31, 31, 30,
        ];
        let rows = times.iter().zip(shown);
        let rows: Vec<_> = rows.map(|(&t, p)| (t, f64::from(p), 4.0, NONE)).collect();
        assert!(!rhythm(&rows).on_change);
    }

    #[test]
    fn in_a_log_on_change_a_silence_that_the_volume_contradicts_is_a_gap() {
        let mut rows = on_change_rows(|t| t as f64 * 4.0 / 3600.0);
        let (t, _, _, volume) = *rows.last().unwrap();
        rows.push((t + 7200, 30.0, 4.0, volume + 8.0)); // 4 mL/h for two hours
        rows.push((t + 14_400, 31.0, 4.0, volume + 10.0)); // 2 mL only
        let channel = rhythm(&rows);
        assert!(channel.on_change);
        let gap = Span {
            start_s: (t + 7200) as f64,
            end_s: (t + 14_400) as f64,
        };
        assert_eq!(channel.gaps, [gap]);
    }

    #[test]
    fn in_a_log_on_change_without_volume_a_long_silence_of_a_running_channel_is_a_gap() {
        let mut rows = on_change_rows(|_| NONE);
        let t = rows.last().unwrap().0;
        rows.push((t + 20, 30.0, 0.0, NONE));
        rows.push((t + 40_000, 31.0, 4.0, NONE)); // stopped: silence is natural
        rows.push((t + 80_000, 30.0, 4.0, NONE));
        let channel = rhythm(&rows);
        assert!(channel.on_change);
        assert_eq!(
            channel.gaps.len(),
            0,
            "two of fourteen steps are no rare ones"
        );
        for i in 1..400 {
            rows.push((
                t + 80_000 + 10 * i + i % 7,
                30.0 + (i % 2) as f64,
                4.0,
                NONE,
            ));
        }
        let end = rows.last().unwrap().0;
        rows.push((end + 30_000, 32.0, 4.0, NONE));
        let channel = rhythm(&rows);
        assert!(channel.on_change);
        assert_eq!(channel.gaps.len(), 2, "{:?}", channel.gaps);
    }

    #[test]
    fn fine_noise_by_the_clock_with_rows_missing_is_not_taken_for_on_change() {
        let mut rows = Vec::new();
        for i in 0..200_i64 {
            if i % 5 != 3 {
                rows.push((
                    i,
                    30.0 + 0.001 * ((i * i * 7919 + 31 * i) % 997) as f64,
                    4.0,
                    NONE,
                ));
            }
        }
        assert!(!rhythm(&rows).on_change);
    }
}
