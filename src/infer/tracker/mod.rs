//! Follows a line through its record: what pressure an unhindered line would show, and where the record leaves it.
//!
//! In: the record and what the pumps did, boiled down to [`Block`]s. Out: the running estimate of outlet pressure and resistances ([`Baseline`]), and each stretch in which the
//! pressure was not what the baseline expects ([`Excursion`]). Strictly causal: a block is judged by what lies
//! before it, so an excursion's `seen_s` is when the record read only up to then already showed it.
//!
//! The estimate is recursive least squares (a Kalman filter with a state that stands still; Simon, Optimal
//! State Estimation, 2006, chapter 3) on `P_i = P_out + R_i Q_i + R_s ΣQ`, with flows that lag as the line's
//! compliance makes the pressure lag. It does not adapt quickly on purpose: one that did would swallow the
//! very rise it is there to find.

mod bars;
mod follow;

use crate::infer::baseline::{Baseline, PartsPrior};
use crate::infer::blocks::{BLOCK_S, Block, Noise, blocks_of, noise_of};
use crate::infer::excursion::{Excursion, stands_out};
use crate::infer::inset;
use crate::infer::level::Level;
use crate::infer::regimes::Doings;
use crate::record::Record;
use crate::time::Span;
use nalgebra::{DMatrix, DVector};

/// What stands out by two readings does so for this long at least, seconds.
const LASTED_S: f64 = 75.0;
/// A baseline with an obstruction that stays is learnt from so long before, seconds.
const RESTED_S: f64 = 3600.0;
/// The record's first stretch, which is taken for the baseline whatever it is, seconds, and in blocks.
const FIRST_S: f64 = 600.0;
const FIRST_BLOCKS: u32 = 4;
/// [`FIRST_BLOCKS`] of a log so slow that they would take longer than this are fewer, seconds.
const FIRST_OF_SLOW_S: f64 = 3600.0;
/// The record's first hours make the baseline, hours.
const ANCHOR_H: f64 = 3.0;
/// Once they have, what lies higher than this share of its bar teaches nothing: a slow climb would take the baseline along, and
/// never stand out (our judgement).
const TEACHES_SHARE: f64 = 0.5;
/// Time over which what was learnt fades, hours.
const MEMORY_H: f64 = 36.0;

/// The tracker's state between calls.
#[derive(Debug, Clone)]
pub struct Tracker {
    /// All blocks of all channels, in order of time.
    pub blocks: Vec<Block>,
    /// Noise of each channel.
    pub noise: Vec<Noise>,
    /// The baseline as of now.
    pub baseline: Baseline,
    /// A known shift of each channel's pressure, mmHg: pumps that were raised or lowered.
    pub offset_mmhg: Vec<f64>,
    /// The baseline before an obstruction that stayed and is now taken for the line as it is.
    resting: Option<Baseline>,
    /// When the line was back at it, seconds; taken by whoever follows the episodes.
    pub restored_s: Option<f64>,
    /// What all that gives way above a block in the line takes up, mL/mmHg.
    store_ml_per_mmhg: f64,
    /// When the baseline was first known, seconds from the record's start.
    anchored_s: Option<f64>,
    next: usize,
    /// The level of the minutes before, per channel.
    levels: Vec<Level>,
    last_learnt_s: f64,
    /// The last running block that was learnt from, per channel.
    ran: Vec<Option<usize>>,
    /// Blocks learnt from, per channel.
    learnt: Vec<u32>,
    /// What was known before the record.
    before_mean: DVector<f64>,
    before_precision: DMatrix<f64>,
}

/// What the next block is.
enum Next {
    /// One to go on with, by its index.
    At(usize),
    /// One that is back at the resting baseline.
    Back,
    /// The one that says that the line is back at it, which is restored.
    Restored,
}

impl Tracker {
    /// Boils the record down to blocks.
    pub fn new(record: &Record, doings: &Doings, prior: &PartsPrior, lag_h: f64) -> Self {
        let n = record.channels.len();
        let mut blocks = Vec::new();
        let mut noise = Vec::with_capacity(n);
        for c in 0..n {
            let own = blocks_of(record, doings, c, lag_h);
            noise.push(noise_of(record, c, &own));
            blocks.extend(own);
        }
        blocks.sort_by(|a: &Block, b: &Block| {
            a.t_s.total_cmp(&b.t_s).then(a.channel.cmp(&b.channel))
        });
        let baseline = Baseline::before(prior);
        let before_precision = baseline
            .covariance
            .clone()
            .cholesky()
            .map_or_else(|| DMatrix::zeros(2 * n + 1, 2 * n + 1), |c| c.inverse());
        let before_mean = baseline.mean.clone();
        let last_learnt_s = blocks.first().map_or(0.0, |b| b.t_s);
        Self {
            blocks,
            noise,
            baseline,
            offset_mmhg: vec![0.0; n],
            resting: None,
            restored_s: None,
            store_ml_per_mmhg: prior.own_ml_per_mmhg.iter().map(|c| c.0).sum::<f64>()
                + prior.filter_ml_per_mmhg
                + prior.tail_ml_per_mmhg,
            anchored_s: None,
            next: 0,
            levels: vec![Level::default(); n],
            last_learnt_s,
            ran: vec![None; n],
            learnt: vec![0; n],
            before_mean,
            before_precision,
        }
    }

    /// Goes on until an excursion is over or the record ends; `None` where there is no further one.
    pub fn next_excursion(&mut self) -> Option<Excursion> {
        let n = self.noise.len();
        let mut hot: Vec<Vec<usize>> = vec![Vec::new(); n]; // blocks that stand out in a row, per channel
        let mut back: Vec<usize> = Vec::new(); // blocks in a row that are back at the resting baseline
        while let Some(next) = self.judge_next(&mut back) {
            let i = match next {
                Next::At(i) => i,
                Next::Back => continue,
                Next::Restored => {
                    hot.iter_mut().for_each(Vec::clear);
                    continue;
                }
            };
            let block = &self.blocks[i];
            let c = block.channel;
            // The first readings are the baseline: a line file that is wrong is no obstruction.
            let since_s = block.t_s - self.blocks[0].t_s;
            let few = self.learnt[c] < FIRST_BLOCKS && since_s <= FIRST_OF_SLOW_S;
            let first = since_s <= FIRST_S || few;
            if stands_out(block) != 0 && !block.runs && !first && !self.is_held(block) {
                self.rested(i);
            } else if stands_out(block) != 0 && !first {
                if hot[c]
                    .last()
                    .is_some_and(|&j| stands_out(&self.blocks[j]) != stands_out(block))
                {
                    hot[c].clear();
                }
                hot[c].push(i);
                if self.enough(&hot[c]) || self.shuts_alone(i) {
                    let first = hot[c][0];
                    return Some(self.follow(first, i));
                }
            } else {
                hot[c].clear();
                if self.teaches(i) {
                    self.learn(i);
                }
            }
        }
        None
    }

    /// Judges the next block; `None` at the record's end. `back`: the blocks in a row before it that are back at the resting baseline,
    /// which is restored once they are enough.
    fn judge_next(&mut self, back: &mut Vec<usize>) -> Option<Next> {
        let i = self.next;
        if self.blocks.len() <= i {
            return None;
        }
        self.next += 1;
        self.judge(i);
        if !self.is_back(i) {
            back.clear();
            return Some(Next::At(i));
        }
        back.push(i);
        if !self.enough(back) {
            return Some(Next::Back);
        }
        self.restore(back[0]);
        back.clear();
        Some(Next::Restored)
    }

    /// The blocks from a moment on, seconds.
    pub fn since(&self, t_s: f64) -> &[Block] {
        &self.blocks[self.blocks.partition_point(|b| b.t_s < t_s)..]
    }

    /// Goes back to a moment, so that what came after is judged anew (after a shift was taken in).
    pub fn rewind_to(&mut self, t_s: f64) {
        self.next = self.blocks.partition_point(|b| b.t_s < t_s);
    }

    /// As it stands, to look back with: without the blocks of some stretches.
    pub fn without(&self, stretches: &[Span]) -> Self {
        let mut rest = self.clone();
        rest.blocks.retain(|b| !inset::hold(stretches, b.t_s));
        rest.ran.fill(None);
        rest
    }

    /// Gives a part of the baseline its uncertainty back: the part was replaced.
    pub fn loosen_shared(&mut self, sd: f64) {
        let i = self.noise.len();
        self.baseline.covariance[(i, i)] += sd * sd;
    }

    /// An obstruction stays while something else begins: from a moment on, the line as it is with it is the baseline,
    /// learnt from the hour before. The old one is kept for when the line is open again.
    pub fn rest(&mut self, excursion: &Excursion, at_s: f64) {
        let n = self.noise.len();
        self.resting.get_or_insert_with(|| self.baseline.clone());
        for i in n..=2 * n {
            let sd = 2.0 * self.baseline.mean[i].abs().max(0.1);
            self.baseline.covariance[(i, i)] += sd * sd;
        }
        let from_s = excursion.start_s.max(at_s - RESTED_S);
        let range = self.blocks.partition_point(|b| b.t_s < from_s)
            ..self.blocks.partition_point(|b| b.last_s <= at_s);
        for i in range.clone() {
            self.judge(i);
            self.learn(i);
        }
        // What looks back sees them as they are with it.
        let levels = self.levels.clone();
        range.for_each(|i| self.judge(i));
        self.levels = levels;
        self.rewind_to(at_s);
    }

    /// Whether a block that stands out below is what the resting baseline expects.
    fn is_back(&self, i: usize) -> bool {
        let block = &self.blocks[i];
        let Some(resting) = self.resting.as_ref().filter(|_| stands_out(block) < 0) else {
            return false;
        };
        let expected = resting.expected_mmhg(block) + self.offset_mmhg[block.channel];
        (block.pressure_mmhg - expected).abs() < block.bar_mmhg
    }

    fn restore(&mut self, first: usize) {
        if let Some(baseline) = self.resting.take() {
            self.baseline = baseline;
            let t_s = self.blocks[first].t_s;
            self.restored_s = Some(t_s);
            self.rewind_to(t_s);
        }
    }

    /// Takes what an excursion showed into the baseline: it was no obstruction.
    pub fn absorb(&mut self, excursion: &Excursion) {
        let until_s = excursion.end_s.unwrap_or(excursion.seen_s + 60.0);
        self.baseline.loosen_outlets(4.0);
        let range = self.blocks.partition_point(|b| b.t_s < excursion.start_s)
            ..self.blocks.partition_point(|b| b.t_s < until_s);
        for i in range {
            self.judge(i);
            self.learn(i);
        }
        self.rewind_to(until_s);
    }

    /// A pump (or all, `None`) was raised or lowered: its readings shift from now on.
    pub fn shift(&mut self, channel: Option<usize>, by_mmhg: f64) {
        for (c, offset) in self.offset_mmhg.iter_mut().enumerate() {
            if channel.is_none_or(|only| only == c) {
                *offset += by_mmhg;
            }
        }
        self.levels.iter_mut().for_each(Level::forget);
        self.baseline.loosen_outlets(1.0);
    }

    fn enough(&self, hot: &[usize]) -> bool {
        let (Some(&first), Some(&last)) = (hot.first(), hot.last()) else {
            return false;
        };
        let lasted_s = self.blocks[last].last_s - self.blocks[first].t_s;
        // Two blocks of a slow log are minutes already; of a fast one, a cough may fill a block or two.
        hot.len() >= 2 && LASTED_S <= lasted_s || hot.len() >= 4
    }

    fn expected_mmhg(&self, block: &Block) -> f64 {
        self.baseline.expected_mmhg(block) + self.offset_mmhg[block.channel]
    }

    /// Pressure above what the baseline as of now expects, for each mL/h, mmHg·h/mL.
    pub fn excess(&self, block: &Block) -> f64 {
        (block.pressure_mmhg - self.expected_mmhg(block)) / block.total_ml_h().max(1e-3)
    }

    /// Whether the baseline, and the level of the minutes before, are learnt from a block that does not stand out: the crest of a
    /// wave is no level either, from which a supply could fall.
    fn teaches(&self, i: usize) -> bool {
        let block = &self.blocks[i];
        let anchored = self
            .anchored_s
            .is_some_and(|a| 3600.0 * ANCHOR_H <= block.t_s - a);
        !anchored || block.deviation_mmhg <= TEACHES_SHARE * block.bar_mmhg
    }

    fn learn(&mut self, i: usize) {
        let block = &self.blocks[i];
        self.levels[block.channel].take(block);
        if !block.settled {
            return;
        }
        let x = Baseline::regressors(block.channel, &block.flow_ml_h);
        let level = self.noise[block.channel];
        // Ten minutes of a level count as one measurement: neighbours share pulsation, breathing and rounding. What
        // comes hours later says less about the baseline: by then something may have begun to grow.
        let least_s = if level.charted { 600.0 } else { BLOCK_S };
        let period_s = (2.0 * (block.last_s - block.t_s)).max(least_s);
        let since_h = self.anchored_s.map_or(0.0, |a| (block.t_s - a) / 3600.0);
        let late = (1.0 + (since_h / ANCHOR_H).powi(2)).min(20.0);
        let drop = self.baseline.shared() * block.total_ml_h();
        let variance = (level.block_mmhg.powi(2)
            + level.slow_mmhg.powi(2)
            + (0.3 * level.rounding_mmhg).powi(2)
            + (0.03 * drop).powi(2)
            + 0.5)
            * (600.0 / period_s).max(1.0)
            * late;
        let faded = ((block.t_s - self.last_learnt_s).max(0.0) / 3600.0 / MEMORY_H).min(1.0);
        self.last_learnt_s = self.last_learnt_s.max(block.t_s);
        self.fade(faded);
        let block = &self.blocks[i];
        let expected = self.expected_mmhg(block);
        let gain_side = &self.baseline.covariance * &x;
        let gain = &gain_side / (x.dot(&gain_side) + variance);
        self.baseline.mean += &gain * (block.pressure_mmhg - expected);
        let covariance = &self.baseline.covariance - &gain * gain_side.transpose();
        self.baseline.covariance = 0.5 * (&covariance + covariance.transpose());
        self.anchored_s.get_or_insert(block.t_s);
        let c = block.channel;
        if block.runs {
            self.ran[c] = Some(i);
        }
        self.learnt[c] += 1;
    }

    /// A line at rest whose pressure is not what was expected: nothing flows, so nothing hinders the flow. Where it has fallen, it shows the
    /// outlet pressure, which at one rate is known together with the resistance only: it is learnt, and what the running line shows
    /// stays as it is. What stands as high as before is held by a line that is shut; the restart will tell.
    fn rested(&mut self, i: usize) {
        let block = &self.blocks[i];
        let deviation = block.deviation_mmhg;
        let above_mmhg = self.ran_above_mmhg(block).unwrap_or(f64::INFINITY);
        if !block.settled || 0.5 * above_mmhg < deviation {
            return;
        }
        let ran = self.ran[block.channel].map(|j| &self.blocks[j]);
        if let Some(ran) = ran {
            let flow_ml_h = ran.total_ml_h();
            self.baseline.loosen_split(deviation, flow_ml_h);
        }
        self.learn(i);
    }

    /// Forgets a share of what was learnt, back towards what was known before the record: without that pull, a line
    /// that runs at one rate lets outlet pressure and resistance wander off together.
    fn fade(&mut self, share: f64) {
        let Some(learnt) = self.baseline.covariance.clone().cholesky() else {
            return;
        };
        let learnt = learnt.inverse();
        let mixed = &learnt * (1.0 - share) + &self.before_precision * share;
        let side = &learnt * &self.baseline.mean * (1.0 - share)
            + &self.before_precision * &self.before_mean * share;
        if let Some(cholesky) = mixed.cholesky() {
            self.baseline.mean = cholesky.solve(&side);
            self.baseline.covariance = cholesky.inverse();
        }
    }
}
