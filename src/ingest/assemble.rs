//! What was gathered of one infusion becomes its record.
//!
//! In: [`Infusion`] and its [`Series`], filled row by row. Out: [`Record`]: channels in order, the clock, what a reader
//! must know.

use super::moment::{Kind, Moment};
use super::order::{Rows, Settled};
use super::shelf::Piece;
use super::table::{Fault, REJECTED_SHOWN, Row};
use super::when::Passage;
use crate::error::Error;
use crate::record::{Channel, Intake, Notice, Priors, Record, RejectedRow};
use crate::time::Clock;

/// Gauge pressures beyond these, mmHg, are no line's: sets for pressure infusion are rated to 200 kPa = 1500 mmHg
/// (ISO 8536-8:2015, scope); the lower limit is our choice.
const PLAUSIBLE_MMHG: (f64, f64) = (-100.0, 1500.0);

/// Most channels of one infusion: a line has a handful of pumps, and what is fitted goes by their number (common practice, no
/// source).
pub(super) const MOST_CHANNELS: usize = 16;

/// An infusion has more channels than a line has pumps.
pub(super) fn crowded() -> Error {
    let what = format!("expected at most {MOST_CHANNELS} channels in one infusion, found more");
    Error::new(what).hint(CROWDED_HINT)
}

/// What to do where an infusion has too many channels.
const CROWDED_HINT: &str = "are these many infusions? name the column that tells them apart `infusion`; are these numbers of samples or \
     of messages? leave the column `channel` out, or name it otherwise";

/// One channel of one infusion, as its rows come in.
pub(super) struct Series {
    pub(super) infusion: usize,
    /// Both names as bytes, to compare without reading them anew.
    pub(super) infusion_cell: Box<[u8]>,
    pub(super) channel_cell: Box<[u8]>,
    pub(super) channel: String,
    pub(super) rows: Rows,
    /// The last of the earlier rows, in the file's order, that wait on the shelf.
    pub(super) waiting: Option<Piece>,
    pub(super) passage: Passage,
    /// The series whose row came after the last row of this one: very likely it will again.
    pub(super) followed_by: usize,
}

/// One infusion, as its rows come in.
#[derive(Default)]
pub(super) struct Infusion {
    pub(super) name: String,
    pub(super) intake: Intake,
    /// `(ticks, offset)` where a run of rows of one offset began or ended.
    pub(super) offsets: Vec<(i64, i32)>,
    pub(super) last: Option<(i64, i32)>,
    /// How many channels it has.
    pub(super) channels: usize,
    /// Whether rows of more than [`MOST_CHANNELS`] were met.
    pub(super) crowded: bool,
}

impl Infusion {
    /// Takes a channel more; whether there is room for it.
    pub(super) fn takes_channel(&mut self) -> bool {
        self.crowded |= self.channels == MOST_CHANNELS;
        self.channels += usize::from(!self.crowded);
        !self.crowded
    }

    pub(super) fn saw(&mut self, moment: Moment) {
        let now = (moment.ticks, moment.offset_s);
        if self.last.is_none_or(|(_, offset)| offset != now.1) {
            self.offsets.extend(self.last);
            self.offsets.push(now);
        }
        self.last = Some(now);
    }

    pub(super) fn reject(&mut self, row: &Row, fault: Fault) {
        self.intake.rows_rejected += 1;
        if self.intake.rejected.len() < REJECTED_SHOWN {
            self.intake.rejected.push(row.rejected(fault));
        }
    }

    /// The same for a row that had already been counted and was found wanting later.
    pub(super) fn reject_shown(&mut self, row: RejectedRow) {
        self.intake.rows_rejected += 1;
        let rejected = &mut self.intake.rejected;
        let last = rejected.last().map_or(0, |r| r.line);
        if rejected.len() < REJECTED_SHOWN || row.line < last {
            rejected.push(row);
            rejected.sort_by_key(|r| r.line);
            rejected.truncate(REJECTED_SHOWN);
        }
    }
}

/// Puts the rows in order and the clock together. There must be a series, and each must have rows.
pub(super) fn record(infusion: Infusion, series: Vec<Series>, kind: Kind) -> Record {
    let ticks = || series.iter().flat_map(|s| &s.rows.ticks);
    let origin = match kind {
        Kind::Calendar => ticks().copied().min().unwrap_or(0),
        Kind::Seconds => 0,
    };
    let clock = match kind {
        Kind::Calendar => calendar(origin, infusion.offsets, infusion.last),
        Kind::Seconds => Clock::Seconds,
    };
    let mut intake = infusion.intake;
    let mut channels: Vec<Channel> = Vec::with_capacity(series.len());
    for one in series {
        let settled = one.rows.settle(one.channel, kind, origin);
        intake.repeats += settled.repeats;
        intake.out_of_order += settled.out_of_order;
        intake.notices.extend(channel_notices(&settled));
        channels.push(settled.channel);
    }
    channels.sort_by(|a, b| a.id.cmp(&b.id));
    Record {
        infusion: (!infusion.name.is_empty()).then_some(infusion.name),
        clock,
        channels,
        events: Vec::new(),
        events_given: false,
        line: None,
        priors: Priors::default(),
        intake,
    }
}

/// The clock, with the offset that holds from each change on.
fn calendar(origin_us: i64, mut runs: Vec<(i64, i32)>, last: Option<(i64, i32)>) -> Clock {
    runs.extend(last);
    runs.sort_by_key(|&(us, _)| us);
    runs.dedup_by_key(|&mut (_, offset)| offset);
    let offsets = runs
        .into_iter()
        .map(|(us, offset)| ((us - origin_us) as f64 / 1e6, offset))
        .collect();
    Clock::Calendar { origin_us, offsets }
}

fn channel_notices(settled: &Settled) -> Vec<Notice> {
    let channel = || settled.channel.id.clone();
    let mut notices = Vec::new();
    if let Some(line) = settled.volume_falls {
        notices.push(Notice::VolumeFalls {
            channel: channel(),
            line,
        });
    }
    if let Some((rows, line)) = settled.conflicts {
        notices.push(Notice::ConflictingRepeats {
            channel: channel(),
            rows,
            line,
        });
    }
    let (mut low, mut high) = (f64::INFINITY, f64::NEG_INFINITY);
    for &p in &settled.channel.samples.pressure_mmhg {
        low = low.min(p); // `min` and `max` pass over NaN
        high = high.max(p);
    }
    if high < low {
        notices.push(Notice::NoPressure { channel: channel() });
    } else if PLAUSIBLE_MMHG.1 < high || low < PLAUSIBLE_MMHG.0 {
        let pressure_mmhg = if PLAUSIBLE_MMHG.1 < high { high } else { low };
        notices.push(Notice::ImplausiblePressure {
            channel: channel(),
            pressure_mmhg,
        });
    }
    notices
}
