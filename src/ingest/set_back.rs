//! Clocks that were set back by minutes or an hour: rows of one channel that stand twice in the same time.
//!
//! In: one channel's [`Rows`] in the file's order. Out: the same with the rows before each setting moved earlier. Sorted by time,
//! rows of before and after would be shuffled into each other; in the file they stand in the order in which they were written:
//!
//! ```text
//! 08:00 … 09:00 │ 08:50 … 11:00      shown        10 min stand twice
//! 07:50 … 08:50 │ 08:50 … 11:00      as it was    by the clock that was set right
//! ```
//!
//! The last clock counts: somebody set it. A step back alone is no setting: rows that came late fill a hole, and a stretch that
//! was exported twice says the same both times. Both are left to [`super::order`]. A setting is proven by a volume counter that
//! goes on over the step, or by rows of both clocks that contradict each other.

use super::order::Rows;

/// Most by which a clock is set back here, microseconds: a wrong zone or summer time, 3 h. A longer step is another infusion.
const MOST_US: i64 = 3 * 3600 * 1_000_000;

/// Runs of rising times beyond which the file is in no order of writing at all.
const MOST_RUNS: usize = 8;

/// Rows that must contradict the other clock's, so that a mended row or two is no setting.
const FEWEST: usize = 10;

/// One setting of a clock.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct SetBack {
    /// Line of the first row by the new clock.
    pub(super) line: u64,
    /// By how much the clock was set back, microseconds; right to one period, if writing went on meanwhile.
    pub(super) by_us: i64,
    /// Rows by the old clock.
    pub(super) rows: u64,
}

/// Mends one channel's rows. `in_parts` says that a row may hold a part of a sample only, so that two rows of one time need not
/// contradict each other.
pub(super) fn mend(rows: &mut Rows, in_parts: bool) -> Vec<SetBack> {
    if rows.ticks.is_sorted() {
        return Vec::new();
    }
    let n = rows.ticks.len();
    let order = Order::of(rows);
    let mut ends: Vec<usize> = Vec::new();
    for i in 1..n {
        if order.tick(rows, i) < order.tick(rows, i - 1) {
            if MOST_RUNS <= ends.len() + 1 {
                return Vec::new();
            }
            ends.push(i);
        }
    }
    let starts = || std::iter::once(0).chain(ends.iter().copied());
    let runs: Vec<(usize, usize)> = starts().zip(ends.iter().copied().chain([n])).collect();
    let pairs = || runs.iter().copied().zip(runs.iter().copied().skip(1));
    let settings: Vec<Option<i64>> = pairs()
        .map(|(before, after)| order.set_back(rows, before, after, in_parts))
        .collect();
    let mut found = Vec::new();
    let mut move_us = 0_i64;
    // From the last clock to the first: each setting moves all rows before it.
    for ((before, after), by_us) in pairs().zip(settings).rev() {
        if let Some(by_us) = by_us {
            move_us = move_us.saturating_add(by_us);
            found.push(SetBack {
                line: order.line(rows, after.0),
                by_us,
                rows: before.1 as u64,
            });
        }
        for i in before.0..before.1 {
            let place = order.place(i);
            if let Some(tick) = rows.ticks.get_mut(place) {
                *tick = tick.saturating_sub(move_us);
            }
        }
    }
    found.reverse();
    found
}

/// The order of writing: the file's, or from its end where the newest rows stand first.
struct Order {
    n: usize,
    is_backwards: bool,
}

impl Order {
    fn of(rows: &Rows) -> Self {
        let steps = || rows.ticks.iter().zip(rows.ticks.iter().skip(1));
        let falls = steps().filter(|(a, b)| b < a).count();
        let rises = steps().filter(|(a, b)| a < b).count();
        Self {
            n: rows.ticks.len(),
            is_backwards: rises < falls,
        }
    }

    fn place(&self, i: usize) -> usize {
        match self.is_backwards {
            true => (self.n - 1).saturating_sub(i),
            false => i,
        }
    }

    fn tick(&self, rows: &Rows, i: usize) -> i64 {
        rows.ticks.get(self.place(i)).copied().unwrap_or_default()
    }

    fn line(&self, rows: &Rows, i: usize) -> u64 {
        rows.lines.get(self.place(i)).map_or(0, |&l| u64::from(l))
    }

    /// By how much the clock was set back between two runs; `None` where it was not.
    fn set_back(
        &self,
        rows: &Rows,
        before: (usize, usize),
        after: (usize, usize),
        in_parts: bool,
    ) -> Option<i64> {
        let last = self.tick(rows, before.1.checked_sub(1)?);
        let first = self.tick(rows, after.0);
        let back = last.checked_sub(first)?;
        let by_us = back.saturating_add(self.period(rows, before));
        if MOST_US < back {
            return None;
        }
        if let Some(goes_on) = self.volume_goes_on(rows, before, after) {
            return goes_on.then_some(by_us);
        }
        let from = first.max(self.tick(rows, before.0));
        let to = last.min(self.tick(rows, after.1.checked_sub(1)?));
        let within = |(start, end): (usize, usize)| {
            (start..end).filter(move |&i| (from..=to).contains(&self.tick(rows, i)))
        };
        let mut theirs = within(before).peekable();
        let (mut same, mut differ, mut turns) = (0, 0, 0);
        for i in within(after) {
            let mut of_both = false;
            while theirs
                .next_if(|&j| self.tick(rows, j) < self.tick(rows, i))
                .is_some()
            {
                of_both = true;
            }
            match theirs.next_if(|&j| self.tick(rows, j) == self.tick(rows, i)) {
                Some(j) => {
                    same += 1;
                    differ += usize::from(self.contradict(rows, i, j));
                }
                None => turns += usize::from(of_both),
            }
        }
        let contradicts = FEWEST <= differ && same <= 10 * differ;
        // Rows that came late fill a hole; these lie between the others, turn about.
        let are_between = !in_parts && FEWEST <= turns;
        (contradicts || are_between).then_some(by_us)
    }

    /// Whether two rows name different figures.
    fn contradict(&self, rows: &Rows, i: usize, j: usize) -> bool {
        let (i, j) = (self.place(i), self.place(j));
        let columns = [
            &rows.pressure_mmhg,
            &rows.rate_ml_h,
            &rows.volume_ml,
            &rows.limit_mmhg,
        ];
        // A comparison with NaN is false: nothing is said there.
        columns
            .into_iter()
            .any(|c| matches!((c.get(i), c.get(j)), (Some(a), Some(b)) if a < b || b < a))
    }

    /// Whether the volume counter goes on from one run to the next, though the times fall: a proof, as a falling one is that
    /// these rows are not the next ones. `None` where it does not count, or nothing ran.
    fn volume_goes_on(
        &self,
        rows: &Rows,
        before: (usize, usize),
        after: (usize, usize),
    ) -> Option<bool> {
        let volume = |i: usize| rows.volume_ml.get(self.place(i)).copied();
        let given = |v: &f64| !v.is_nan();
        let begin = (before.0..before.1).filter_map(volume).find(given)?;
        let last = (before.0..before.1).rev().filter_map(volume).find(given)?;
        let first = (after.0..after.1).filter_map(volume).find(given)?;
        if first < last - 1e-9 {
            return Some(false);
        }
        (begin < last).then_some(true)
    }

    /// Usual step between rows.
    fn period(&self, rows: &Rows, (start, end): (usize, usize)) -> i64 {
        let steps = (start + 1..end).map(|i| self.tick(rows, i) - self.tick(rows, i - 1));
        let mut steps: Vec<i64> = steps.filter(|&s| 0 < s).collect();
        let middle = steps.len() / 2;
        match steps.is_empty() {
            true => 0,
            false => *steps.select_nth_unstable(middle).1,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use rstest::rstest;

    const S: i64 = 1_000_000;
    const NONE: f64 = f64::NAN;

    /// `(second, pressure, volume)`, lines from 2.
    fn rows(of: impl IntoIterator<Item = (i64, f64, f64)>) -> Rows {
        let mut rows = Rows::default();
        for (line, (second, pressure, volume)) in (2..).zip(of) {
            rows.ticks.push(second * S);
            rows.pressure_mmhg.push(pressure);
            rows.rate_ml_h.push(4.0);
            rows.volume_ml.push(volume);
            rows.limit_mmhg.push(NONE);
            rows.lines.push(line);
        }
        rows
    }

    /// An hour every 10 s, the clock set back by so many seconds after the 200th row.
    fn set_back_by(back_s: i64, with_volume: bool) -> Vec<(i64, f64, f64)> {
        let row = |i: i64| {
            let shown = 10 * i - if 200 <= i { back_s } else { 0 };
            let volume = if with_volume { i as f64 / 90.0 } else { NONE };
            (shown, 30.0 + (i * i % 13) as f64, volume)
        };
        (0..360).map(row).collect()
    }

    #[rstest]
    #[case::on_the_same_grid(300)]
    #[case::off_the_grid(303)]
    #[case::by_an_hour_and_more_than_the_first_clock_ran(3600)]
    fn rows_keep_the_order_in_which_they_were_written(
        #[case] back_s: i64,
        #[values(true, false)] with_volume: bool,
        #[values(true, false)] newest_first: bool,
    ) {
        let mut table = set_back_by(back_s, with_volume);
        if newest_first {
            table.reverse();
        }
        let mut mended = rows(table);
        let found = mend(&mut mended, false);
        if back_s == 3600 && !with_volume {
            // Half an hour ran before, an hour back: no time stands twice, and nothing proves a setting.
            assert_eq!(found, []);
            return;
        }
        // The new clock's first row: the 201st, or from the end of the file.
        let line = if newest_first { 161 } else { 202 };
        let by_us = back_s * S;
        assert_eq!(
            found,
            [SetBack {
                line,
                by_us,
                rows: 200
            }]
        );
        let mut ticks = mended.ticks.clone();
        if newest_first {
            ticks.reverse();
        }
        let expected: Vec<i64> = (0..360).map(|i| (10 * i - back_s) * S).collect();
        assert_eq!(ticks, expected);
        assert_eq!(mend(&mut mended, false), [], "once is enough");
    }

    #[test]
    fn each_of_two_settings_moves_all_that_was_written_before_it() {
        let row = |i: i64| {
            let back = if i < 100 {
                0
            } else if i < 200 {
                120
            } else {
                420
            };
            (10 * i - back, (i * i % 13) as f64, NONE)
        };
        let mut mended = rows((0..300).map(row));
        let found = mend(&mut mended, false);
        assert_eq!(
            found
                .iter()
                .map(|s| (s.line, s.by_us / S))
                .collect::<Vec<_>>(),
            [(102, 120), (202, 300)]
        );
        let expected: Vec<i64> = (0..300).map(|i| (10 * i - 420) * S).collect();
        assert_eq!(mended.ticks, expected);
    }

    /// A hundred rows, then ten that had been held back and fill their hole.
    fn late() -> Vec<(i64, f64, f64)> {
        let row = |i: i64| (10 * i, (i % 7) as f64, NONE);
        let all = (0..40).chain(60..100).chain(40..60).chain(100..140);
        all.map(row).collect()
    }

    /// The same stretch twice, saying the same.
    fn twice() -> Vec<(i64, f64, f64)> {
        let row = |i: i64| (10 * i, (i % 7) as f64, NONE);
        (0..100).chain(60..160).map(row).collect()
    }

    /// The same, two rows mended.
    fn corrected() -> Vec<(i64, f64, f64)> {
        let mut all = twice();
        all[110].1 = 99.0;
        all[111].1 = 99.0;
        all
    }

    /// A second infusion under the same name: its volume begins anew.
    fn another() -> Vec<(i64, f64, f64)> {
        let row = |i: i64| (10 * i, (i * i % 13) as f64, i as f64);
        let other = |i: i64| (10 * i + 3, (i * i % 11) as f64, (i - 60) as f64);
        (0..100).map(row).chain((60..160).map(other)).collect()
    }

    /// In no order at all.
    fn shuffled() -> Vec<(i64, f64, f64)> {
        (0..500)
            .map(|i| (10 * (i * 197 % 500), (i % 7) as f64, NONE))
            .collect()
    }

    #[rstest]
    #[case::late(late())]
    #[case::twice(twice())]
    #[case::corrected(corrected())]
    #[case::another(another())]
    #[case::shuffled(shuffled())]
    fn what_is_no_setting_is_left_as_it_is(#[case] table: Vec<(i64, f64, f64)>) {
        let mut mended = rows(table);
        let ticks = mended.ticks.clone();
        assert_eq!(mend(&mut mended, false), []);
        assert_eq!(mended.ticks, ticks);
    }

    #[test]
    fn parts_of_samples_that_stand_one_after_the_other_are_no_setting() {
        // All pressures, then all volumes of the same hour.
        let mut parts = rows((0..400).map(|i| match i {
            0..200 => (10 * i, 30.0, NONE),
            _ => (10 * (i - 200) + 5, NONE, i as f64),
        }));
        assert_eq!(mend(&mut parts, true), []);
    }
}
