//! The level of the minutes before: how far a running channel's pressure fell at once, whatever its baseline is.
//!
//! In: blocks, each that was calm. Out: how far a later block lies below them. A supply that stops leaves the pump's pressure
//! at what the outlet and the other channels make of it: a fall of a few mmHg at a large catheter. Against the baseline it
//! does not stand out, since drift, the outlet's pressure and the resistance are not known so well; against the level of the
//! same minutes, at the same rates, none of these counts.

use super::blocks::{Block, Noise};
use crate::stats::robust;
use std::collections::VecDeque;

/// What lies further back says nothing of now, seconds.
const MEMORY_S: f64 = 2400.0;
/// A level rests on so many blocks at least, over so many seconds.
const LEAST_BLOCKS: usize = 3;
/// See [`LEAST_BLOCKS`].
const LEAST_S: f64 = 600.0;
/// So many blocks are enough.
const MOST_BLOCKS: usize = 40;
/// What is held against the level is the median of the last blocks, up to so many, over so many seconds: coughs, breathing and
/// rounding that flips stand out of single ones.
const NOW_BLOCKS: usize = 4;
/// See [`NOW_BLOCKS`].
const NOW_S: f64 = 150.0;
/// The spread of a median of n is this many times that of a mean (for a normal).
const MEDIAN_WIDER: f64 = 1.25;
/// Rates that differ by less than this share are the same.
const SAME_SHARE: f64 = 0.02;
/// How many spreads a fall must stand out by.
const SPREADS: f64 = 4.0;
/// What has swung as far in the minutes before swings again: a fall must exceed so many spreads of theirs. The trough of a wave lies
/// 0.95 spreads below its middle (median absolute deviation, scaled to a normal's).
const SWINGS: f64 = 1.7;
/// Smaller falls are never told, mmHg (common practice, no source).
const LEAST_FALL_MMHG: f64 = 2.5;

/// The last calm blocks of one channel at its present rates.
#[derive(Debug, Clone, Default)]
pub struct Level {
    /// `(t_s, pressure_mmhg)`.
    last: VecDeque<(f64, f64)>,
    /// Flow of all channels, and of this one, mL/h.
    flows_ml_h: (f64, f64),
    /// The blocks of now, calm or not.
    now: VecDeque<(f64, f64)>,
}

impl Level {
    /// Takes a calm block in.
    pub fn take(&mut self, block: &Block) {
        if !block.settled || !block.own_runs {
            return;
        }
        if !self.same_flows(block) {
            self.last.clear();
            self.flows_ml_h = flows(block);
        }
        push(&mut self.last, block, MOST_BLOCKS, MEMORY_S, LEAST_BLOCKS);
    }

    /// Nothing before counts any more: the pump was moved, or stood still, or got another rate.
    pub fn forget(&mut self) {
        self.last.clear();
        self.now.clear();
    }

    /// How far the channel lies below the level as of a block, over what such a fall must exceed to stand out; 0 where there is
    /// no level. Blocks come in order.
    pub fn fall(&mut self, block: &Block, noise: &Noise) -> f64 {
        if !(block.settled && block.own_runs && self.same_flows(block)) {
            self.now.clear();
            return 0.0;
        }
        push(&mut self.now, block, NOW_BLOCKS, NOW_S, 1);
        let since_s = self.now.front().map_or(block.t_s, |n| n.0);
        let earlier = || self.last.iter().filter(|l| l.0 < since_s);
        let (Some(first), Some(last)) = (earlier().next(), earlier().next_back()) else {
            return 0.0;
        };
        if earlier().count() < LEAST_BLOCKS || last.0 - first.0 < LEAST_S {
            return 0.0;
        }
        let mut before: Vec<f64> = earlier().map(|l| l.1).collect();
        let mut now: Vec<f64> = self.now.iter().map(|n| n.1).collect();
        let (Some(level), Some(now)) = (robust::median(&mut before), robust::median(&mut now))
        else {
            return 0.0;
        };
        let n = self.now.len() as f64;
        let quick = noise.block_mmhg * (MEDIAN_WIDER / n.sqrt()).min(1.0);
        let bar = (SPREADS * quick.hypot(noise.slow_mmhg))
            .max(LEAST_FALL_MMHG)
            .max(1.1 * noise.rounding_mmhg)
            .max(SWINGS * robust::mad(&mut before).unwrap_or(0.0));
        (level - now) / bar
    }

    fn same_flows(&self, block: &Block) -> bool {
        let (total, own) = flows(block);
        let same = |a: f64, b: f64| (a - b).abs() <= SAME_SHARE * a.max(b);
        same(total, self.flows_ml_h.0) && same(own, self.flows_ml_h.1)
    }
}

/// Adds a block as the last, and drops the first ones: what is over `most`, and what lies further back than `memory_s` as long as
/// `least` stay. A block that is taken in again after a rewinding takes its own place.
fn push(kept: &mut VecDeque<(f64, f64)>, block: &Block, most: usize, memory_s: f64, least: usize) {
    while kept.back().is_some_and(|k| block.t_s <= k.0) {
        kept.pop_back();
    }
    kept.push_back((block.t_s, block.pressure_mmhg));
    let old = |k: &(f64, f64)| k.0 + memory_s < block.t_s;
    while most < kept.len() || least < kept.len() && kept.front().is_some_and(old) {
        kept.pop_front();
    }
}

/// Flow of all channels, and of the block's own, mL/h.
fn flows(block: &Block) -> (f64, f64) {
    (block.total_ml_h(), block.flow_ml_h[block.channel])
}
