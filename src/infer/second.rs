//! Where within an excursion a second cause may have come on top of the first.
//!
//! In: the tracker's blocks about an excursion. Out: the moment, if any, at which the excess of pressure for each mL/h
//! jumped up from what went before leads one to expect ([`cuts`]; it only proposes: whether two causes explain the
//! excursion better than one is weighed by whoever asks), when it surely did ([`sudden`]), when a channel joined that had not been
//! hindered ([`joined`]), and the stretches in which it did and passed again ([`passing`]).

use super::blocks::Block;
use super::excursion::{Excursion, stands_out};
use super::tracker::Tracker;
use crate::stats::robust;
use crate::time::Span;

/// Blocks on which the level before a jump rests, and as many again before them for its slope.
const BEFORE: usize = 8;
/// Blocks on which the level after a jump rests.
const AFTER: usize = 4;
/// An excess counts as a jump from this share of the level before on.
const LEAST_SHARE: f64 = 0.3;

/// What is too short to hold two is not cut, seconds.
const LEAST_S: f64 = 3600.0;

/// How something comes on top of what stays.
struct Comes {
    /// Within so long, seconds, or so many blocks of a slow log.
    within_s: f64,
    within_blocks: usize,
    /// Until then the excess lay about a level, closer to it than this share of the least rise.
    about: f64,
}

/// What came and passed again.
const PASSING: Comes = Comes {
    within_s: 900.0,
    within_blocks: 3,
    about: 0.4,
};
/// What came and need not have passed: growth that nears its end, as the inverse of what is left, rises by more than that before
/// it doubles in so short a time.
const SUDDEN: Comes = Comes {
    within_s: 300.0,
    within_blocks: 2,
    about: 0.2,
};
/// It raised the pressure by so much at least, mmHg, and made it no less than twice as high above the baseline.
const LEAST_RISE_MMHG: f64 = 30.0;
/// What stays has between so much and so much of the excess that it had before.
const STAYS: (f64, f64) = (0.6, 1.5);
/// What passed and comes again within this is on top all the while, seconds.
const AGAIN_S: f64 = 1800.0;
/// What stays stood at its level so long, before and after, seconds.
const STOOD_S: f64 = 600.0;

/// A channel ran on calmly for so long beside another that stood out, seconds.
const CALM_S: f64 = 1200.0;
/// And then stood out in so many blocks in a row.
const OUT_BLOCKS: usize = 4;

/// Moments at which to cut, the likeliest first: the largest jump, then ever earlier ones, before which the first
/// cause may have stood alone.
pub fn cuts(tracker: &Tracker, excursion: &Excursion) -> Vec<f64> {
    let start_s = excursion.start_s;
    let mut cuts: Vec<f64> = jump(tracker, excursion).into_iter().collect();
    let last_s = cuts
        .first()
        .copied()
        .or_else(|| excursion.bouts.last().map(|b| b.1))
        .unwrap_or(excursion.seen_s);
    for share in [0.6, 0.3, 0.15] {
        let length_s = share * (last_s - start_s);
        if LEAST_S <= length_s {
            cuts.push(start_s + length_s);
        }
    }
    cuts
}

/// The stretches in which something came on top of what stays and passed again: the excess stood at a level, at least doubled within
/// minutes, and stood at that level again while the line ran on. What passes while the first stays is not the first.
pub fn passing(tracker: &Tracker, excursion: &Excursion) -> Vec<Span> {
    let mut found: Vec<Span> = Vec::new();
    for c in (0..excursion.up.len()).filter(|&c| excursion.up[c]) {
        let own = running(tracker, excursion, c);
        let mut at = BEFORE;
        while let Some((rises, risen)) = next_rise(&own, at, &PASSING) {
            at = rises + 1;
            if let Some(back) = next_back(tracker, &own, rises, risen) {
                found.push(Span {
                    start_s: own[rises - 1].last_s,
                    end_s: own[back].t_s,
                });
                at = back + BEFORE;
            }
        }
    }
    found.sort_by(|a, b| a.start_s.total_cmp(&b.start_s));
    found.dedup_by(|next, kept| {
        let one = next.start_s <= kept.end_s + AGAIN_S;
        if one {
            kept.end_s = kept.end_s.max(next.end_s);
        }
        one
    });
    found
}

/// When something came on top of what stays at one go, seconds: the excess stood at a level, and at least doubled within minutes in which
/// no pump changed its rate.
pub fn sudden(tracker: &Tracker, excursion: &Excursion) -> Option<f64> {
    let came_s = (0..excursion.up.len())
        .filter(|&c| excursion.up[c])
        .filter_map(|c| {
            let own = running(tracker, excursion, c);
            let mut at = BEFORE;
            loop {
                let (rises, risen) = next_rise(&own, at, &SUDDEN)?;
                let (from_s, until_s) = (own[rises].t_s - STOOD_S, own[risen].t_s);
                let mut meanwhile = tracker
                    .since(from_s)
                    .iter()
                    .take_while(|b| b.t_s <= until_s)
                    .filter(|b| b.channel == c);
                if meanwhile.all(|b| b.own_runs && b.settled) {
                    return Some(own[rises - 1].last_s);
                }
                at = rises + 1;
            }
        });
    came_s.reduce(f64::min)
}

/// When a channel that had run on calmly beside another that stood out began to stand out too, seconds: what lies in one channel's own
/// tubing raises no other's pressure.
pub fn joined(tracker: &Tracker, excursion: &Excursion) -> Option<f64> {
    let joins_s = (0..excursion.up.len())
        .filter(|&c| excursion.up[c])
        .filter_map(|c| {
            let own = running(tracker, excursion, c);
            let out = own
                .windows(OUT_BLOCKS)
                .position(|w| w.iter().all(|b| stands_out(b) == 1))?;
            let calm = &own[..out];
            let (first, last) = (calm.first()?, calm.last()?);
            let stood_out = calm.iter().filter(|b| stands_out(b) != 0).count();
            let calmly = CALM_S <= last.t_s - first.t_s && 20 * stood_out <= calm.len();
            calmly.then_some(last.last_s)
        });
    joins_s.reduce(f64::min)
}

/// By how much the excess rises at least where something comes on top of a level.
fn least_rise(block: &Block, level: f64) -> f64 {
    (LEAST_RISE_MMHG / block.total_ml_h().max(1e-3)).max(level)
}

/// The next block from one on that begins a rise to twice the level of the blocks before it, and the first that stands so high.
fn next_rise(own: &[&Block], from: usize, comes: &Comes) -> Option<(usize, usize)> {
    (from..own.len()).find_map(|at| {
        let first = own[..at].partition_point(|b| b.t_s < own[at].t_s - STOOD_S);
        let earlier = &own[first.min(at - BEFORE)..at];
        let before = level(earlier)?;
        let least = least_rise(own[at], before);
        let near = |b: &&Block| (b.excess() - before).abs() <= comes.about * least;
        if !earlier.iter().all(near) {
            return None;
        }
        let quick = |i: &usize| {
            own[*i].t_s <= own[at].t_s + comes.within_s || *i <= at + comes.within_blocks
        };
        let begins = before + 0.1 * least <= own[at].excess();
        let risen = (at..own.len())
            .take_while(quick)
            .find(|&i| begins && before + least <= own[i].excess())?;
        Some((at, risen))
    })
}

/// Since when an excursion had stood at the level at which something came on top of it at a moment, seconds.
pub fn stood_since(tracker: &Tracker, excursion: &Excursion, came_s: f64) -> f64 {
    let since = (0..excursion.up.len())
        .filter(|&c| excursion.up[c])
        .filter_map(|c| {
            let own = running(tracker, excursion, c);
            let before = &own[..own.partition_point(|b| b.t_s <= came_s)];
            let last = level(&before[before.len().saturating_sub(BEFORE)..])?;
            let near =
                |b: &&&Block| (b.excess() - last).abs() <= PASSING.about * least_rise(b, last);
            before.iter().rev().take_while(near).last().map(|b| b.t_s)
        });
    since.fold(came_s - LEAST_S, f64::max)
}

/// Whether a block stands out, at about an excess.
fn stands_at(block: &Block, excess: f64) -> bool {
    let share = block.excess() / excess;
    block.bar_mmhg < block.deviation_mmhg && STAYS.0 <= share && share <= STAYS.1
}

/// The first block after a rise from which on the excess stands where it stood before, for longer than a line as blocked as at its
/// height takes to climb through that.
fn next_back(tracker: &Tracker, own: &[&Block], rises: usize, risen: usize) -> Option<usize> {
    let before = level(&own[rises - BEFORE..rises])?;
    let height = own[rises..=risen]
        .iter()
        .map(|b| b.excess())
        .fold(0.0, f64::max);
    let least_s = tracker.fills_s(height).clamp(STOOD_S, LEAST_S);
    let mut since: Option<usize> = None;
    let mut blocks = 0;
    for i in (risen..own.len()).filter(|&i| own[i].settled) {
        if !stands_at(own[i], before) {
            since = None;
            blocks = 0;
            continue;
        }
        let first = *since.get_or_insert(i);
        blocks += 1;
        if BEFORE <= blocks && least_s <= own[i].last_s - own[first].t_s {
            return Some(first);
        }
    }
    None
}

/// The blocks of an excursion in which a channel runs.
fn running<'a>(tracker: &'a Tracker, excursion: &Excursion, channel: usize) -> Vec<&'a Block> {
    let until_s = excursion.end_s.unwrap_or(f64::INFINITY);
    tracker
        .since(excursion.start_s)
        .iter()
        .take_while(|b| b.t_s <= until_s)
        .filter(|b| b.channel == channel && b.own_runs && b.bar_mmhg.is_finite())
        .collect()
}

/// The median excess of some blocks.
fn level(blocks: &[&Block]) -> Option<f64> {
    let mut excess: Vec<f64> = blocks.iter().map(|b| b.excess()).collect();
    robust::median(&mut excess)
}

/// The moment of the largest jump, seconds; `None` where none stands out.
fn jump(tracker: &Tracker, excursion: &Excursion) -> Option<f64> {
    let mut best: Option<(f64, f64)> = None;
    for c in (0..excursion.up.len()).filter(|&c| excursion.moved(c)) {
        let own = running(tracker, excursion, c);
        for at in 2 * BEFORE..own.len().saturating_sub(1) {
            let after = level(&own[at..(at + AFTER).min(own.len())]);
            let before = level(&own[at - BEFORE..at]);
            let earlier = level(&own[at - 2 * BEFORE..at - BEFORE]);
            let (Some(after), Some(before), Some(earlier)) = (after, before, earlier) else {
                continue;
            };
            let expected = before + (before - earlier).max(0.0);
            let bar =
                LEAST_SHARE * before.abs() + own[at].bar_mmhg / own[at].total_ml_h().max(1e-3);
            let score = (after - expected) / bar;
            if 1.0 < score && best.is_none_or(|(_, most)| most < score) {
                best = Some((own[at].t_s, score));
            }
        }
    }
    best.map(|(t_s, _)| t_s)
}
