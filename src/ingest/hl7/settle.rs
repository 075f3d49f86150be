//! Parts of samples become rows: one for each moment at which anything was told of a channel.
//!
//! In: the [`Part`]s of one channel, as they arrived. Out: [`Settled`]. Of two figures for one moment the one that arrived
//! last counts (a correction follows what it corrects); one taken back is gone. A rate or limit holds until the next one.

use super::observe::Part;
use crate::ingest::mapping::What;
use crate::ingest::order::Rows;

/// A channel's rows in order of time.
#[derive(Default)]
pub(super) struct Settled {
    pub(super) rows: Rows,
    /// `(ticks, offset)` of each row.
    pub(super) moments: Vec<(i64, i32)>,
    /// Figures that repeated or corrected an earlier one.
    pub(super) repeats: u64,
    /// Messages, by number, and lines of figures at moments before the first rate.
    pub(super) before_rate: Vec<(u64, u64)>,
}

fn place(what: What) -> usize {
    match what {
        What::Pressure => 0,
        What::Rate => 1,
        What::Volume => 2,
        What::Limit => 3,
    }
}

/// Puts the parts together.
pub(super) fn settle(mut parts: Vec<Part>) -> Settled {
    parts.sort_by_key(|p| p.tick); // stable: else as they arrived
    let mut settled = Settled::default();
    let (mut rate, mut limit) = (f64::NAN, f64::NAN);
    for group in parts.chunk_by(|a, b| a.tick == b.tick) {
        let mut figures: [Option<f64>; 4] = [None; 4];
        for part in group {
            let Some(figure) = figures.get_mut(place(part.what)) else {
                continue;
            };
            settled.repeats += u64::from(figure.is_some() && part.figure.is_some());
            *figure = part.figure;
        }
        let Some(last) = group.last().filter(|_| figures.iter().any(Option::is_some)) else {
            continue; // all that was told of this moment was taken back
        };
        let [pressure, new_rate, volume, new_limit] = figures.map(|f| f.unwrap_or(f64::NAN));
        rate = if new_rate.is_nan() { rate } else { new_rate };
        limit = if new_limit.is_nan() { limit } else { new_limit };
        if rate.is_nan() {
            let places = group.iter().map(|p| (p.message, p.line));
            settled.before_rate.extend(places);
            continue;
        }
        settled.moments.push((last.tick, last.offset_s));
        let rows = &mut settled.rows;
        rows.ticks.push(last.tick);
        rows.pressure_mmhg.push(pressure);
        rows.rate_ml_h.push(rate);
        rows.volume_ml.push(volume);
        rows.limit_mmhg.push(limit);
        rows.lines
            .push(u32::try_from(last.line).unwrap_or(u32::MAX));
    }
    settled
}

#[cfg(test)]
mod tests {
    use super::*;

    fn part(s: i64, what: What, figure: Option<f64>) -> Part {
        Part {
            tick: s,
            offset_s: 0,
            what,
            figure,
            line: s as u64,
            message: 0,
        }
    }

    #[test]
    fn figures_of_one_moment_make_one_row_and_rates_hold() {
        use What::*;
        let settled = settle(vec![
            part(30, Pressure, Some(12.0)),
            part(10, Rate, Some(2.0)),
            part(10, Pressure, Some(9.0)),
            part(0, Pressure, Some(8.0)),
            part(40, Limit, Some(450.0)),
            part(50, Rate, Some(0.0)),
        ]);
        assert_eq!(settled.rows.ticks, [10, 30, 40, 50]);
        assert_eq!(settled.rows.rate_ml_h, [2.0, 2.0, 2.0, 0.0]);
        assert_eq!(settled.rows.pressure_mmhg[..2], [9.0, 12.0]);
        assert!(settled.rows.pressure_mmhg[2].is_nan());
        assert_eq!(settled.rows.limit_mmhg[3], 450.0);
        assert_eq!(settled.before_rate, [(0, 0)]);
    }

    #[test]
    fn a_correction_replaces_and_a_deletion_removes() {
        use What::*;
        let settled = settle(vec![
            part(10, Rate, Some(2.0)),
            part(10, Pressure, Some(90.0)),
            part(20, Pressure, Some(11.0)),
            part(10, Pressure, Some(9.0)),
            part(20, Pressure, None),
            part(30, Pressure, Some(12.0)),
        ]);
        assert_eq!(settled.rows.ticks, [10, 30]);
        assert_eq!(settled.rows.pressure_mmhg, [9.0, 12.0]);
        assert_eq!(settled.repeats, 1);
    }
}
