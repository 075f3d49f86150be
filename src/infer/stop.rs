//! When an excursion stopped the pump, and when after that somebody laid hands on the line.
//!
//! In: a case. Out: moments, in seconds from the record's start.

use super::blocks::Block;
use super::deeds;
use super::judge::Case;
use super::review::PauseCause;
use crate::record::EventKind;

/// A line that is freed while nothing runs falls by half within this, seconds: what it holds leaves through the open line (common
/// practice, no source).
const FALLS_WITHIN_S: f64 = 60.0;
/// What still stood at this share of its height had not begun to fall.
const STOOD: f64 = 0.9;

/// When the climb stopped the pump: at the alarm, or at a stop with the pressure high where nobody noted one.
pub fn stop(case: &Case, last_out_s: f64) -> Option<f64> {
    let excursion = case.excursion;
    let by_pump = case.doings.pauses.iter().find(|p| {
        let channel = case.record.channel_index(&p.channel);
        let up = channel.is_some_and(|c| excursion.up[c]);
        up && excursion.start_s - 60.0 <= p.span.start_s
            && p.span.start_s <= last_out_s + 120.0
            && p.cause != PauseCause::Manual
            && (p.cause == PauseCause::Alarm || high_at(case, p.span.start_s))
    });
    let noted = case.alarm_s.filter(|a| *a <= last_out_s + 600.0);
    [noted, by_pump.map(|p| p.span.start_s)]
        .into_iter()
        .flatten()
        .reduce(f64::min)
}

/// Whether a channel that stood out was near the height of its excursion, and well above its bar.
fn high_at(case: &Case, t_s: f64) -> bool {
    let e = case.excursion;
    let inside = |b: &&Block| e.start_s <= b.t_s && e.up[b.channel];
    let blocks = &case.tracker.blocks;
    let top = blocks
        .iter()
        .filter(inside)
        .take_while(|b| b.t_s <= t_s + 600.0)
        .map(|b| b.deviation_mmhg)
        .fold(0.0, f64::max);
    let near = blocks
        .iter()
        .filter(inside)
        .filter(|b| (b.t_s - t_s).abs() <= 120.0)
        .map(|b| b.deviation_mmhg - 3.0 * b.bar_mmhg)
        .fold(f64::NEG_INFINITY, f64::max);
    0.0 < near && 40.0 < top
}

/// When after a stop somebody did something, or the pump ran again: the first five minutes at the most.
pub fn first_touch(case: &Case, stop_s: f64) -> f64 {
    let deed = case
        .record
        .events
        .iter()
        .filter(|e| deeds::may_clear(e.kind) || is_at_hand(e.kind))
        .map(|e| e.t_s)
        .find(|t| stop_s < *t);
    let restart = case
        .doings
        .pauses
        .iter()
        .map(|p| p.span.end_s)
        .filter(|t| stop_s < *t)
        .reduce(f64::min);
    // A sudden fall while nothing runs is somebody's hand as well.
    let fall = sudden_fall(case, stop_s);
    [deed, restart, fall]
        .into_iter()
        .flatten()
        .fold(stop_s + 300.0, f64::min)
        - 1.0
}

/// Whether it shows somebody at the line who may free it and not write that down.
fn is_at_hand(kind: EventKind) -> bool {
    matches!(kind, EventKind::PatientMoved | EventKind::AlarmCleared)
}

/// When after a stop the pressure began to fall by more than half within [`FALLS_WITHIN_S`].
fn sudden_fall(case: &Case, stop_s: f64) -> Option<f64> {
    (0..case.record.channels.len())
        .filter(|&c| case.excursion.up[c])
        .filter_map(|c| {
            let outlet = case.tracker.baseline.outlet_mmhg(c);
            let s = &case.record.channels[c].samples;
            let from = s.t_s.partition_point(|&t| t <= stop_s + 20.0);
            let to = s.t_s.partition_point(|&t| t <= stop_s + 600.0);
            let above = |i: usize| s.pressure_mmhg[i] - outlet;
            (from + 1..to).find_map(|i| {
                let near = |j: &usize| s.t_s[i] - s.t_s[*j] <= FALLS_WITHIN_S;
                let recent = || (from..i).rev().take_while(near);
                let before = recent().map(above).fold(f64::NEG_INFINITY, f64::max);
                let fell = 20.0 < before && above(i) < 0.5 * before;
                // A relief takes some readings of a log that is fast: it began with the last that stood high.
                recent()
                    .find(|&j| fell && STOOD * before <= above(j))
                    .map(|j| s.t_s[j])
            })
        })
        .reduce(f64::min)
}
