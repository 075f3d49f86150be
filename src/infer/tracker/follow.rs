//! Follows what stands out to its end.
//!
//! In: the tracker at an excursion's beginning. Out: the excursion with its bouts; and how long a line takes to show that it is open.

use super::{Next, Tracker};
use crate::infer::blocks::Block;
use crate::infer::excursion::{Excursion, mark, stands_out};

/// A bout is on from this share of the excursion's greatest deviation, and over below [`LOW_SHARE`] of it.
const HIGH_SHARE: f64 = 0.5;
/// See [`HIGH_SHARE`].
const LOW_SHARE: f64 = 0.25;
/// An excursion is over after so long at the baseline while the line runs, seconds.
const CALM_S: f64 = 240.0;
/// A fall that lasts so long before the same channel climbs is no part of that climb, seconds.
const TURNED_S: f64 = 900.0;
/// See [`Tracker::calm_enough_s`].
const MOST_CALM_S: f64 = 1800.0;

impl Tracker {
    /// Follows an excursion to its end. While the line is paused nothing can be said against it: a partly
    /// blocked line falls to the outlet pressure like an open one.
    pub(super) fn follow(&mut self, first: usize, seen: usize) -> Excursion {
        let n = self.noise.len();
        let mut excursion = Excursion {
            start_s: self.blocks[first].t_s,
            seen_s: self.blocks[seen].last_s,
            end_s: None,
            bouts: vec![(self.blocks[first].t_s, self.blocks[seen].last_s)],
            up: vec![false; n],
            down: vec![false; n],
        };
        for j in first..=seen {
            mark(&mut excursion, &self.blocks[j]);
        }
        let mut back: Vec<usize> = Vec::new();
        let mut risen: Vec<usize> = Vec::new(); // blocks that climbed out of a fall
        let mut calm_since: Option<f64> = None;
        let mut calm_running: Vec<f64> = Vec::new(); // moments of calm blocks while the line ran
        while let Some(next) = self.judge_next(&mut back) {
            let i = match next {
                Next::At(i) => i,
                Next::Back => continue,
                Next::Restored => {
                    excursion.end_s = self.restored_s;
                    excursion.bouts = self.bouts(&excursion);
                    return excursion;
                }
            };
            let block = &self.blocks[i];
            // What fell by itself and then climbs far above is two things: a supply that ran dry, and then a block.
            let c = block.channel;
            let turned = excursion.down[c] && excursion.up.iter().all(|&u| !u);
            if turned && stands_out(block) == 1 && excursion.start_s + TURNED_S < block.t_s {
                risen.push(i);
                if self.enough(&risen) {
                    let turned_s = self.blocks[risen[0]].t_s;
                    excursion.end_s = Some(turned_s);
                    excursion.bouts = self.bouts(&excursion);
                    self.rewind_to(turned_s);
                    return excursion;
                }
                continue;
            }
            if stands_out(block) != 0 {
                mark(&mut excursion, block);
                calm_since = None;
                calm_running.clear();
                continue;
            }
            let later = self.blocks[seen].t_s < block.t_s;
            if later && block.deviation_mmhg.abs() < 0.6 * block.bar_mmhg {
                calm_since.get_or_insert(block.t_s);
                if block.runs && block.settled {
                    calm_running.push(block.t_s);
                }
            }
            let calm_s = calm_running.first().map_or(0.0, |t| block.t_s - t);
            if 3 * n <= calm_running.len() && self.calm_enough_s(block) <= calm_s {
                excursion.end_s = calm_since;
                excursion.bouts = self.bouts(&excursion);
                self.rewind_to(calm_since.unwrap_or(self.blocks[i].t_s));
                return excursion;
            }
        }
        if n <= calm_running.len() {
            excursion.end_s = calm_since;
        }
        excursion.bouts = self.bouts(&excursion);
        excursion
    }

    /// The stretches of an excursion in which it stood high: several where it came and went while the line ran. While
    /// the line is paused nothing can be said against it.
    pub fn bouts(&self, excursion: &Excursion) -> Vec<(f64, f64)> {
        let until_s = excursion.end_s.unwrap_or(f64::INFINITY);
        let inside: Vec<&Block> = self
            .since(excursion.start_s)
            .iter()
            .take_while(|b| b.t_s <= until_s)
            .filter(|b| b.bar_mmhg.is_finite())
            .collect();
        // The channel that moved most shows it best.
        let (mut height, mut most) = (0.0, inside.first().map_or(0, |b| b.channel));
        for block in &inside {
            if height < block.deviation_mmhg.abs() {
                (height, most) = (block.deviation_mmhg.abs(), block.channel);
            }
        }
        let mut bouts = vec![(excursion.start_s, excursion.start_s)];
        let mut on = true;
        for block in inside.into_iter().filter(|b| b.channel == most) {
            let out = block.deviation_mmhg.abs();
            if HIGH_SHARE * height <= out {
                match bouts.last_mut() {
                    Some(last) if on => last.1 = block.last_s,
                    _ => bouts.push((block.t_s, block.last_s)),
                }
                on = true;
            } else if out <= LOW_SHARE * height
                && block.own_runs
                && block.settled
                && bouts.last().is_some_and(|b| b.0 < b.1)
            {
                on = false;
            }
        }
        bouts
    }

    /// How long a line that is still hindered by so much, mmHg·h/mL, takes to climb to most of what it stood at, once
    /// relieved and started again, seconds: one and a half of its time constant.
    pub fn climb_s(&self, excess: f64) -> f64 {
        (60.0 + 1.5 * self.fills_s(excess)).min(MOST_CALM_S)
    }

    /// How long the flow alone takes to fill the line's stores up to what so much excess, mmHg·h/mL, makes it stand at, seconds:
    /// the time constant.
    pub fn fills_s(&self, excess: f64) -> f64 {
        3600.0 * excess.max(0.0) * self.store_ml_per_mmhg
    }

    /// How long a running line must stay calm to say that it is open, seconds: a blocked one, relieved of its pressure
    /// and started again, climbs through calm pressures too, but no slower than its stores take up the flow.
    pub fn calm_enough_s(&self, block: &Block) -> f64 {
        let flow = block.total_ml_h();
        let climb_s = 3600.0 * block.bar_mmhg * self.store_ml_per_mmhg / flow.max(0.05);
        (60.0 + 2.5 * climb_s).clamp(CALM_S, MOST_CALM_S)
    }
}
