//! A bench test of a line: clamped at known places while the pumps run, its climbs give the compliances of a line file.
//!
//! In: the record of the test, whose events say where each clamp was closed. Out: [`ClampTest`]. While a clamp is closed the
//! pressure climbs at `ΣQ / C` with `C` all that lies between the pumps and the clamp; so three places one after the other give
//! the channels, the filter's housing and the tail, by difference. The rates are taken as set: a pump that delivers 3 % too
//! much makes every compliance 3 % too large.

use crate::record::{Channel, Event, EventKind, Record};
use crate::stats::robust::{huber_line, median};
use crate::units::Estimate;

/// Fewer readings on the climb give no slope.
const LEAST_READINGS: usize = 5;
/// A climb of less is no climb, mmHg (common practice, no source).
const LEAST_RISE_MMHG: f64 = 20.0;
/// The part of the climb that is used: the note's time may be off at its foot, the alarm or the hand at its top.
const USED: (f64, f64) = (0.15, 0.95);
/// Compliance in the lower half of the climb over that in the upper half, from which on the line is said to stiffen.
const STIFFENS: f64 = 1.1;

/// Where a clamp was closed.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum ClampPlace {
    /// On this channel's own tubing, at the join.
    Join(String),
    /// On the shared line, just below the filter (or the join, where there is no filter).
    BelowFilter,
    /// At the catheter's hub.
    Hub,
}

/// One closing of a clamp.
#[derive(Debug, Clone, PartialEq)]
pub struct Closing {
    /// Where.
    pub place: ClampPlace,
    /// When, seconds from the record's start.
    pub at_s: f64,
    /// Readings on the climb, over the channels that climbed.
    pub readings: usize,
    /// All that lies between the pumps and the clamp, µL/mmHg, 95 %.
    pub ul_per_mmhg: Estimate,
    /// Compliance in the lower and in the upper half of the climb, µL/mmHg, where the line stiffens with pressure.
    pub stiffens: Option<(f64, f64)>,
}

/// Why a closing gave nothing.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Unusable {
    /// Its detail names no place.
    NoPlace,
    /// No pump ran, or a rate changed at once.
    NoFlow,
    /// Too few readings.
    FewReadings,
    /// The pressure did not climb.
    NoClimb,
}

/// What a bench test gave.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct ClampTest {
    /// Each closing that gave a slope, in order of time.
    pub closings: Vec<Closing>,
    /// The others: when, and why not.
    pub unusable: Vec<(f64, Unusable)>,
    /// Each channel, pump to join, µL/mmHg, 95 %.
    pub channels: Vec<(String, Estimate)>,
    /// The filter's housing, µL/mmHg, 95 %; `None` where a place was not clamped.
    pub filter: Option<Estimate>,
    /// From the filter to the hub, µL/mmHg, 95 %; `None` where a place was not clamped.
    pub tail: Option<Estimate>,
}

/// Works out a bench test.
///
/// Places are told by the events: `clamp_closed` with a channel, or with `join` in its detail, is at the join; with `filter` in it
/// below the filter; with `hub` or `catheter` in it at the hub.
pub fn clamp_test(record: &Record) -> ClampTest {
    let mut test = ClampTest::default();
    let closed = |e: &&Event| e.kind == EventKind::ClampClosed;
    for event in record.events.iter().filter(closed) {
        let closing = place(record, event)
            .ok_or(Unusable::NoPlace)
            .and_then(|p| closing(record, event, p));
        match closing {
            Ok(closing) => test.closings.push(closing),
            Err(why) => test.unusable.push((event.t_s, why)),
        }
    }
    let at = |place: &ClampPlace| together(&test.closings, place);
    let channels: Vec<(String, Estimate)> = record
        .channels
        .iter()
        .filter_map(|c| Some((c.id.clone(), at(&ClampPlace::Join(c.id.clone()))?)))
        .collect();
    let all = (channels.len() == record.channels.len())
        .then(|| channels.iter().map(|c| c.1).reduce(sum))
        .flatten();
    let (below, hub) = (at(&ClampPlace::BelowFilter), at(&ClampPlace::Hub));
    test.filter = below.zip(all).map(|(b, a)| difference(b, a));
    test.tail = hub.zip(below).map(|(h, b)| difference(h, b));
    test.channels = channels;
    test
}

fn place(record: &Record, event: &Event) -> Option<ClampPlace> {
    let detail = event.detail.to_lowercase();
    let says = |word: &str| detail.contains(word);
    if says("hub") || says("catheter") {
        return Some(ClampPlace::Hub);
    }
    if says("filter") {
        return Some(ClampPlace::BelowFilter);
    }
    match (&event.channel, record.channels.as_slice()) {
        (Some(id), _) => Some(ClampPlace::Join(id.clone())),
        (None, [only]) if says("join") => Some(ClampPlace::Join(only.id.clone())),
        _ => None,
    }
}

fn closing(record: &Record, event: &Event, place: ClampPlace) -> Result<Closing, Unusable> {
    let until_s = record
        .events
        .iter()
        .filter(|e| matches!(e.kind, EventKind::ClampOpened | EventKind::ClampClosed))
        .map(|e| e.t_s)
        .find(|t| event.t_s < *t)
        .unwrap_or(f64::INFINITY);
    let climbing: Vec<&Channel> = record
        .channels
        .iter()
        .filter(|c| match &place {
            ClampPlace::Join(id) => c.id == *id,
            _ => true,
        })
        .collect();
    // Where any rate changes, the climb at these rates is over.
    let changes = climbing.iter().map(|c| first_change(c, event.t_s));
    let until_s = changes.fold(until_s, f64::min);
    let flow: f64 = climbing.iter().map(|c| rate_at(c, event.t_s)).sum();
    if flow <= 0.0 {
        return Err(Unusable::NoFlow);
    }
    let climbs: Vec<Climb> = climbing
        .iter()
        .filter_map(|c| Climb::of(c, event.t_s, until_s).transpose())
        .collect::<Result<_, _>>()?;
    if climbs.is_empty() {
        return Err(Unusable::FewReadings);
    }
    let mean = |of: fn(&Climb) -> f64| climbs.iter().map(of).sum::<f64>() / climbs.len() as f64;
    // mL/h over mmHg/h; the channels share the join, so their errors do too and do not average out.
    let value = 1000.0 * flow / mean(|c| c.slope);
    let share = mean(|c| c.half_width / c.slope);
    let (lower, upper) = (mean(|c| c.lower), mean(|c| c.upper));
    let stiffens = STIFFENS < upper / lower;
    Ok(Closing {
        place,
        at_s: event.t_s,
        readings: climbs.iter().map(|c| c.readings).sum(),
        ul_per_mmhg: Estimate {
            value,
            low: value / (1.0 + share),
            high: value / (1.0 - share.min(0.9)),
        },
        stiffens: stiffens.then(|| (1000.0 * flow / lower, 1000.0 * flow / upper)),
    })
}

fn rate_at(channel: &Channel, t_s: f64) -> f64 {
    let s = &channel.samples;
    let after = s.t_s.partition_point(|&t| t <= t_s);
    let last = after.checked_sub(1).and_then(|i| s.rate_ml_h.get(i));
    last.copied().unwrap_or(0.0)
}

/// The first reading after a moment with another rate than at that moment.
fn first_change(channel: &Channel, t_s: f64) -> f64 {
    let (s, rate) = (&channel.samples, rate_at(channel, t_s));
    let later = s.t_s.iter().zip(&s.rate_ml_h).filter(|(t, _)| t_s < **t);
    let mut changed = later.filter(|(_, q)| **q != rate);
    changed.next().map_or(f64::INFINITY, |(t, _)| *t)
}

/// One channel's climb; slopes in mmHg/h.
struct Climb {
    slope: f64,
    /// Half the 95 % interval of the slope.
    half_width: f64,
    lower: f64,
    upper: f64,
    readings: usize,
}

impl Climb {
    /// `Ok(None)` where the channel has too few readings there.
    fn of(channel: &Channel, from_s: f64, until_s: f64) -> Result<Option<Self>, Unusable> {
        let s = &channel.samples;
        let inside: Vec<(f64, f64)> = s
            .t_s
            .iter()
            .zip(&s.pressure_mmhg)
            .filter(|(t, p)| from_s <= **t && **t < until_s && p.is_finite())
            .map(|(t, p)| ((t - from_s) / 3600.0, *p))
            .collect();
        if inside.len() < LEAST_READINGS {
            return Ok(None);
        }
        let foot = inside.iter().map(|r| r.1).fold(f64::INFINITY, f64::min);
        let top = inside.iter().map(|r| r.1).fold(f64::NEG_INFINITY, f64::max);
        if top - foot < LEAST_RISE_MMHG {
            return Err(Unusable::NoClimb);
        }
        let level = |share: f64| foot + share * (top - foot);
        let from = inside.iter().position(|r| level(USED.0) <= r.1);
        let to = inside.iter().position(|r| level(USED.1) <= r.1);
        let used = inside.get(from.unwrap_or(0)..to.unwrap_or(inside.len()));
        let used = used.unwrap_or_default();
        if used.len() < LEAST_READINGS {
            return Ok(None);
        }
        let half = used.len() / 2;
        let line = huber_line(used).ok_or(Unusable::FewReadings)?;
        let slope_of = |part: &[(f64, f64)]| huber_line(part).map_or(line.slope, |l| l.slope);
        let climb = Self {
            slope: line.slope,
            half_width: half_width(used, line.level, line.slope),
            lower: slope_of(&used[..half]),
            upper: slope_of(&used[half..]),
            readings: used.len(),
        };
        let climbs = 0.0 < climb.slope && 0.0 < climb.lower && climb.half_width < climb.slope;
        climbs.then_some(Some(climb)).ok_or(Unusable::NoClimb)
    }
}

/// Half the 95 % interval of a slope whose residuals share pulsation and rounding with their neighbours: as many readings
/// count as the first autocorrelation leaves, `n (1 − ρ)/(1 + ρ)` (common practice for a first-order process).
fn half_width(used: &[(f64, f64)], level: f64, slope: f64) -> f64 {
    let n = used.len() as f64;
    let residuals: Vec<f64> = used.iter().map(|(x, y)| y - level - slope * x).collect();
    let square: f64 = residuals.iter().map(|r| r * r).sum();
    let next: f64 = residuals.windows(2).map(|w| w[0] * w[1]).sum();
    let alike = if 0.0 < square { next / square } else { 0.0 };
    let alike = alike.clamp(0.0, 0.98);
    let count = (n * (1.0 - alike) / (1.0 + alike)).max(3.0);
    let x0 = used.iter().map(|u| u.0).sum::<f64>() / n;
    let wide = used.iter().map(|u| (u.0 - x0).powi(2)).sum::<f64>() / n;
    let free = (count - 2.0).max(1.0);
    crate::stats::tails::student_975(free) * (square / n / free / wide).sqrt()
}

/// Repeated closings at one place as one figure.
fn together(closings: &[Closing], place: &ClampPlace) -> Option<Estimate> {
    let here: Vec<Estimate> = closings
        .iter()
        .filter(|c| c.place == *place)
        .map(|c| c.ul_per_mmhg)
        .collect();
    let n = here.len() as f64;
    let value = median(&mut here.iter().map(|e| e.value).collect::<Vec<_>>())?;
    let within = here.iter().map(|e| half(e).powi(2)).sum::<f64>().sqrt() / n;
    let mean = here.iter().map(|e| e.value).sum::<f64>() / n;
    let square: f64 = here.iter().map(|e| (e.value - mean).powi(2)).sum();
    let between = match here.len() {
        0 | 1 => 0.0,
        // Two closings: half their distance; the quantile of one degree of freedom would say nothing.
        2 => (square / 2.0).sqrt(),
        _ => crate::stats::tails::student_975(n - 1.0) * (square / (n - 1.0) / n).sqrt(),
    };
    let wide = within.max(between);
    Estimate::new(value, (value - wide).max(0.0), value + wide)
}

fn half(e: &Estimate) -> f64 {
    0.5 * (e.high - e.low)
}

fn sum(a: Estimate, b: Estimate) -> Estimate {
    combined(a, b, a.value + b.value)
}

fn difference(a: Estimate, b: Estimate) -> Estimate {
    combined(a, b, a.value - b.value)
}

/// A sum or difference of two independent figures; nothing elastic lies below zero.
fn combined(a: Estimate, b: Estimate, value: f64) -> Estimate {
    let wide = half(&a).hypot(half(&b));
    let value = value.max(0.0);
    Estimate {
        value,
        low: (value - wide).max(0.0),
        high: value + wide,
    }
}
