//! Alarms that nobody noted, at a limit that nobody noted either.
//!
//! In: a channel of a record without events, and its pauses. Out: the stops that its pump's limit made, as far as the pressure shows
//! them.

use super::review::{Pause, PauseCause};
use crate::record::Channel;
use crate::stats::robust;

/// Readings above a limit that rings are the knocks and coughs of an instant: so small a share of all.
const SPIKES_SHARE: f64 = 0.001;
/// How long before a stop the pressure must have been lower, seconds.
const CLIMBED_S: f64 = 1800.0;
/// By how much at least, mmHg, and as a share of the pressure at the stop (our judgement).
const LEAST_CLIMB: (f64, f64) = (4.0, 0.03);
/// Two stops so close are at one pressure, mmHg, beside what is lost between two readings, or as a share of it (our judgement).
const SAME: (f64, f64) = (2.5, 0.03);
/// What is lost between two readings is this share of the pressure at most.
const MOST_LOST: f64 = 0.1;
/// A limit lies so far above the usual pressure at least, mmHg, or as a share of it (common practice, no source).
const LEAST_ABOVE: (f64, f64) = (15.0, 0.2);

/// A stop that nobody noted: when, at what pressure, and how much of it may be lost between two readings.
struct Unnoted {
    stop_s: f64,
    mmhg: f64,
    lost_mmhg: f64,
}

/// Stops of a channel that nobody noted, at a limit that nobody noted either: two or more at one pressure, to which it had climbed
/// each time, and above which it never ran. Hands that stop a pump do not wait for the same pressure twice.
pub fn at_one_height(channel: &Channel, pauses: &[Pause]) -> Vec<f64> {
    let s = &channel.samples;
    if s.limit_mmhg.iter().any(|l| l.is_finite()) {
        return Vec::new();
    }
    let stops: Vec<Unnoted> = pauses
        .iter()
        .filter(|p| p.cause == PauseCause::Unknown)
        .filter_map(|p| climbed_to(channel, p.span.start_s))
        .collect();
    let height = stops.iter().map(|s| s.mmhg).fold(f64::NAN, f64::max);
    let near = |s: &&Unnoted| height - (SAME.0 + s.lost_mmhg).max(SAME.1 * height) <= s.mmhg;
    let at_it: Vec<f64> = stops.iter().filter(near).map(|s| s.stop_s).collect();
    let lost_mmhg = stops.iter().map(|s| s.lost_mmhg).fold(0.0, f64::max);
    let Some((usual, most)) = usual_and_most(channel) else {
        return Vec::new();
    };
    let unusual = usual + LEAST_ABOVE.0.max(LEAST_ABOVE.1 * usual) <= height;
    let never_above = most <= height + SAME.0 + lost_mmhg;
    if 2 <= at_it.len() && unusual && never_above {
        at_it
    } else {
        Vec::new()
    }
}

/// A stop to which the pressure had climbed; `None` where it had not, or nobody read it.
fn climbed_to(channel: &Channel, stop_s: f64) -> Option<Unnoted> {
    let s = &channel.samples;
    let next = s.t_s.partition_point(|&t| t < stop_s);
    let read = |i: usize| s.pressure_mmhg.get(i).copied().filter(|p| p.is_finite());
    let mut before = (next.saturating_sub(6)..next).rev().filter_map(read);
    let (last, one_before) = (before.next()?, before.next()?);
    let mmhg = last.max(one_before).max(read(next).unwrap_or(last));
    let since = s.t_s.partition_point(|&t| t < stop_s - CLIMBED_S);
    let mut early: Vec<f64> = (since..next).filter_map(read).collect();
    early.truncate((early.len() / 4).max(1));
    let climb = mmhg - robust::median(&mut early)?;
    (LEAST_CLIMB.0.max(LEAST_CLIMB.1 * mmhg) <= climb).then_some(Unnoted {
        stop_s,
        mmhg,
        lost_mmhg: (last - one_before).clamp(0.0, MOST_LOST * mmhg.abs()),
    })
}

/// The median pressure of a channel while it runs, and the highest but for spikes, mmHg.
fn usual_and_most(channel: &Channel) -> Option<(f64, f64)> {
    let s = &channel.samples;
    let mut running: Vec<f64> = s
        .pressure_mmhg
        .iter()
        .zip(&s.rate_ml_h)
        .filter(|(p, rate)| p.is_finite() && 0.0 < **rate)
        .map(|(p, _)| *p)
        .collect();
    running.sort_by(f64::total_cmp);
    let last = running.len().checked_sub(1)?;
    let most = running.get(last - (SPIKES_SHARE * last as f64).ceil() as usize)?;
    Some((running[running.len() / 2], *most))
}
