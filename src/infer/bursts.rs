//! Bursts of pressure: stretches of seconds in which single readings stood out, also while the pumps rest.
//!
//! In: the record and the tracker's expectation. Out: the bursts of an excursion, and how often the pressure rose while nothing flowed.
//! A patient who cries, coughs or strains raises the pressure at the catheter's tip in bursts; what hinders a flow raises no pressure
//! where nothing flows.

use super::blocks::Block;
use super::excursion::Excursion;
use super::judge::Case;
use crate::record::{Channel, EventKind, Record};

/// A burst of crying, coughing or straining lasts no longer than this, seconds (common practice, no source).
pub const LONGEST_BURST_S: f64 = 90.0;
/// One burst alone is shorter by so much, seconds (our judgement).
const SHORTER_ALONE_S: f64 = 30.0;
/// A fit of bursts lasts no longer than this, seconds (common practice, no source: half an hour).
pub const LONGEST_FIT_S: f64 = 2400.0;
/// No burst raises the pressure by more than this, mmHg (common practice, no source: 5 to 70 mmHg).
const HIGHEST_BURST_MMHG: f64 = 100.0;
/// After a stop the line has fallen to its outlet by then, seconds; what rises later rises by itself.
const SETTLED_S: f64 = 20.0;
/// A rise at rest is at least this high, mmHg: less is a hand on the line or a vein that wanders.
const LEAST_RISE_MMHG: f64 = 5.0;
/// And so many spreads of a reading.
const SPREADS: f64 = 6.0;
/// And so many rounding steps.
const ROUNDINGS: f64 = 1.6;
/// How long after an excursion rests still belong to it, seconds.
const AFTER_S: f64 = 1800.0;

/// The bursts of an excursion, of all channels that rose, in order; what stands between them is the line's own. Empty where a stretch
/// stood out for longer than a burst lasts or higher, or all of them together for longer than a fit.
pub fn of_excursion(case: &Case, until_s: f64) -> Vec<(f64, f64)> {
    let excursion = case.excursion;
    let from_s = excursion.start_s - LONGEST_BURST_S;
    let mut all: Vec<(f64, f64)> = Vec::new();
    let mut longest_s = LONGEST_BURST_S;
    for c in (0..excursion.up.len()).filter(|&c| excursion.up[c]) {
        let channel = &case.record.channels[c];
        let period_s = channel.look_s().unwrap_or(60.0);
        longest_s = longest_s.max(LONGEST_BURST_S + 2.0 * period_s);
        let Some(own) = high(
            channel,
            c,
            &case.tracker.blocks,
            (from_s, until_s),
            period_s,
        ) else {
            return Vec::new();
        };
        all.extend(own);
    }
    all.sort_by(|a, b| a.0.total_cmp(&b.0));
    let mut bursts: Vec<(f64, f64)> = Vec::new();
    for next in all {
        match bursts.last_mut().filter(|last| next.0 <= last.1) {
            Some(last) => last.1 = last.1.max(next.1),
            None => bursts.push(next),
        }
    }
    let (Some(first), Some(last)) = (bursts.first(), bursts.last()) else {
        return bursts;
    };
    // One alone is a cough, which is shorter than a bout of crying.
    let longest_s = if bursts.len() == 1 {
        longest_s - SHORTER_ALONE_S
    } else {
        longest_s
    };
    let too_long = bursts.iter().any(|b| longest_s < b.1 - b.0);
    if too_long || LONGEST_FIT_S < last.1 - first.0 {
        bursts.clear();
    }
    bursts
}

/// Stretches in which the readings of a channel stood out above what was expected then; `None` where one stood higher than a burst does.
fn high(
    channel: &Channel,
    c: usize,
    blocks: &[Block],
    (from_s, until_s): (f64, f64),
    period_s: f64,
) -> Option<Vec<(f64, f64)>> {
    let s = &channel.samples;
    let rows = s.t_s.partition_point(|&t| t < from_s)..s.t_s.partition_point(|&t| t <= until_s);
    let mut own = blocks[blocks.partition_point(|b| b.last_s < from_s)..]
        .iter()
        .filter(|b| b.channel == c && b.bar_mmhg.is_finite())
        .peekable();
    let mut high: Vec<(f64, f64)> = Vec::new();
    let mut before: Option<&Block> = None;
    for i in rows {
        let t_s = s.t_s[i];
        while own.peek().is_some_and(|b| b.last_s < t_s) {
            before = own.next();
        }
        let Some(block) = own.peek().copied().or(before) else {
            continue;
        };
        let expected = block.pressure_mmhg - block.deviation_mmhg;
        let above_mmhg = s.pressure_mmhg[i] - expected;
        if HIGHEST_BURST_MMHG < above_mmhg {
            return None;
        }
        if above_mmhg <= block.bar_mmhg || !above_mmhg.is_finite() {
            continue;
        }
        let span = (t_s - 0.5 * period_s, t_s + 0.5 * period_s);
        match high
            .last_mut()
            .filter(|last| span.0 <= last.1 + 0.1 * period_s)
        {
            Some(last) => last.1 = span.1,
            None => high.push(span),
        }
    }
    Some(high)
}

/// How often the pressure of a channel rose while the whole line stood still, from an excursion's beginning on: rises that a reading
/// shows after the line had settled. Pauses in which somebody noted work on the line are left out.
pub fn at_rest(case: &Case) -> u32 {
    let excursion = case.excursion;
    let over_s = excursion.end_s.unwrap_or(case.read_to_s) + AFTER_S;
    let until_s = over_s.min(case.read_to_s);
    let pauses = case.doings.line_pauses.iter();
    pauses
        .filter(|p| excursion.start_s - 60.0 <= p.span.start_s && p.span.start_s <= until_s)
        .map(|p| (p.span.start_s, p.span.end_s.min(until_s)))
        .filter(|span| !worked_on(case.record, *span))
        .map(|span| rises(case, excursion, span))
        .sum()
}

/// Whether work on the line itself was noted in a stretch, or about its ends: it moves the pressure.
fn worked_on(record: &Record, (from_s, to_s): (f64, f64)) -> bool {
    let works = |kind: EventKind| {
        use EventKind::*;
        matches!(
            kind,
            Flush
                | FilterChange
                | SetChange
                | CatheterChange
                | ClampClosed
                | ClampOpened
                | PumpMoved
                | MedicationStart
                | BolusStart
        )
    };
    let mut events = record.events.iter();
    events.any(|e| works(e.kind) && from_s - 60.0 <= e.t_s && e.t_s <= to_s + 60.0)
}

/// The most rises that any one channel shows in a stretch.
fn rises(case: &Case, excursion: &Excursion, (from_s, to_s): (f64, f64)) -> u32 {
    let channels = case.record.channels.iter().enumerate();
    channels
        .filter(|(c, _)| excursion.moved(*c) || !excursion.up.contains(&true))
        .map(|(c, channel)| {
            let noise = case.tracker.noise[c];
            let least = LEAST_RISE_MMHG
                .max(SPREADS * noise.sample_mmhg)
                .max(ROUNDINGS * noise.rounding_mmhg);
            let s = &channel.samples;
            let first = s.t_s.partition_point(|&t| t < from_s + SETTLED_S);
            let end = s.t_s.partition_point(|&t| t < to_s);
            let (mut low, mut up, mut count) = (f64::INFINITY, f64::NEG_INFINITY, 0);
            for p in s.pressure_mmhg.get(first..end).unwrap_or(&[]) {
                if !p.is_finite() {
                    continue;
                }
                if up == f64::NEG_INFINITY {
                    // Not in a rise: the lowest yet is what the line stands at.
                    low = low.min(*p);
                    if low + least < *p {
                        (up, count) = (*p, count + 1);
                    }
                } else {
                    up = up.max(*p);
                    if *p < up - 0.7 * (up - low) {
                        (low, up) = (*p, f64::NEG_INFINITY);
                    }
                }
            }
            count
        })
        .max()
        .unwrap_or(0)
}
