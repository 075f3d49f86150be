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
/// Rates that differ by less than this share are the same.
const SAME_SHARE: f64 = 0.02;
/// How many spreads a fall must stand out by.
const SPREADS: f64 = 4.0;
/// Smaller falls are never told, mmHg (common practice, no source).
const LEAST_FALL_MMHG: f64 = 2.5;

/// The last calm blocks of one channel at its present rates.
#[derive(Debug, Clone, Default)]
pub struct Level {
    /// `(t_s, pressure_mmhg)`.
    last: VecDeque<(f64, f64)>,
    /// Flow of all channels, and of this one, mL/h.
    flows_ml_h: (f64, f64),
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
        // A block that is taken in again after a rewinding takes its own place.
        while self.last.back().is_some_and(|l| block.t_s <= l.0) {
            self.last.pop_back();
        }
        self.last.push_back((block.t_s, block.pressure_mmhg));
        while MOST_BLOCKS < self.last.len()
            || self
                .last
                .front()
                .is_some_and(|f| f.0 + MEMORY_S < block.t_s && LEAST_BLOCKS < self.last.len())
        {
            self.last.pop_front();
        }
    }

    /// Nothing before counts any more: the pump was moved, or stood still, or got another rate.
    pub fn forget(&mut self) {
        self.last.clear();
    }

    /// How far a block lies below the level, over what such a fall must exceed to stand out; 0 where there is no level.
    pub fn fall(&self, block: &Block, noise: &Noise) -> f64 {
        let earlier = || self.last.iter().filter(|l| l.0 < block.t_s);
        let (Some(first), Some(last)) = (earlier().next(), earlier().next_back()) else {
            return 0.0;
        };
        let counts = block.settled
            && block.own_runs
            && self.same_flows(block)
            && LEAST_BLOCKS <= earlier().count()
            && LEAST_S <= last.0 - first.0;
        if !counts {
            return 0.0;
        }
        let mut pressures: Vec<f64> = earlier().map(|l| l.1).collect();
        let Some(level) = robust::median(&mut pressures) else {
            return 0.0;
        };
        let spread = noise.block_mmhg.hypot(noise.slow_mmhg);
        let bar = (SPREADS * spread)
            .max(LEAST_FALL_MMHG)
            .max(1.1 * noise.rounding_mmhg);
        (level - block.pressure_mmhg) / bar
    }

    fn same_flows(&self, block: &Block) -> bool {
        let (total, own) = flows(block);
        let same = |a: f64, b: f64| (a - b).abs() <= SAME_SHARE * a.max(b);
        same(total, self.flows_ml_h.0) && same(own, self.flows_ml_h.1)
    }
}

/// Flow of all channels, and of the block's own, mL/h.
fn flows(block: &Block) -> (f64, f64) {
    (block.total_ml_h(), block.flow_ml_h[block.channel])
}
