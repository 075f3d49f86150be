//! Where within an excursion a second cause may have come on top of the first.
//!
//! In: the tracker's blocks about an excursion. Out: the moment, if any, at which the excess of pressure for each mL/h
//! jumped up from what went before leads one to expect. It only proposes: whether two causes explain the
//! excursion better than one is weighed by whoever asks.

use super::blocks::Block;
use super::excursion::Excursion;
use super::tracker::Tracker;
use crate::stats::robust;

/// Blocks on which the level before a jump rests, and as many again before them for its slope.
const BEFORE: usize = 8;
/// Blocks on which the level after a jump rests.
const AFTER: usize = 4;
/// An excess counts as a jump from this share of the level before on.
const LEAST_SHARE: f64 = 0.3;

/// What is too short to hold two is not cut, seconds.
const LEAST_S: f64 = 3600.0;

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

/// The moment of the largest jump, seconds; `None` where none stands out.
fn jump(tracker: &Tracker, excursion: &Excursion) -> Option<f64> {
    let until_s = excursion.end_s.unwrap_or(f64::INFINITY);
    let mut best: Option<(f64, f64)> = None;
    for c in (0..excursion.up.len()).filter(|&c| excursion.moved(c)) {
        let own: Vec<&Block> = tracker
            .since(excursion.start_s)
            .iter()
            .take_while(|b| b.t_s <= until_s)
            .filter(|b| b.channel == c && b.own_runs && b.bar_mmhg.is_finite())
            .collect();
        for at in 2 * BEFORE..own.len().saturating_sub(1) {
            let level = |blocks: &[&Block]| {
                let mut excess: Vec<f64> = blocks.iter().map(|b| b.excess()).collect();
                robust::median(&mut excess)
            };
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
