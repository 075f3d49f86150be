//! The stretch about an onset alone, for a second look at when it began: the first of the climb or fall, and what was before it.
//!
//! In: the case, its judgement, the chosen explanation and about when it began. Out: a [`Window`]. Over a whole climb a line strays
//! from the equations (parts stiffen as they are stretched), and readings count for little. Over its first stretch, at
//! rates that stay, they err by their noise: there they count for more.

use super::causes::Setting;
use super::judge::{Case, Judgement, Weighed};
use super::rang;
use super::review::Cause;
use super::window::{self, Window};
use crate::time::Span;

/// The first of a climb or fall is followed, and what was before it looked at, for so long at least, seconds.
const FOLLOWED_S: f64 = 600.0;
/// And for so many readings.
const FOLLOWED_READINGS: f64 = 15.0;
/// What was before is looked at for no longer than this, seconds.
const MOST_BACK_S: f64 = 4.0 * 3600.0;
/// What fell when a supply ran dry is looked for so long before its alarm, seconds: a pump goes on with what its chamber and tubing
/// hold (common practice, no source).
const DRY_BACK_S: f64 = 2.0 * 3600.0;
/// What lies so long before a stop is looked at with it, seconds.
const BEFORE_STOP_S: f64 = 300.0;
/// The alarm at the height of a climb belongs to it: the stretch ends so long after it, seconds.
const AFTER_PEAK_S: f64 = 1.0;
/// A climb is followed to this share of its height.
const FIRST_SHARE: f64 = 1.0 / 3.0;
/// Readings in the stretch of unchanged rates in which it began count for so many times what they count for in a whole window
/// (chosen on the tuning set).
const COUNTS: f64 = 4.0;
/// The same where they are rounded to steps that noise does not carry them over: neighbours share the error.
const COUNTS_ROUNDED: f64 = 2.0;
/// Readings so far apart are each their own, seconds: breaths, strokes and what else neighbours share are over by then (common
/// practice, no source).
const APART_S: f64 = 120.0;
/// A rounding as fine as this hides nothing, mmHg.
const FINE_MMHG: f64 = 1.0;

/// About when it began, seconds, and how well that is known.
#[derive(Clone, Copy)]
pub struct About {
    /// When.
    pub t_s: f64,
    /// Its spread, seconds.
    pub sd_s: f64,
}

/// The stretch about an onset; `None` where too little was read in it.
pub fn stretch(
    case: &Case,
    judgement: &Judgement,
    chosen: &Weighed,
    about: About,
    stop: Option<Span>,
) -> Option<Window> {
    let (excursion, whole) = (case.excursion, &judgement.window);
    let period_s = case.least_period_s();
    let least_s = FOLLOWED_S.max(FOLLOWED_READINGS * period_s);
    let began_s = about.t_s.min(excursion.start_s);
    let first_bout_s = excursion.bouts.first().map_or(f64::INFINITY, |b| b.1);
    let end_s = first_share(whole, chosen, about.t_s)
        .max(excursion.seen_s)
        .max(began_s + least_s)
        .min(match chosen.fitted.cause {
            Cause::CatheterPositional => first_bout_s,
            _ => judgement.peak_s + AFTER_PEAK_S,
        });
    let least_back_s = match chosen.fitted.cause {
        Cause::SupplyStopped => DRY_BACK_S,
        _ => least_s.max(3.0 * about.sd_s),
    };
    let back_s = (2.0 * (end_s - began_s))
        .max(least_back_s)
        .min(MOST_BACK_S.max(least_s));
    let mut start_s = began_s - back_s;
    if let Some(stop) = stop.filter(|s| start_s < s.end_s) {
        start_s = start_s.min(stop.start_s - BEFORE_STOP_S);
    }
    let moments = [about.t_s, excursion.start_s, excursion.seen_s];
    let mut window = window::cut(
        case.record,
        case.doings,
        &case.tracker.noise,
        start_s.max(whole.start_s()),
        end_s,
        &moments,
    )?;
    let apart = (period_s / APART_S).min(1.0);
    let steady = steady_about(case, excursion.start_s);
    for (o, seen) in window.observations.iter_mut().zip(&window.seen) {
        o.value -= case.tracker.offset_mmhg[seen.channel];
        let t_s = window.knot_s[seen.knot];
        let noise = &case.tracker.noise[seen.channel];
        let dithered = noise.rounding_mmhg <= (2.0 * noise.sample_mmhg).max(FINE_MMHG);
        // What comes and goes over minutes in this channel alone is in each of its readings.
        o.sd = o.sd.hypot(noise.slow_mmhg);
        let climbs = excursion.moved(seen.channel) && excursion.start_s <= t_s;
        if steady.start_s < t_s && t_s <= steady.end_s || climbs {
            let counts = if dithered { COUNTS } else { COUNTS_ROUNDED };
            o.weight = (counts * o.weight).max(apart).min(1.0);
        }
    }
    if let Some(mut alarm) = rang::alarm_reading(case, &window) {
        // What is taken to have led to the alarm did: no chance reading.
        alarm.reading.weight = 1.0;
        window.seen.push(alarm.seen);
        window.observations.push(alarm.reading);
    }
    Some(window)
}

/// The stretch about a moment in which no rate changed.
fn steady_about(case: &Case, t_s: f64) -> Span {
    let changes = || case.doings.steps.iter().flatten().map(|s| s.t_s);
    Span {
        start_s: changes()
            .filter(|c| *c <= t_s)
            .fold(f64::NEG_INFINITY, f64::max),
        end_s: changes().filter(|c| t_s < *c).fold(f64::INFINITY, f64::min),
    }
}

/// When the pressure had gone the first share of its way, by the chosen explanation, seconds.
fn first_share(whole: &Window, chosen: &Weighed, onset_s: f64) -> f64 {
    let mut before = vec![None; whole.channels];
    let mut moved: Vec<(f64, f64)> = Vec::new();
    for (seen, mmhg) in whole.seen.iter().zip(&chosen.fitted.predicted) {
        let t_s = whole.knot_s[seen.knot];
        if t_s <= onset_s {
            before[seen.channel] = Some(*mmhg);
        } else if let Some(before) = before[seen.channel] {
            moved.push((t_s, (mmhg - before).abs()));
        }
    }
    let most = moved.iter().map(|m| m.1).fold(0.0, f64::max);
    let first = moved
        .iter()
        .filter(|m| FIRST_SHARE * most <= m.1)
        .map(|m| m.0)
        .reduce(f64::min);
    first.unwrap_or(onset_s)
}

/// About when the chosen explanation has it begin, from its fit.
pub fn by_fit(setting: &Setting, chosen: &Weighed, at: usize) -> About {
    match chosen.fitted.cause {
        Cause::CatheterPositional => About {
            t_s: setting.start_s,
            sd_s: 0.0,
        },
        _ => About {
            t_s: setting.start_s + 3600.0 * chosen.fitted.fit.theta[at],
            sd_s: 3600.0 * chosen.fitted.fit.sd(at),
        },
    }
}
