//! What was done about an obstruction, and whether the resistance fell after it.
//!
//! In: the record's events and the tracker's blocks about an excursion. Out: [`Deed`]s. An intervention tells more than
//! any shape of the pressure: what a new filter cures lay in the filter, and what it leaves lies elsewhere.

use super::blocks::Block;
use super::tracker::{Excursion, Tracker};
use crate::record::{EventKind, Record};
use crate::stats::robust;

/// The resistance before a deed is taken from so many blocks in which the channel ran.
const BEFORE_BLOCKS: usize = 20;
/// The resistance after a deed is taken from what runs within this, seconds.
const AFTER_S: f64 = 2700.0;
/// So many blocks after a restart are enough.
const AFTER_BLOCKS: usize = 6;
/// A deed helped where less than this share of the excess is left, and did not where more than the second is.
const HELPED_SHARE: f64 = 0.5;
/// See [`HELPED_SHARE`].
const LEFT_SHARE: f64 = 0.75;
/// Deeds closer together than this share the credit, seconds.
const TOGETHER_S: f64 = 1200.0;

/// Something done to the line while it was hindered.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Deed {
    /// What was done.
    pub kind: EventKind,
    /// When, seconds from the record's start.
    pub t_s: f64,
    /// Whether the resistance was lower afterwards; `None` where the record does not show it.
    pub helped: Option<bool>,
    /// How many deeds were done about the same time, this one included.
    pub together: usize,
}

/// Whether it puts a new part into the line.
pub fn renews(kind: EventKind) -> bool {
    matches!(
        kind,
        EventKind::FilterChange | EventKind::SetChange | EventKind::CatheterChange
    )
}

/// Whether it may take an obstruction away.
pub fn may_clear(kind: EventKind) -> bool {
    renews(kind) || matches!(kind, EventKind::Flush | EventKind::ClampOpened)
}

/// The deeds from the excursion's beginning on, in the record read up to a moment.
pub fn deeds(
    record: &Record,
    tracker: &Tracker,
    excursion: &Excursion,
    read_to_s: f64,
) -> Vec<Deed> {
    let last_s = excursion
        .end_s
        .unwrap_or_else(|| excursion.bouts.last().map_or(excursion.seen_s, |b| b.1))
        + 900.0;
    let mut found: Vec<Deed> = record
        .events
        .iter()
        .filter(|e| renews(e.kind) || e.kind == EventKind::Flush)
        .filter(|e| excursion.start_s < e.t_s && e.t_s <= last_s.min(read_to_s))
        .map(|e| Deed {
            kind: e.kind,
            t_s: e.t_s,
            helped: helped(tracker, excursion, e.t_s, read_to_s),
            together: 1,
        })
        .collect();
    let times: Vec<f64> = found.iter().map(|d| d.t_s).collect();
    for deed in &mut found {
        let near = |t: &&f64| (**t - deed.t_s).abs() <= TOGETHER_S;
        deed.together = times.iter().filter(near).count();
    }
    found
}

/// Whether the excess of pressure for each mL/h was lower after a moment than before it.
fn helped(tracker: &Tracker, excursion: &Excursion, at_s: f64, read_to_s: f64) -> Option<bool> {
    let counts = |b: &&Block| {
        excursion.up.get(b.channel) == Some(&true) && b.own_runs && b.bar_mmhg.is_finite()
    };
    let blocks = &tracker.blocks;
    let from = blocks.partition_point(|b| b.t_s < excursion.start_s);
    let at = blocks.partition_point(|b| b.t_s < at_s);
    let mut before: Vec<f64> = blocks
        .get(from..at)?
        .iter()
        .rev()
        .filter(counts)
        .take(BEFORE_BLOCKS)
        .map(Block::excess)
        .collect();
    let mut after: Vec<f64> = blocks
        .get(at..)?
        .iter()
        .take_while(|b| b.last_s <= (at_s + AFTER_S).min(read_to_s))
        .filter(counts)
        .filter(|b| b.settled)
        .take(AFTER_BLOCKS)
        .map(Block::excess)
        .collect();
    before.sort_by(f64::total_cmp);
    let high = *before.get(before.len() * 4 / 5)?;
    let left = robust::median(&mut after)?;
    if high <= 0.0 {
        None
    } else if left < HELPED_SHARE * high {
        Some(true)
    } else if LEFT_SHARE * high < left {
        Some(false)
    } else {
        None
    }
}
