//! A stretch in which the pressure was not what the baseline expects, and what may be done with it: cut, put together.
//!
//! In: the tracker's blocks, each with its deviation. Out: [`Excursion`]s.

use super::blocks::Block;

/// A stretch in which the pressure was not what the baseline expects.
#[derive(Debug, Clone)]
pub struct Excursion {
    /// First block that stood out, seconds from the record's start.
    pub start_s: f64,
    /// When enough blocks stood out to say so.
    pub seen_s: f64,
    /// First moment back at the baseline; `None` where the record ends first.
    pub end_s: Option<f64>,
    /// The stretches within in which a channel stood out while it ran, for "came and went".
    pub bouts: Vec<(f64, f64)>,
    /// Channels that stood out above (+) or below (−).
    pub up: Vec<bool>,
    /// Channels that stood out below.
    pub down: Vec<bool>,
}

impl Excursion {
    /// Whether a channel stood out, above or below.
    pub fn moved(&self, channel: usize) -> bool {
        self.up[channel] || self.down[channel]
    }

    /// The excursion as the record read only up to a moment shows it.
    pub fn up_to(&self, t_s: f64, blocks: &[Block]) -> Self {
        let mut cut = Self {
            end_s: None,
            bouts: self
                .bouts
                .iter()
                .filter(|b| b.0 <= t_s)
                .map(|b| (b.0, b.1.min(t_s)))
                .collect(),
            up: vec![false; self.up.len()],
            down: vec![false; self.down.len()],
            ..*self
        };
        let from = blocks.partition_point(|b| b.t_s < self.start_s);
        for block in blocks[from..].iter().take_while(|b| b.last_s <= t_s) {
            mark(&mut cut, block);
        }
        cut
    }
}

/// +1 above, −1 below, 0 not at all. Below counts only where the channel runs: it is the sign of a dry supply.
pub fn stands_out(block: &Block) -> i8 {
    if block.bar_mmhg < block.deviation_mmhg {
        1
    } else if block.own_runs
        && block.settled
        && (block.deviation_mmhg < -block.bar_mmhg || 1.0 < block.fall)
    {
        -1
    } else {
        0
    }
}

/// Notes the channel of a block that stands out.
pub fn mark(excursion: &mut Excursion, block: &Block) {
    match stands_out(block) {
        1 => excursion.up[block.channel] = true,
        -1 => excursion.down[block.channel] = true,
        _ => {}
    }
}

/// The bouts that lie between two moments, cut to them; one over all where none does.
pub fn within(bouts: &[(f64, f64)], from_s: f64, to_s: f64) -> Vec<(f64, f64)> {
    let mut inside: Vec<(f64, f64)> = bouts
        .iter()
        .filter(|b| b.0 < to_s && from_s < b.1)
        .map(|b| (b.0.max(from_s), b.1.min(to_s)))
        .collect();
    if inside.is_empty() {
        inside.push((from_s, to_s.max(from_s)));
    }
    inside
}

/// Several excursions as one with several bouts.
pub fn united(cluster: &[Excursion]) -> Excursion {
    let mut all = cluster[0].clone();
    for next in &cluster[1..] {
        all.end_s = next.end_s;
        all.bouts.extend(next.bouts.iter().copied());
        for c in 0..all.up.len() {
            all.up[c] |= next.up[c];
            all.down[c] |= next.down[c];
        }
    }
    all
}
