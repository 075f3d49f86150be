//! What the baseline expects of a block, and what must be exceeded to stand out from that.
//!
//! In: the tracker as of a block. Out: the block's deviation and its bar: by what is known of the baseline, by what the other channels
//! show at the same moment, and of a line at rest by what it needed to run.

use super::{LASTED_S, Tracker};
use crate::infer::baseline::Baseline;
use crate::infer::blocks::Block;

/// Zero drift that a sensor may show, mmHg per hour (5 mmHg a day: common practice, no source).
const DRIFT_MMHG_PER_H: f64 = 5.0 / 24.0;
/// Deviations smaller than this are never an excursion, mmHg (common practice, no source).
const LEAST_DEVIATION_MMHG: f64 = 3.0;
/// A resistance that stands at 1.35 times its baseline is looked at; an onset is at 1.5 times.
const LEAST_SHARE: f64 = 0.35;
/// What sets one channel apart from the others is never smaller than this, mmHg (common practice, no source: a hand's breadth of height).
const LEAST_APART_MMHG: f64 = 8.0;
/// Readings further apart than this are not of one moment, seconds.
const APART_S: f64 = 150.0;
/// And the difference of two that are rounded is known to so many steps.
const ROUNDINGS_APART: f64 = 1.6;
/// How many spreads a deviation must stand out by.
const SPREADS: f64 = 3.5;
/// One reading of a slow log stands out from this on where the line is at rest, mmHg: no cough and no hand on the line is so high
/// (our judgement).
const LONE_MMHG: f64 = 100.0;

impl Tracker {
    /// Holds a block against the baseline as of now: its deviation, its bar, and how far it fell.
    pub(super) fn judge(&mut self, i: usize) {
        let block = &self.blocks[i];
        let x = Baseline::regressors(block.channel, &block.flow_ml_h);
        let expected = self.expected_mmhg(block);
        let noise = self.noise[block.channel];
        let noise = noise.block_mmhg.hypot(noise.slow_mmhg);
        let drift = self.drift_mmhg(block);
        let spread =
            (x.dot(&(&self.baseline.covariance * &x)) + noise * noise + drift * drift).sqrt();
        let drop = self.baseline.shared() * block.total_ml_h();
        let mut bar = (SPREADS * spread)
            .max(LEAST_DEVIATION_MMHG)
            .max(LEAST_SHARE * drop)
            .max(1.1 * self.noise[block.channel].rounding_mmhg);
        if !block.settled {
            bar = bar.max(0.8 * drop) + 5.0;
        }
        let deviation = block.pressure_mmhg - expected;
        let level = &mut self.levels[block.channel];
        if !block.settled {
            level.forget();
        }
        let fall = level.fall(block, &self.noise[block.channel]);
        let block = &mut self.blocks[i];
        block.fall = fall;
        block.deviation_mmhg = deviation;
        block.bar_mmhg = bar;
        let lower = [self.held_bar_mmhg(&self.blocks[i]), self.apart_bar_mmhg(i)];
        let block = &mut self.blocks[i];
        block.bar_mmhg = lower.into_iter().flatten().fold(bar, f64::min);
    }

    /// What the deviation of a running channel that does not stand out by itself exceeds, mmHg, where it stands out from all others that
    /// run: what a line shares moves them together, however high it stands. `None` where it does not.
    fn apart_bar_mmhg(&self, i: usize) -> Option<f64> {
        let block = &self.blocks[i];
        let moved =
            LEAST_APART_MMHG < block.deviation_mmhg && block.deviation_mmhg <= block.bar_mmhg;
        let runs = |b: &&Block| b.own_runs && b.settled && block.t_s - b.t_s <= APART_S;
        if !moved || !runs(&block) {
            return None;
        }
        let x = Baseline::regressors(block.channel, &block.flow_ml_h);
        let before = self.blocks[..i].iter().rev().take(3 * self.noise.len());
        let others = before.filter(|b| b.channel != block.channel).filter(runs);
        let bar = others
            .map(|other| {
                let apart = &x - Baseline::regressors(other.channel, &other.flow_ml_h);
                let known = apart.dot(&(&self.baseline.covariance * &apart)).max(0.0);
                let [own, others] = [block, other].map(|b| self.noise[b.channel]);
                let noise = own.block_mmhg.hypot(own.slow_mmhg);
                let noise = noise.hypot(others.block_mmhg).hypot(others.slow_mmhg);
                let spread = known.sqrt().hypot(noise).hypot(self.drift_mmhg(block));
                let rounding = own.rounding_mmhg.max(others.rounding_mmhg);
                let bar = (SPREADS * spread).max(ROUNDINGS_APART * rounding);
                other.deviation_mmhg + bar.max(LEAST_APART_MMHG)
            })
            .reduce(f64::max)?
            .max(LEAST_APART_MMHG);
        (bar < block.deviation_mmhg).then_some(bar)
    }

    /// How far a zero may have drifted since the baseline was first known, mmHg.
    fn drift_mmhg(&self, block: &Block) -> f64 {
        let since_h = self.anchored_s.map_or(0.0, |a| (block.t_s - a) / 3600.0);
        (DRIFT_MMHG_PER_H * since_h).min(5.0) * 0.5
    }

    /// How far the pressure at which a line last ran undisturbed lies above what is expected of it at rest, mmHg.
    pub(super) fn ran_above_mmhg(&self, block: &Block) -> Option<f64> {
        let ran = &self.blocks[self.ran[block.channel]?];
        Some(ran.pressure_mmhg - (block.pressure_mmhg - block.deviation_mmhg))
    }

    /// What the deviation of a line at rest that stands higher than it needed to run must exceed, mmHg: an open line does not, however
    /// little is known of how its pressure is shared between outlet and resistance.
    fn held_bar_mmhg(&self, block: &Block) -> Option<f64> {
        let ran = &self.blocks[self.ran[block.channel]?];
        let rests = !block.runs && ran.bar_mmhg.is_finite();
        rests.then_some(self.ran_above_mmhg(block)?.max(0.0) + ran.bar_mmhg)
    }

    /// Whether a line at rest stands higher than it ever needed to run: only a line that is shut holds that. A pump that stopped at its
    /// limit a minute after the line was shut has shown it by nothing else.
    pub fn is_held(&self, block: &Block) -> bool {
        self.held_bar_mmhg(block)
            .is_some_and(|bar| bar < block.deviation_mmhg)
    }

    /// Whether one reading of a slow log is enough: a line at rest that stands so high is shut, and the next reading is minutes away.
    pub(super) fn shuts_alone(&self, i: usize) -> bool {
        let block = &self.blocks[i];
        let high = block.bar_mmhg + LONE_MMHG <= block.deviation_mmhg;
        if block.own_runs || !high || !block.runs && !self.is_held(block) {
            return false;
        }
        let mut before = self.blocks[..i].iter().rev();
        let before = before.find(|b| b.channel == block.channel);
        before.is_some_and(|b| LASTED_S <= block.t_s - b.t_s)
    }
}
