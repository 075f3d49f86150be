//! What was done about an obstruction, and whether the resistance fell after it.
//!
//! In: the record's events and the tracker's blocks about an excursion. Out: [`Deed`]s. An intervention tells more than
//! any shape of the pressure: what a new filter cures lay in the filter, and what it leaves lies elsewhere.

use super::blocks::Block;
use super::excursion::Excursion;
use super::regimes::Doings;
use super::review::Pause;
use super::tracker::Tracker;
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
/// What is known of the stores is right to a factor of so many or better: an alarm within this share of the time in which they
/// fill was rung by something else (common practice, no source).
const SOON_SHARE: f64 = 0.25;
/// What is done is noted so long after it at the most, seconds.
const NOTED_S: f64 = 900.0;
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
    doings: &Doings,
    tracker: &Tracker,
    excursion: &Excursion,
    read_to_s: f64,
) -> Vec<Deed> {
    let last_s = over_s(record, doings, excursion) + NOTED_S;
    let done: Vec<(EventKind, f64)> = record
        .events
        .iter()
        .filter(|e| renews(e.kind) || e.kind == EventKind::Flush)
        .filter(|e| excursion.start_s < e.t_s && e.t_s <= last_s.min(read_to_s))
        .map(|e| (e.kind, e.t_s))
        .collect();
    let mut found: Vec<Deed> = done
        .iter()
        .map(|&(kind, t_s)| Deed {
            kind,
            t_s,
            helped: helped(
                record,
                tracker,
                excursion,
                (renews(kind), t_s),
                &done,
                read_to_s,
            ),
            together: 1,
        })
        .collect();
    // One that plainly did nothing shares no credit.
    let counted: Vec<f64> = found
        .iter()
        .filter(|d| d.helped != Some(false))
        .map(|d| d.t_s)
        .collect();
    for deed in &mut found {
        let near = |t: &&f64| (**t - deed.t_s).abs() <= TOGETHER_S;
        deed.together = counted.iter().filter(near).count().max(1);
    }
    found
}

/// Whether one of these was noted from the excursion's beginning to shortly after it was over.
pub fn noted(
    record: &Record,
    doings: &Doings,
    excursion: &Excursion,
    read_to_s: f64,
    kinds: &[EventKind],
) -> bool {
    let last_s = (over_s(record, doings, excursion) + NOTED_S).min(read_to_s);
    record
        .events
        .iter()
        .filter(|e| kinds.contains(&e.kind))
        .any(|e| excursion.start_s < e.t_s && e.t_s <= last_s)
}

/// Whether the resistance came down again, whatever was done.
pub fn went(record: &Record, tracker: &Tracker, excursion: &Excursion, read_to_s: f64) -> bool {
    let last = excursion.bouts.last().filter(|_| excursion.end_s.is_some());
    last.is_some_and(|bout| {
        let moment = (false, bout.1 + 1.0);
        helped(record, tracker, excursion, moment, &[], read_to_s) == Some(true)
    })
}

/// Whether a pause is of a channel that stood out.
pub fn is_of_moved(record: &Record, excursion: &Excursion, pause: &Pause) -> bool {
    let channel = record.channel_index(&pause.channel);
    channel.is_some_and(|c| excursion.moved(c))
}

/// When an excursion was over and what stood out ran again, seconds: staff work on a line that stands still.
fn over_s(record: &Record, doings: &Doings, excursion: &Excursion) -> f64 {
    let calm_s = excursion
        .end_s
        .unwrap_or_else(|| excursion.bouts.last().map_or(excursion.seen_s, |b| b.1));
    doings
        .pauses
        .iter()
        .filter(|p| is_of_moved(record, excursion, p))
        .filter(|p| p.span.start_s <= calm_s + 60.0 && calm_s < p.span.end_s)
        .map(|p| p.span.end_s)
        .fold(calm_s, f64::max)
}

/// Whether the excess of pressure for each mL/h was lower after a moment than before it. A line that is still blocked climbs
/// anew from the relief, so what it shows before it had the time to climb says nothing; an alarm says that it is, unless it was open
/// for a while before. The moment comes with whether a part was renewed at it.
fn helped(
    record: &Record,
    tracker: &Tracker,
    excursion: &Excursion,
    (renewed, at_s): (bool, f64),
    done: &[(EventKind, f64)],
    read_to_s: f64,
) -> Option<bool> {
    let counts = |b: &&Block| excursion.up.get(b.channel) == Some(&true) && b.own_runs;
    let excess = |b: &Block| tracker.excess(b);
    let blocks = &tracker.blocks;
    let from = blocks.partition_point(|b| b.t_s < excursion.start_s);
    let at = blocks.partition_point(|b| b.t_s < at_s);
    let mut before: Vec<f64> = blocks
        .get(from..at)?
        .iter()
        .rev()
        .filter(counts)
        .take(BEFORE_BLOCKS)
        .map(excess)
        .collect();
    let restart = blocks.get(at..)?.iter().find(counts)?;
    before.sort_by(f64::total_cmp);
    let high = *before.get(before.len() * 4 / 5)?;
    let shown_s = restart.t_s + tracker.climb_s(high);
    // What the next deed did is not this one's, and an alarm that called for it says that this one did not help.
    let next_s = done.iter().map(|d| d.1).find(|t| restart.t_s < *t);
    let until_s = next_s.unwrap_or(f64::INFINITY).min(read_to_s);
    let watched_s = next_s.unwrap_or(shown_s).min(read_to_s);
    // So soon after the restart of a line that was opened the stores are not full yet, whatever hinders the flow: a knock rang it.
    let too_soon_s = if renewed {
        restart.t_s + SOON_SHARE * tracker.fills_s(high)
    } else {
        at_s
    };
    let alarms_s = record
        .events
        .iter()
        .filter(|e| e.kind == EventKind::OcclusionAlarm)
        .map(|e| e.t_s)
        .filter(|t| at_s + 1.0 < *t && too_soon_s <= *t && *t <= watched_s);
    let alarm_s = alarms_s.reduce(f64::min);
    let until_s = alarm_s.map_or(until_s, |t| until_s.min(t));
    let mut after: Vec<f64> = blocks
        .get(at..)?
        .iter()
        .skip_while(|b| b.t_s < shown_s)
        .take_while(|b| b.last_s <= (shown_s + AFTER_S).min(until_s))
        .filter(counts)
        .filter(|b| b.settled)
        .take(AFTER_BLOCKS)
        .map(excess)
        .collect();
    let left = robust::median(&mut after).filter(|_| 0.0 < high);
    if left.is_some_and(|left| left < HELPED_SHARE * high) {
        Some(true)
    } else if alarm_s.is_some() || left.is_some_and(|left| LEFT_SHARE * high < left) {
        Some(false)
    } else {
        None
    }
}
