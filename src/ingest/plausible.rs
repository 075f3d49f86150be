//! Whether the pressures may be in another unit than they are called.
//!
//! In: a record with its events. Out: what to ask. A pump alarms for occlusion when the pressure reaches its limit; where it
//! stood at 2/15 of the limit at every such alarm, it is in kPa and the limit in mmHg, or nearly nothing else.

use crate::record::{Channel, EventKind, Notice, Record};

/// Units and the share of the limit, in mmHg, that a pressure in that unit reaches in figures. 1 kPa = 7.50062 mmHg, 1 psi =
/// 51.7149 mmHg, 1 mbar = 0.750062 mmHg (UCUM 2.2).
const SHARES: [(&str, f64); 3] = [
    ("kPa", 1.0 / 7.500_62),
    ("psi", 1.0 / 51.714_9),
    ("mbar", 1.0 / 0.750_062),
];

/// How near, as a share: pressure is sampled and rounded.
const NEAR: f64 = 0.04;

/// How long before an alarm the pressure is looked at, seconds.
const BEFORE_S: f64 = 120.0;

/// Channels whose pressure stood at such a share of the limit at each occlusion alarm.
pub(super) fn unit_suspected(record: &Record) -> Vec<Notice> {
    let channels = record.channels.iter();
    let suspected = channels.filter_map(|channel| {
        let alarms = record.events.iter().filter(|e| {
            e.kind == EventKind::OcclusionAlarm
                && e.channel.as_ref().is_none_or(|name| *name == channel.id)
        });
        let shares: Vec<f64> = alarms.filter_map(|e| share(channel, e.t_s)).collect();
        let (unit, _) = SHARES.into_iter().find(|(_, of_limit)| {
            let near = |share: &f64| (share / of_limit - 1.0).abs() <= NEAR;
            !shares.is_empty() && shares.iter().all(near)
        })?;
        Some(Notice::UnitSuspected {
            channel: channel.id.clone(),
            unit,
        })
    });
    suspected.collect()
}

/// The highest pressure shortly before a moment, as a share of the limit then.
fn share(channel: &Channel, t_s: f64) -> Option<f64> {
    let samples = &channel.samples;
    let from = samples.t_s.partition_point(|t| *t < t_s - BEFORE_S);
    let to = samples.t_s.partition_point(|t| *t <= t_s);
    let pressures = samples.pressure_mmhg.get(from..to)?.iter();
    let highest = pressures.copied().fold(f64::NAN, f64::max);
    let mut limits = samples.limit_mmhg.get(..to)?.iter().rev();
    let limit = limits.find(|l| !l.is_nan())?;
    let share = highest / limit;
    share.is_finite().then_some(share)
}
