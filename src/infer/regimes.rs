//! What each pump did when: rates, pauses with their cause, gaps.
//!
//! In: the record. Out: for each channel the steps of its rate ([`RateStep`]), its regimes and pauses, and the
//! pauses of the line as a whole, by the contract's definitions. Pressure is looked at only to see whether a
//! stop came as the limit was reached.

use super::review::{Doing, Pause, PauseCause, Regime};
use super::standing::Standing;
use super::unnoted;
use crate::record::{Channel, Event, EventKind, Record};
use crate::time::Span;

/// A stop counts as an alarm's within this long after the alarm, seconds. Source: the contract's definition.
const ALARM_LINK_S: f64 = 120.0;

/// The rate from a moment on.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct RateStep {
    /// When it began to hold, seconds from the record's start.
    pub t_s: f64,
    /// The true change may lie this long before or after, seconds.
    pub slack_s: f64,
    /// The rate, mL/h.
    pub rate_ml_h: f64,
}

/// What the pumps did.
#[derive(Debug, Clone)]
pub struct Doings {
    /// Per channel, its rate over time, in order; never empty.
    pub steps: Vec<Vec<RateStep>>,
    /// Per channel, in order of time.
    pub regimes: Vec<Regime>,
    /// Per channel, in order of start.
    pub pauses: Vec<Pause>,
    /// Stretches in which no channel ran.
    pub line_pauses: Vec<Pause>,
    /// Per channel, how long its readings stand, where its log is on change.
    pub standing: Vec<Option<Standing>>,
    /// How far apart readings are, of the channel that is read most often, seconds; `None` where nobody can say.
    pub least_period_s: Option<f64>,
}

impl Doings {
    /// The channel's rate at a moment, mL/h.
    pub fn rate_at(&self, channel: usize, t_s: f64) -> f64 {
        let steps = &self.steps[channel];
        let after = steps.partition_point(|s| s.t_s <= t_s);
        steps[after.saturating_sub(1)].rate_ml_h
    }

    /// The sum of all channels' rates at a moment, mL/h.
    pub fn flow_at(&self, t_s: f64) -> f64 {
        (0..self.steps.len()).map(|c| self.rate_at(c, t_s)).sum()
    }

    /// The pauses of a channel, by its name, or of the whole line (`None`).
    pub fn pauses_of<'a>(
        &'a self,
        channel: Option<&'a str>,
    ) -> impl DoubleEndedIterator<Item = &'a Pause> {
        let all = if channel.is_some() {
            &self.pauses
        } else {
            &self.line_pauses
        };
        all.iter()
            .filter(move |p| channel.is_none_or(|id| p.channel == id))
    }
}

/// Reads what the pumps did from the record.
pub fn doings(record: &Record) -> Doings {
    let end_s = record.end_s();
    let steps: Vec<Vec<RateStep>> = record
        .channels
        .iter()
        .map(|c| rate_steps(c, &record.events))
        .collect();
    let mut regimes = Vec::new();
    let mut pauses = Vec::new();
    for (channel, steps) in record.channels.iter().zip(&steps) {
        let mut own = pauses_of(record, channel, steps, end_s);
        if !record.events_given {
            let alarms_s = unnoted::at_one_height(channel, &own);
            for pause in &mut own {
                if alarms_s.contains(&pause.span.start_s) {
                    pause.cause = PauseCause::Alarm;
                }
            }
        }
        regimes.extend(regimes_of(channel, steps, &own, end_s));
        pauses.extend(own);
    }
    pauses.sort_by(|a, b| {
        a.span
            .start_s
            .total_cmp(&b.span.start_s)
            .then(a.channel.cmp(&b.channel))
    });
    let line_pauses = line_pauses(record, &steps, &pauses, end_s);
    Doings {
        steps,
        regimes,
        pauses,
        line_pauses,
        standing: record.channels.iter().map(Standing::of).collect(),
        least_period_s: record.least_period_s(),
    }
}

/// Whether the event is about this channel or the whole line.
pub fn concerns(event: &Event, channel: &str) -> bool {
    event.channel.as_deref().is_none_or(|c| c == channel)
}

fn is_stop(kind: EventKind) -> bool {
    matches!(
        kind,
        EventKind::Stop | EventKind::Pause | EventKind::OcclusionAlarm | EventKind::Alarm
    )
}

fn is_start(kind: EventKind) -> bool {
    matches!(kind, EventKind::Start | EventKind::Resume)
}

/// The steps of the set rate. Between two samples the change lies somewhere in between; an event there says when.
fn rate_steps(channel: &Channel, events: &[Event]) -> Vec<RateStep> {
    let samples = &channel.samples;
    let mut steps: Vec<RateStep> = Vec::new();
    let mut before_s = f64::NEG_INFINITY;
    for (&t_s, &rate_ml_h) in samples.t_s.iter().zip(&samples.rate_ml_h) {
        match steps.last() {
            None => steps.push(RateStep {
                t_s,
                slack_s: 0.0,
                rate_ml_h,
            }),
            Some(last) if last.rate_ml_h != rate_ml_h => {
                let fits = |e: &&Event| {
                    before_s <= e.t_s
                        && e.t_s <= t_s
                        && concerns(e, &channel.id)
                        && if rate_ml_h == 0.0 {
                            is_stop(e.kind)
                        } else if last.rate_ml_h == 0.0 {
                            is_start(e.kind)
                        } else {
                            matches!(
                                e.kind,
                                EventKind::RateChange | EventKind::BolusStart | EventKind::BolusEnd
                            )
                        }
                };
                let near = &events[events.partition_point(|e| e.t_s < before_s)..];
                let noted = near
                    .iter()
                    .take_while(|e| e.t_s <= t_s)
                    .find(fits)
                    .map(|e| e.t_s);
                if rate_ml_h == 0.0 && 0.0 < last.rate_ml_h {
                    let until_s = noted.unwrap_or(t_s);
                    let changed = near
                        .iter()
                        .take_while(|e| e.t_s < until_s)
                        .filter(|e| before_s < e.t_s && concerns(e, &channel.id));
                    steps.extend(changed.filter_map(new_rate));
                }
                let (when_s, slack_s) = match noted {
                    Some(noted_s) => (noted_s, 0.0),
                    None if channel.on_change => (t_s, 0.0),
                    None => (0.5 * (before_s + t_s), 0.5 * (t_s - before_s)),
                };
                steps.push(RateStep {
                    t_s: when_s,
                    slack_s,
                    rate_ml_h,
                });
            }
            Some(_) => {
                let unseen = unseen(events, &channel.id, &steps, (before_s, t_s));
                steps.extend(unseen);
            }
        }
        before_s = t_s;
    }
    steps
}

/// A change of the rate that the pump stopped at before it was sampled: by its event alone.
fn new_rate(event: &Event) -> Option<RateStep> {
    let rate_ml_h = event.detail.trim().parse::<f64>().ok()?;
    let real = event.kind == EventKind::RateChange && rate_ml_h.is_finite() && 0.0 < rate_ml_h;
    real.then_some(RateStep {
        t_s: event.t_s,
        slack_s: 0.0,
        rate_ml_h,
    })
}

/// Pauses, or runs, that are over before the next sample: both ends are noted, and the rate is the same before and after.
fn unseen(
    events: &[Event],
    channel: &str,
    steps: &[RateStep],
    (from_s, to_s): (f64, f64),
) -> Vec<RateStep> {
    let mut found: Vec<RateStep> = Vec::new();
    let rates = || steps.iter().rev().map(|s| s.rate_ml_h);
    let (Some(now), Some(running)) = (rates().next(), rates().find(|&r| 0.0 < r)) else {
        return found; // it has not run yet
    };
    let inside = &events[events.partition_point(|e| e.t_s <= from_s)..];
    for event in inside
        .iter()
        .take_while(|e| e.t_s < to_s)
        .filter(|e| concerns(e, channel))
    {
        let last = found.last();
        if last.is_some_and(|l| event.t_s <= l.t_s) {
            continue;
        }
        let rate_ml_h = match (0.0 < last.map_or(now, |l| l.rate_ml_h), event.kind) {
            (true, EventKind::Stop | EventKind::Pause) => 0.0,
            (false, kind) if is_start(kind) => running,
            _ => continue,
        };
        found.push(RateStep {
            t_s: event.t_s,
            slack_s: 0.0,
            rate_ml_h,
        });
    }
    // The last end without its other end is the next sample's to tell.
    found.truncate(found.len() / 2 * 2);
    found
}

/// Stretches at rate 0 after the channel has run, with the first sample at 0 (or its event) and the restart.
fn pauses_of(record: &Record, channel: &Channel, steps: &[RateStep], end_s: f64) -> Vec<Pause> {
    let mut pauses = Vec::new();
    let mut has_run = false;
    for (i, step) in steps.iter().enumerate() {
        if 0.0 < step.rate_ml_h {
            has_run = true;
            continue;
        }
        if !has_run {
            continue; // not yet started: nothing was interrupted
        }
        // Without an event the contract counts from the first sample at 0 to the next sample above 0.
        let start_s = step.t_s + step.slack_s;
        let next = steps.get(i + 1);
        let span = Span {
            start_s,
            end_s: next.map_or(end_s, |n| n.t_s + n.slack_s),
        };
        let cause = stop_cause(record, channel, start_s, step.slack_s);
        pauses.push(Pause {
            channel: channel.id.clone(),
            span,
            still_on: next.is_none(),
            cause,
        });
    }
    pauses
}

fn stop_cause(record: &Record, channel: &Channel, start_s: f64, slack_s: f64) -> PauseCause {
    let alarmed = record.events.iter().any(|e| {
        matches!(e.kind, EventKind::OcclusionAlarm | EventKind::Alarm)
            && concerns(e, &channel.id)
            && start_s - ALARM_LINK_S - 2.0 * slack_s <= e.t_s
            && e.t_s <= start_s + 1.0
    });
    if alarmed {
        return PauseCause::Alarm;
    }
    let noted = |kind: EventKind| {
        record.events.iter().any(|e| {
            e.kind == kind
                && concerns(e, &channel.id)
                && (e.t_s - start_s).abs() <= 60.0 + 2.0 * slack_s
        })
    };
    let paused = noted(EventKind::Pause);
    if limit_reached(channel, start_s, paused) {
        PauseCause::Alarm
    } else if paused || noted(EventKind::Stop) {
        PauseCause::Manual
    } else {
        PauseCause::Unknown
    }
}

/// Whether the pressure stood at the limit in the samples just before the stop, to within what is lost between two samples
/// of a climbing pressure. Where a pause is noted, no guess is needed: a pressure near the limit is not at it.
fn limit_reached(channel: &Channel, start_s: f64, paused: bool) -> bool {
    let s = &channel.samples;
    let after = s.t_s.partition_point(|&t| t <= start_s);
    let near = after.saturating_sub(2)..(after + 1).min(s.len());
    near.into_iter().any(|i| {
        let (p, limit) = (s.pressure_mmhg[i], s.limit_mmhg[i]);
        let climb = if 0 < i {
            (p - s.pressure_mmhg[i - 1]).max(0.0)
        } else {
            0.0
        };
        let lost = if paused {
            0.0
        } else {
            climb.min(0.2 * limit) + 2.5
        };
        p.is_finite() && limit.is_finite() && limit - lost <= p
    })
}

fn regimes_of(channel: &Channel, steps: &[RateStep], pauses: &[Pause], end_s: f64) -> Vec<Regime> {
    let mut regimes: Vec<Regime> = Vec::new();
    for (i, step) in steps.iter().enumerate() {
        let span = Span {
            start_s: step.t_s,
            end_s: steps.get(i + 1).map_or(end_s, |n| n.t_s),
        };
        let cause = pauses
            .iter()
            .find(|p| (p.span.start_s - step.t_s).abs() <= step.slack_s + 1e-9)
            .map_or(PauseCause::Unknown, |p| p.cause);
        let doing = if 0.0 < step.rate_ml_h {
            Doing::Running {
                rate_ml_h: step.rate_ml_h,
            }
        } else {
            Doing::Paused(cause)
        };
        // Gaps cut the regime: what the pump did there is not known.
        let mut from_s = span.start_s;
        for gap in &channel.gaps {
            if gap.end_s <= from_s || span.end_s <= gap.start_s {
                continue;
            }
            push(
                &mut regimes,
                channel,
                from_s,
                gap.start_s.max(from_s),
                doing,
            );
            push(
                &mut regimes,
                channel,
                gap.start_s.max(from_s),
                gap.end_s.min(span.end_s),
                Doing::Gap,
            );
            from_s = gap.end_s.min(span.end_s);
        }
        push(&mut regimes, channel, from_s, span.end_s, doing);
    }
    regimes
}

fn push(regimes: &mut Vec<Regime>, channel: &Channel, start_s: f64, end_s: f64, doing: Doing) {
    if start_s < end_s {
        regimes.push(Regime {
            channel: channel.id.clone(),
            span: Span { start_s, end_s },
            doing,
        });
    }
}

/// Stretches in which no channel runs, after at least one has run.
fn line_pauses(
    record: &Record,
    steps: &[Vec<RateStep>],
    pauses: &[Pause],
    end_s: f64,
) -> Vec<Pause> {
    let mut changes: Vec<(f64, usize, f64)> = steps
        .iter()
        .enumerate()
        .flat_map(|(c, steps)| {
            steps
                .iter()
                .map(move |s| (s.t_s + s.slack_s, c, s.rate_ml_h))
        })
        .collect();
    changes.sort_by(|a, b| a.0.total_cmp(&b.0));
    let mut rate = vec![0.0; steps.len()];
    let mut found: Vec<Pause> = Vec::new();
    let mut since: Option<f64> = None;
    let mut has_run = false;
    let mut i = 0;
    while i < changes.len() {
        let t_s = changes[i].0;
        while i < changes.len() && changes[i].0 == t_s {
            rate[changes[i].1] = changes[i].2;
            i += 1;
        }
        let runs = rate.iter().any(|&r| 0.0 < r);
        if runs {
            if let Some(start_s) = since.take() {
                found.push(line_pause(record, pauses, start_s, t_s, false));
            }
            has_run = true;
        } else if has_run && since.is_none() {
            since = Some(t_s);
        }
    }
    if let Some(start_s) = since {
        found.push(line_pause(record, pauses, start_s, end_s, true));
    }
    found
}

fn line_pause(
    record: &Record,
    pauses: &[Pause],
    start_s: f64,
    end_s: f64,
    still_on: bool,
) -> Pause {
    // An alarm on one channel may make staff stop the others: any alarm within two minutes before counts.
    let alarmed = record.events.iter().any(|e| {
        matches!(e.kind, EventKind::OcclusionAlarm | EventKind::Alarm)
            && start_s - ALARM_LINK_S <= e.t_s
            && e.t_s <= start_s + 1.0
    });
    let linked = |cause: PauseCause| {
        pauses.iter().any(|p| {
            p.cause == cause
                && p.span.start_s <= start_s + 1e-6
                && start_s - ALARM_LINK_S <= p.span.start_s
        })
    };
    let cause = if alarmed || linked(PauseCause::Alarm) {
        PauseCause::Alarm
    } else if linked(PauseCause::Manual) {
        PauseCause::Manual
    } else {
        PauseCause::Unknown
    };
    Pause {
        channel: String::new(),
        span: Span { start_s, end_s },
        still_on,
        cause,
    }
}
