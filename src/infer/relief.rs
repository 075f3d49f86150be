//! Whether a line that was hindered ran freely after a restart.
//!
//! In: the tracker's blocks about a stop within an excursion. Out: whether the resistance was lower by much after it, and grew anew.
//! A line that is as blocked as before climbs back to its pressure within some time constants: what it shows before says nothing,
//! unless it climbs less than such a line would.

use super::blocks::Block;
use super::causes::ONSET_RATIO;
use super::excursion::{Excursion, stands_out};
use super::tracker::Tracker;
use crate::stats::robust;

/// The resistance before a stop is taken from the last running blocks over so long, seconds.
const BEFORE_S: f64 = 300.0;
/// The resistance after a restart is taken from what runs within so long, seconds: what grows again grows meanwhile.
const AFTER_S: f64 = 150.0;
/// So many blocks of them, the lowest, tell it where it falls for a while yet.
const LOWEST_BLOCKS: usize = 5;
/// Less than this share of the excess left is a relief, whatever the baseline.
const RELIEVED_SHARE: f64 = 0.5;
/// Less than this share left is one where the resistance is back below [`ONSET_RATIO`].
const EASED_SHARE: f64 = 0.75;
/// What stands so many times as high as what was left has grown anew.
const AGAIN: f64 = 1.5;
/// A pump that starts takes up its own slack first, mL at most (common practice, no source).
const START_UP_ML: f64 = 0.1;
/// A climb is plain from so many spreads of a block on.
const PLAIN_SPREADS: f64 = 4.0;
/// What climbs by less than this share of what a line as blocked as before would, in stores known to a factor of two, is a line that
/// is not.
const SLOW_SHARE: f64 = 0.35;

/// How hindered a line was before a stop.
struct Height {
    /// Pressure above the expected one for each mL/h, mmHg·h/mL.
    excess: f64,
    /// The channel that stood highest: what lies in one channel's own line shows in that alone.
    channel: usize,
}

/// Whether the excess for each mL/h was lower by much after a restart than before the stop, and rose again. `before`: from when to when
/// the line was hindered and ran, `after`: from the restart to what ends the run, seconds; `rang`: whether an alarm came with the stop.
/// `None` where the run was too short to show it.
pub fn relieved(
    tracker: &Tracker,
    excursion: &Excursion,
    before: (f64, f64),
    after: (f64, f64),
    rang: bool,
) -> Option<bool> {
    let end_s = excursion.end_s.unwrap_or(f64::INFINITY);
    let Some(height) = height(tracker, excursion, before, rang) else {
        return Some(false);
    };
    let running = running(tracker, excursion, (after.0, after.1.min(end_s)));
    let (sooner_s, latest_s) = shown_s(tracker, &running, &height)?;
    let level = (ONSET_RATIO - 1.0) * tracker.baseline.shared();
    let open = |left: f64| {
        let stood = rang || level < height.excess;
        stood && left < level && left < EASED_SHARE * height.excess
    };
    let settled = |from_s: f64| {
        let running = running.iter().copied();
        running.filter(move |b| b.settled && from_s <= b.t_s)
    };
    let late = middle(&excess(tracker, settled(latest_s), latest_s));
    let mut eased = late.filter(|(left, _)| *left < RELIEVED_SHARE * height.excess || open(*left));
    if eased.is_none() {
        let own = settled(sooner_s).filter(|b| b.channel == height.channel);
        let mut soon = excess(tracker, own, latest_s);
        soon.truncate(LOWEST_BLOCKS);
        eased = middle(&soon).filter(|(left, _)| open(*left));
    }
    let Some((left, left_s)) = eased else {
        return late.map(|_| false);
    };
    // What stays where the relief left it is the old trouble's rest, not a new one.
    let again = running_from(tracker, excursion, left_s)
        .take_while(|b| b.t_s < end_s)
        .any(|b| stands_out(b) == 1 && AGAIN * left.max(0.0) < tracker.excess(b));
    Some(again)
}

/// How hindered the line was when it last ran between two moments, seconds; `None` where it was not.
fn height(
    tracker: &Tracker,
    excursion: &Excursion,
    before: (f64, f64),
    rang: bool,
) -> Option<Height> {
    let all = running(tracker, excursion, before);
    let last_s = all.last()?.t_s;
    let last: Vec<(f64, usize)> = all
        .iter()
        .rev()
        .take_while(|b| last_s - BEFORE_S < b.t_s)
        .map(|b| (tracker.excess(b), b.channel))
        .collect();
    let mut high: Vec<f64> = last.iter().map(|l| l.0).collect();
    // What shut the line within a minute stands in the last reading alone: the resistance was as high at least.
    let at_alarm = high.first().copied().filter(|_| rang);
    let high = robust::median(&mut high).map(|h| at_alarm.map_or(h, |a| a.max(h)))?;
    let highest = last.iter().max_by(|a, b| a.0.total_cmp(&b.0))?;
    (0.0 < high).then_some(Height {
        excess: high,
        channel: highest.1,
    })
}

/// From when on what runs after a restart may show whether the line is as blocked as before, and when it does at the latest, seconds;
/// `None` where nothing runs. It would have climbed back to its pressure by then; it shows sooner where the channel that stood highest
/// does not climb as it would.
fn shown_s(tracker: &Tracker, running: &[&Block], height: &Height) -> Option<(f64, f64)> {
    let restart_s = running.first()?.t_s;
    let latest_s = restart_s + tracker.climb_s(height.excess);
    let own: Vec<&&Block> = running
        .iter()
        .filter(|b| b.settled && b.channel == height.channel)
        .collect();
    let started = |b: &&&&Block| START_UP_ML <= b.total_ml_h() * (b.t_s - restart_s) / 3600.0;
    let plain_mmhg = PLAIN_SPREADS * tracker.noise[height.channel].block_mmhg;
    let soon = own.iter().take_while(|b| b.t_s < latest_s).filter(started);
    let mut sooner = soon.filter(|first| {
        let to_climb_mmhg = (height.excess - tracker.excess(first)) * first.total_ml_h();
        let climbs_mmhg = |b: &Block| {
            let filled = 1.0 - (-(b.t_s - first.t_s) / tracker.fills_s(height.excess)).exp();
            to_climb_mmhg * filled
        };
        let from = own.partition_point(|b| b.t_s <= first.t_s);
        let plain = own[from..].iter().find(|b| plain_mmhg <= climbs_mmhg(b));
        plain.is_some_and(|b| b.pressure_mmhg - first.pressure_mmhg <= SLOW_SHARE * climbs_mmhg(b))
    });
    Some((sooner.next().map_or(latest_s, |b| b.t_s), latest_s))
}

/// The blocks between two moments, seconds, in which a channel that rose runs.
fn running<'a>(
    tracker: &'a Tracker,
    excursion: &'a Excursion,
    (from_s, to_s): (f64, f64),
) -> Vec<&'a Block> {
    running_from(tracker, excursion, from_s)
        .take_while(|b| b.t_s < to_s)
        .collect()
}

/// The blocks from a moment on, seconds, in which a channel that rose runs.
fn running_from<'a>(
    tracker: &'a Tracker,
    excursion: &'a Excursion,
    from_s: f64,
) -> impl Iterator<Item = &'a Block> {
    let since = tracker.since(from_s).iter();
    since.filter(|b| excursion.up[b.channel] && b.own_runs)
}

/// Excesses with their moments, the lowest first: of the blocks up to a moment, seconds, or of the first ones.
fn excess<'a>(
    tracker: &Tracker,
    blocks: impl Iterator<Item = &'a Block> + Clone,
    until_s: f64,
) -> Vec<(f64, f64)> {
    let first_s = blocks.clone().next().map_or(until_s, |b| b.t_s);
    let until_s = until_s.max(first_s + AFTER_S);
    let blocks = blocks.take_while(|b| b.t_s <= until_s);
    let mut all: Vec<(f64, f64)> = blocks.map(|b| (tracker.excess(b), b.t_s)).collect();
    all.sort_by(|a, b| a.0.total_cmp(&b.0));
    all
}

/// The middle one of excesses in order.
fn middle(excess: &[(f64, f64)]) -> Option<(f64, f64)> {
    excess.get(excess.len() / 2).copied()
}
