//! Puts one channel's rows in order of time: sorts in what came late and keeps the last of repeats.
//!
//! In: [`Rows`] in the file's order. Out: [`Settled`].

use super::moment::Kind;
use crate::record::{Channel, Rhythm, Samples};

/// One channel's rows, column by column, in the file's order.
#[derive(Debug, Default)]
pub(super) struct Rows {
    pub(super) ticks: Vec<i64>,
    pub(super) pressure_mmhg: Vec<f64>,
    pub(super) rate_ml_h: Vec<f64>,
    pub(super) volume_ml: Vec<f64>,
    pub(super) limit_mmhg: Vec<f64>,
    /// Line in the file; enough for four thousand million lines, the last one standing for all beyond.
    pub(super) lines: Vec<u32>,
}

/// A row that holds a part of a sample: pressure, rate, volume, limit.
#[derive(Debug, Clone, Copy)]
struct Part {
    tick: i64,
    line: u32,
    figures: [f64; 4],
}

impl Part {
    /// Takes over what the other one has; whether it had it already.
    fn overwrite(&mut self, other: &Part) -> bool {
        let mut repeated = false;
        for (mine, theirs) in self.figures.iter_mut().zip(other.figures) {
            if !theirs.is_nan() {
                repeated |= !mine.is_nan();
                *mine = theirs;
            }
        }
        repeated
    }
}

/// How the joining of parts went.
#[derive(Debug, Default)]
pub(super) struct Joined {
    /// Rows that repeated a figure of the same time.
    pub(super) repeats: u64,
    /// Lines of rows at times before the first rate.
    pub(super) before_rate: Vec<u64>,
}

/// One channel in order.
pub(super) struct Settled {
    pub(super) channel: Channel,
    pub(super) repeats: u64,
    pub(super) out_of_order: u64,
    /// Line of the first row, in order of time, whose volume is below an earlier one.
    pub(super) volume_falls: Option<u64>,
    /// Rows that differ from an earlier one of the same time, and the line of the first of them.
    pub(super) conflicts: Option<(u64, u64)>,
}

impl Rows {
    /// Puts the rows in order. `origin` is the tick of the record's second 0.
    pub(super) fn settle(mut self, id: String, kind: Kind, origin: i64) -> Settled {
        let out_of_order = late_rows(&self.ticks);
        if 0 < out_of_order {
            self.sort();
        }
        let volume_falls = self.volume_falls();
        let (repeats, conflicts) = self.keep_last_of_repeats();
        let per_s = kind.ticks_per_s();
        let t_s: Vec<f64> = self
            .ticks
            .iter()
            .map(|&t| (t - origin) as f64 / per_s)
            .collect();
        let samples = Samples {
            t_s,
            pressure_mmhg: self.pressure_mmhg,
            rate_ml_h: self.rate_ml_h,
            volume_ml: self.volume_ml,
            limit_mmhg: self.limit_mmhg,
        };
        let rhythm = Rhythm::of(&samples);
        Settled {
            channel: Channel {
                id,
                samples,
                period_s: rhythm.period_s,
                on_change: rhythm.on_change,
                gaps: rhythm.gaps,
            },
            repeats,
            out_of_order,
            volume_falls,
            conflicts,
        }
    }

    /// Adds rows that stand later in the file.
    pub(super) fn append(&mut self, later: Self) {
        if self.ticks.is_empty() {
            *self = later;
            return;
        }
        self.ticks.extend(later.ticks);
        self.pressure_mmhg.extend(later.pressure_mmhg);
        self.rate_ml_h.extend(later.rate_ml_h);
        self.volume_ml.extend(later.volume_ml);
        self.limit_mmhg.extend(later.limit_mmhg);
        self.lines.extend(later.lines);
    }

    /// Keeps the rows that are marked.
    pub(super) fn keep(&mut self, marks: &[bool]) {
        fn pick<T>(column: &mut Vec<T>, marks: &[bool]) {
            let mut marks = marks.iter();
            column.retain(|_| marks.next().copied().unwrap_or(false));
        }
        pick(&mut self.ticks, marks);
        pick(&mut self.pressure_mmhg, marks);
        pick(&mut self.rate_ml_h, marks);
        pick(&mut self.volume_ml, marks);
        pick(&mut self.limit_mmhg, marks);
        pick(&mut self.lines, marks);
    }

    /// Joins rows of the same time that each hold a part of the sample; a rate or limit that a time leaves out holds on
    /// from the one before. Rows before the first rate are left out.
    ///
    /// ```text
    /// 08:00:00 rate 4                       08:00:00  pressure  –, rate 4
    /// 08:00:05 pressure 30          →       08:00:05  pressure 30, rate 4
    /// 08:00:10 pressure 31, rate 5          08:00:10  pressure 31, rate 5
    /// ```
    ///
    /// Where all figures hold, pressure and volume do so too.
    pub(super) fn join_parts(&mut self, all_hold: bool) -> Joined {
        if 0 < late_rows(&self.ticks) {
            self.sort();
        }
        let parts = std::mem::take(self);
        let mut joined = Joined::default();
        let (mut rate, mut limit) = (f64::NAN, f64::NAN);
        let (mut pressure, mut volume) = (f64::NAN, f64::NAN);
        let mut rows = parts.iter().peekable();
        while let Some(first) = rows.next() {
            let mut whole = first;
            let mut lines = vec![first.line];
            while let Some(part) = rows.next_if(|next| next.tick == first.tick) {
                joined.repeats += u64::from(whole.overwrite(&part));
                lines.push(part.line);
            }
            rate = if whole.figures[1].is_nan() {
                rate
            } else {
                whole.figures[1]
            };
            limit = if whole.figures[3].is_nan() {
                limit
            } else {
                whole.figures[3]
            };
            for (held, at) in [(&mut pressure, 0), (&mut volume, 2)] {
                if !whole.figures[at].is_nan() || !all_hold {
                    *held = whole.figures[at];
                }
            }
            if rate.is_nan() {
                joined.before_rate.extend(lines.into_iter().map(u64::from));
                continue;
            }
            self.ticks.push(whole.tick);
            self.pressure_mmhg.push(pressure);
            self.rate_ml_h.push(rate);
            self.volume_ml.push(volume);
            self.limit_mmhg.push(limit);
            self.lines.push(whole.line);
        }
        joined
    }

    fn iter(&self) -> impl Iterator<Item = Part> + '_ {
        let figures = self.pressure_mmhg.iter().zip(&self.rate_ml_h);
        let figures = figures.zip(self.volume_ml.iter().zip(&self.limit_mmhg));
        let rows = self.ticks.iter().zip(&self.lines).zip(figures);
        rows.map(|((&tick, &line), ((&p, &rate), (&volume, &limit)))| Part {
            tick,
            line,
            figures: [p, rate, volume, limit],
        })
    }

    /// Sorts by time; rows of the same time stay in the file's order.
    fn sort(&mut self) {
        let mut order: Vec<usize> = (0..self.ticks.len()).collect();
        order.sort_by_key(|&i| self.ticks.get(i));
        fn pick<T: Copy>(column: &mut Vec<T>, order: &[usize]) {
            *column = order
                .iter()
                .filter_map(|&i| column.get(i).copied())
                .collect();
        }
        pick(&mut self.ticks, &order);
        pick(&mut self.pressure_mmhg, &order);
        pick(&mut self.rate_ml_h, &order);
        pick(&mut self.volume_ml, &order);
        pick(&mut self.limit_mmhg, &order);
        pick(&mut self.lines, &order);
    }

    fn volume_falls(&self) -> Option<u64> {
        let mut most = f64::NEG_INFINITY;
        for (&volume, &line) in self.volume_ml.iter().zip(&self.lines) {
            if volume < most - 1e-9 {
                return Some(u64::from(line));
            }
            most = most.max(volume); // `max` passes over NaN
        }
        None
    }

    /// Of rows of one time the last in the file counts: whoever wrote it knew what was there before.
    fn keep_last_of_repeats(&mut self) -> (u64, Option<(u64, u64)>) {
        if self.ticks.windows(2).all(|two| two.first() != two.last()) {
            return (0, None);
        }
        let mut repeats = 0;
        let mut conflicts: Option<(u64, u64)> = None;
        let superseded: Vec<bool> = self
            .ticks
            .iter()
            .zip(self.ticks.iter().skip(1))
            .enumerate()
            .map(|(i, (a, b))| {
                let repeated = a == b;
                repeats += u64::from(repeated);
                if repeated && !self.agree(i, i + 1) {
                    let line = self.lines.get(i + 1).copied().unwrap_or_default();
                    conflicts.get_or_insert((0, u64::from(line))).0 += 1;
                }
                repeated
            })
            .collect();
        if 0 < repeats {
            let kept: Vec<bool> = superseded.iter().map(|s| !s).chain([true]).collect();
            self.keep(&kept);
        }
        (repeats, conflicts)
    }

    fn agree(&self, a: usize, b: usize) -> bool {
        [
            &self.pressure_mmhg,
            &self.rate_ml_h,
            &self.volume_ml,
            &self.limit_mmhg,
        ]
        .into_iter()
        .all(|column| match (column.get(a), column.get(b)) {
            (Some(a), Some(b)) => a == b || (a.is_nan() && b.is_nan()),
            _ => false,
        })
    }
}

/// Rows that stand later in the file than a row of a later time.
fn late_rows(ticks: &[i64]) -> u64 {
    let mut latest = i64::MIN;
    let mut late = 0;
    for &tick in ticks {
        late += u64::from(tick < latest);
        latest = latest.max(tick);
    }
    late
}

#[cfg(test)]
mod tests {
    use super::*;

    /// `(second, pressure, rate, volume)`, lines from 2.
    fn settle(rows: &[(i64, f64, f64, f64)]) -> Settled {
        let mut columns = Rows::default();
        for (line, &(t, p, rate, volume)) in (2..).zip(rows) {
            columns.ticks.push(t * 1_000_000_000);
            columns.pressure_mmhg.push(p);
            columns.rate_ml_h.push(rate);
            columns.volume_ml.push(volume);
            columns.limit_mmhg.push(f64::NAN);
            columns.lines.push(line);
        }
        columns.settle("pn".into(), Kind::Seconds, 0)
    }

    const NONE: f64 = f64::NAN;

    #[test]
    fn late_rows_are_sorted_in_and_counted() {
        let settled = settle(&[
            (0, 1.0, 4.0, NONE),
            (20, 3.0, 4.0, NONE),
            (10, 2.0, 4.0, NONE),
        ]);
        assert_eq!(settled.channel.samples.t_s, [0.0, 10.0, 20.0]);
        assert_eq!(settled.channel.samples.pressure_mmhg, [1.0, 2.0, 3.0]);
        assert_eq!((settled.out_of_order, settled.repeats), (1, 0));
    }

    #[test]
    fn of_repeats_the_last_in_the_file_counts_and_disagreement_is_told() {
        let settled = settle(&[
            (0, 1.0, 4.0, NONE),
            (10, 2.0, 4.0, NONE),
            (10, 2.0, 4.0, NONE),
            (0, 9.0, 4.0, NONE),
        ]);
        assert_eq!(settled.channel.samples.pressure_mmhg, [9.0, 2.0]);
        assert_eq!((settled.out_of_order, settled.repeats), (1, 2));
        assert_eq!(settled.conflicts, Some((1, 5)));
    }

    #[test]
    fn a_falling_volume_is_told_with_its_line() {
        let settled = settle(&[
            (0, 1.0, 4.0, 5.0),
            (10, 1.0, 4.0, NONE),
            (20, 1.0, 4.0, 4.9),
        ]);
        assert_eq!(settled.volume_falls, Some(4));
    }
}
