//! Clocks that were set back: rows of one channel whose clock jumped by years.
//!
//! In: one channel's [`Rows`] in the file's order. Out: the same with the strays in their place or taken out. A pump that
//! loses its battery begins anew at its maker's date and is set right later. Sorted by time, its rows would stand decades
//! before the others; so rows are cut into epochs where the clock jumps, and never sorted across. The epoch in which most
//! rows lie tells the time. Of a stray it is known only between which rows it stands:
//!
//! ```text
//! 2031-03-04 08:00 … 09:00 │ 2000-01-01 00:00 … 00:40 │ 2031-03-04 09:41 … 12:00
//!                          └ 40 min, in a hole of 41 ─┘ within half a minute: its place is proven
//! ```
//!
//! A stray that leaves more play than clocks may be wrong by, or stands at an end, has no time, and its rows are not used.

use super::order::Rows;

/// No infusion lasts as long, microseconds: 300 days. A step from row to row beyond it is the clock's.
const JUMP_US: u64 = 300 * 86_400 * 1_000_000;

/// What became of strays.
#[derive(Debug, Default, PartialEq)]
pub(super) struct Mended {
    /// Rows that got the time of the place they stand at.
    pub(super) placed: u64,
    /// By how much that may be wrong, seconds.
    pub(super) within_s: f64,
    /// Lines of rows that have no time, and were taken out.
    pub(super) lost: Vec<u64>,
}

/// A run of rows whose clock did not jump.
#[derive(Debug, Clone, Copy)]
struct Epoch {
    from: usize,
    to: usize,
    first: i64,
    last: i64,
}

impl Epoch {
    fn rows(self) -> usize {
        self.to - self.from
    }
}

/// Mends one channel's rows; `most_play_us` is by how much a place may be uncertain.
pub(super) fn mend(rows: &mut Rows, most_play_us: i64) -> Mended {
    let epochs = epochs(&rows.ticks);
    if epochs.len() < 2 {
        return Mended::default();
    }
    let Some(main) = epochs.iter().max_by_key(|e| e.rows()).copied() else {
        return Mended::default();
    };
    let is_true = |e: &Epoch| near(e.first, main.first) || near(e.last, main.last);
    let mut mended = Mended::default();
    let mut keep = vec![true; rows.ticks.len()];
    for (i, epoch) in epochs.iter().enumerate() {
        if is_true(epoch) {
            continue;
        }
        let before = epochs
            .get(..i)
            .and_then(|e| e.iter().rev().find(|e| is_true(e)));
        let after = epochs
            .get(i + 1..)
            .and_then(|e| e.iter().find(|e| is_true(e)));
        // Two strays in one hole leave it open where one ends and the other begins.
        let alone =
            before.is_some_and(|b| b.to == epoch.from) && after.is_some_and(|a| a.from == epoch.to);
        let move_us = match (before, after) {
            (Some(before), Some(after)) if alone => shift(before, epoch, after, most_play_us),
            _ => None,
        };
        let range = epoch.from..epoch.to;
        match move_us {
            Some((by_us, play_us)) => {
                for tick in rows.ticks.get_mut(range).unwrap_or_default() {
                    *tick = tick.saturating_add(by_us);
                }
                mended.placed += epoch.rows() as u64;
                mended.within_s = mended.within_s.max(play_us as f64 / 2e6);
            }
            None => {
                let lines = rows.lines.get(range.clone()).unwrap_or_default();
                mended.lost.extend(lines.iter().map(|&l| u64::from(l)));
                keep.get_mut(range).unwrap_or_default().fill(false);
            }
        }
    }
    if !mended.lost.is_empty() {
        rows.keep(&keep);
    }
    mended
}

fn near(a: i64, b: i64) -> bool {
    a.abs_diff(b) < JUMP_US
}

fn epochs(ticks: &[i64]) -> Vec<Epoch> {
    let mut found = Vec::new();
    let mut from = 0;
    for run in ticks.chunk_by(|&a, &b| near(a, b)) {
        if let (Some(&first), Some(&last)) = (run.first(), run.last()) {
            let to = from + run.len();
            found.push(Epoch {
                from,
                to,
                first,
                last,
            });
            from = to;
        }
    }
    found
}

/// By how much a stray is to be moved into the hole between its neighbours, and how much play it has there; `None` where it
/// does not fit, or fits too loosely. Files may run backwards.
fn shift(before: &Epoch, epoch: &Epoch, after: &Epoch, most_play_us: i64) -> Option<(i64, i64)> {
    let hole = after.first.checked_sub(before.last)?;
    let length = epoch.last.checked_sub(epoch.first)?;
    let play = hole.checked_sub(length)?;
    // In a file that runs backwards hole, length and play are all below zero.
    let forwards = 0 < hole;
    let fits = if forwards { 0 < play } else { play < 0 };
    let same_way = length == 0 || (0 < length) == forwards;
    (fits && same_way && play.abs() <= most_play_us).then(|| {
        let by = before.last + play / 2 - epoch.first;
        (by, play.abs())
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use rstest::rstest;

    const S: i64 = 1_000_000;
    const YEAR_2031: i64 = 1_930_000_000 * S;
    const YEAR_2000: i64 = 946_684_800 * S;

    fn rows(ticks: Vec<i64>) -> Rows {
        let n = ticks.len();
        Rows {
            pressure_mmhg: (0..n).map(|i| i as f64).collect(),
            rate_ml_h: vec![4.0; n],
            volume_ml: vec![f64::NAN; n],
            limit_mmhg: vec![f64::NAN; n],
            lines: (2..).take(n).collect(),
            ticks,
        }
    }

    fn minutes(from: i64, start: i64, n: i64) -> Vec<i64> {
        (0..n).map(|i| from + (start + i) * 60 * S).collect()
    }

    /// An hour, forty minutes by a clock that began anew, and on.
    fn reset(gap_min: i64) -> Vec<i64> {
        let mut ticks = minutes(YEAR_2031, 0, 60);
        ticks.extend(minutes(YEAR_2000, 0, 40));
        ticks.extend(minutes(YEAR_2031, 59 + 39 + gap_min, 60));
        ticks
    }

    #[test]
    fn a_stray_that_fills_its_hole_gets_its_time() {
        let mut mended = rows(reset(2));
        let how = mend(&mut mended, 300 * S);
        assert_eq!(
            how,
            Mended {
                placed: 40,
                within_s: 60.0,
                lost: vec![]
            }
        );
        // Two minutes of play: one before, one after.
        assert_eq!(mended.ticks[60] - mended.ticks[59], 60 * S);
        assert_eq!(mended.ticks[100] - mended.ticks[99], 60 * S);
        assert!(mended.ticks.windows(2).all(|w| w[0] < w[1]));
    }

    #[test]
    fn newest_first_it_is_the_same() {
        let mut ticks = reset(2);
        ticks.reverse();
        let mut mended = rows(ticks);
        assert_eq!(mend(&mut mended, 300 * S).placed, 40);
        assert!(mended.ticks.windows(2).all(|w| w[1] < w[0]));
    }

    #[rstest]
    #[case::too_much_play(reset(20))]
    #[case::no_room(reset(-5))]
    #[case::at_the_end(reset(2)[..100].to_vec())]
    #[case::at_the_begin(reset(2)[60..].to_vec())]
    fn a_stray_without_a_proven_place_is_taken_out_and_never_sorted_in(#[case] ticks: Vec<i64>) {
        let mut mended = rows(ticks.clone());
        let how = mend(&mut mended, 300 * S);
        assert_eq!((how.placed, how.lost.len()), (0, 40));
        assert_eq!(mended.ticks.len(), ticks.len() - 40);
        assert!(mended.ticks.iter().all(|&t| YEAR_2031 <= t));
        assert_eq!(mended.pressure_mmhg.len(), mended.ticks.len());
        let first_lost = ticks.iter().position(|&t| t < YEAR_2031).unwrap();
        assert_eq!(how.lost[0], first_lost as u64 + 2);
    }

    #[test]
    fn one_clock_is_left_as_it_is_even_with_a_long_gap_and_late_rows() {
        let mut ticks = minutes(YEAR_2031, 0, 50);
        ticks.extend(minutes(YEAR_2031, 100_000, 50)); // ten weeks later
        ticks.extend(minutes(YEAR_2031, 60, 5));
        let mut mended = rows(ticks.clone());
        assert_eq!(mend(&mut mended, 300 * S), Mended::default());
        assert_eq!(mended.ticks, ticks);
    }

    #[test]
    fn time_is_linear_where_the_clock_jumps_at_every_row() {
        let ticks = (0..200_000).map(|i| if i % 2 == 0 { YEAR_2031 } else { YEAR_2000 } + i * S);
        let how = mend(&mut rows(ticks.collect()), 300 * S);
        assert_eq!(how.placed + how.lost.len() as u64, 100_000);
    }
}
