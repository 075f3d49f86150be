//! The alarms of a record: which channel, when, and the stretch about one that rang alone.
//!
//! In: the record and what the pumps did. Out: moments by channel, in order of time.

use super::context;
use super::excursion::{Excursion, stands_out};
use super::regimes::{self, Doings};
use super::review::PauseCause;
use super::tracker::Tracker;
use crate::record::{Event, EventKind, Record};

/// All occlusion alarms: by the events, else by stops that came as the limit was reached, noted or not; by channel and time.
pub fn occlusion(record: &Record, doings: &Doings) -> Vec<(usize, f64)> {
    let mut found = Vec::new();
    for (c, channel) in record.channels.iter().enumerate() {
        let noted: Vec<f64> = record
            .events
            .iter()
            .filter(|e| e.kind == EventKind::OcclusionAlarm && regimes::concerns(e, &channel.id))
            .map(|e| e.t_s)
            .collect();
        let stops = doings
            .pauses
            .iter()
            .filter(|p| p.channel == channel.id && p.cause == PauseCause::Alarm)
            .map(|p| p.span.start_s)
            .filter(|t| !record.events_given && noted.iter().all(|n| 300.0 < (n - t).abs()));
        found.extend(noted.iter().copied().chain(stops).map(|t| (c, t)));
    }
    // An event of the whole line stands once for each channel: keep the channel whose pressure was highest.
    found.sort_by(|a: &(usize, f64), b| a.1.total_cmp(&b.1).then(a.0.cmp(&b.0)));
    let highest = |c: usize, t_s: f64| {
        let s = &record.channels[c].samples;
        let near = s.t_s.partition_point(|&t| t <= t_s);
        let from = near.saturating_sub(3);
        s.pressure_mmhg[from..near.min(s.len())]
            .iter()
            .copied()
            .fold(f64::NEG_INFINITY, f64::max)
    };
    found.dedup_by(|next, kept| {
        let same = (next.1 - kept.1).abs() < 1e-9;
        if same && highest(kept.0, kept.1) < highest(next.0, next.1) {
            *kept = *next;
        }
        same
    });
    found
}

/// The limit at which a channel's pump alarms at a moment, mmHg: as noted among the events since the last reading, else as
/// read. One that stands lower at the next reading may have been lowered before the moment already: the lower counts.
pub fn limit_mmhg(record: &Record, channel: usize, t_s: f64) -> Option<f64> {
    let of = &record.channels[channel];
    let s = &of.samples;
    let next = s.t_s.partition_point(|&t| t <= t_s);
    let read = |i: usize| s.limit_mmhg.get(i).copied().filter(|l| l.is_finite());
    let read_s = next.checked_sub(1).and_then(|i| s.t_s.get(i).copied());
    let noted = |e: &&Event| e.kind == EventKind::LimitChange && regimes::concerns(e, &of.id);
    let before = next.checked_sub(1).and_then(read);
    let since = record
        .events
        .iter()
        .filter(noted)
        .take_while(|e| e.t_s <= t_s)
        .filter(|e| before.is_none() || read_s.is_none_or(|r| r < e.t_s))
        .filter_map(|e| e.detail.trim().parse::<f64>().ok())
        .filter(|l| l.is_finite() && 0.0 < *l)
        .last();
    if since.is_some() {
        return since;
    }
    let next_s = s.t_s.get(next).copied().unwrap_or(f64::INFINITY);
    let changed_later = record
        .events
        .iter()
        .filter(noted)
        .any(|e| t_s < e.t_s && e.t_s <= next_s);
    let after = read(next).filter(|_| !changed_later);
    before.map(|b| after.map_or(b, |a| a.min(b)))
}

/// When, by the events, a channel's limit was last set before a moment, seconds.
pub fn limit_set_s(record: &Record, channel: usize, t_s: f64) -> Option<f64> {
    let id = &record.channels[channel].id;
    record
        .events
        .iter()
        .filter(|e| e.kind == EventKind::LimitChange && regimes::concerns(e, id))
        .map(|e| e.t_s)
        .rfind(|set_s| *set_s <= t_s)
}

/// Since when a channel's limit has stood as it does at a moment, seconds: by its readings and the events.
pub fn limit_stands_since_s(record: &Record, channel: usize, t_s: f64) -> f64 {
    let s = &record.channels[channel].samples;
    let upto = s.t_s.partition_point(|&t| t <= t_s);
    let limits = s.limit_mmhg.get(..upto).unwrap_or(&s.limit_mmhg);
    let changed = limits
        .windows(2)
        .rposition(|pair| pair[0].is_finite() && pair[1].is_finite() && pair[0] != pair[1]);
    let read_s = changed.map_or(f64::NEG_INFINITY, |i| s.t_s[i + 1]);
    read_s.max(limit_set_s(record, channel, t_s).unwrap_or(f64::NEG_INFINITY))
}

/// All alarms of air in a channel's line or of its empty container.
pub fn supply(record: &Record) -> Vec<(usize, f64)> {
    record
        .events
        .iter()
        .filter(|e| context::of_supply(e))
        .filter_map(|e| {
            let channel = record.channel_index(e.channel.as_deref()?)?;
            Some((channel, e.t_s))
        })
        .collect()
}

/// The stretch about an alarm at which no channel stood out for long: up to the restart, if the pump stopped. No channel is marked.
pub fn about(
    record: &Record,
    doings: &Doings,
    tracker: &Tracker,
    channel: usize,
    alarm_s: f64,
) -> Excursion {
    let n = record.channels.len();
    let restart_s = doings
        .pauses
        .iter()
        .filter(|p| p.channel == record.channels[channel].id)
        .find(|p| (p.span.start_s - alarm_s).abs() < 300.0)
        .map(|p| (!p.still_on).then_some(p.span.end_s));
    Excursion {
        start_s: began_before(tracker, channel, alarm_s),
        seen_s: alarm_s,
        end_s: restart_s.unwrap_or(Some(alarm_s)),
        bouts: vec![(alarm_s - 30.0, stood_to(tracker, channel, alarm_s))],
        up: vec![false; n],
        down: vec![false; n],
    }
}

/// Up to when what rang a lone alarm stood out after it, seconds: too short for an excursion, or up to the record's end. A line that
/// comes down to what it shows at rest is not what rang.
fn stood_to(tracker: &Tracker, channel: usize, alarm_s: f64) -> f64 {
    let after = tracker
        .since(alarm_s)
        .iter()
        .filter(|b| b.channel == channel);
    let high = after.take_while(|b| stands_out(b) == 1 && (b.runs || tracker.is_held(b)));
    high.last().map_or(alarm_s, |b| b.last_s)
}

/// When the climb that led to a lone alarm began: the last reading before it that was near its expectation.
fn began_before(tracker: &Tracker, channel: usize, alarm_s: f64) -> f64 {
    let until = tracker.blocks.partition_point(|b| b.t_s <= alarm_s);
    let calm = tracker.blocks[..until]
        .iter()
        .rev()
        .filter(|b| b.channel == channel)
        .take(40)
        .find(|b| b.deviation_mmhg < 0.5 * b.bar_mmhg);
    calm.map_or(alarm_s - 60.0, |b| b.last_s.min(alarm_s - 1.0))
}
