//! A catheter whose tip or kink comes and goes with movement: the resistance alternates between two levels.

use super::step::{LOG_BLOCK_SD, likely_block};
use super::{Course, Explanation, Setting};
use crate::infer::fit::Prior;
use crate::infer::review::Cause;
use crate::infer::window::Window;

/// The shared resistance is high within each bout and at its baseline between.
pub struct Positional {
    bouts: Vec<(f64, f64)>,
    log_new: f64,
    shared_ml_per_mmhg: f64,
}

impl Positional {
    /// `None` with fewer than two bouts.
    pub fn new(setting: &Setting, bouts: &[(f64, f64)]) -> Option<Self> {
        (2 <= bouts.len()).then(|| Self {
            bouts: refined(setting.window, bouts),
            log_new: likely_block(setting).ln() - 1.0,
            shared_ml_per_mmhg: setting.shared_ml_per_mmhg[1],
        })
    }
}

/// A bout's edges lie no further than this from where the blocks of the tracker have them, seconds.
const OFF_S: f64 = 90.0;
/// A bout sets in where the pressure leaves the lowest share of its rise, and ends where it leaves the highest.
const EDGE_SHARE: f64 = 0.08;

/// The bouts with their edges where the readings have them: the pressure climbs from the one to the other.
fn refined(window: &Window, bouts: &[(f64, f64)]) -> Vec<(f64, f64)> {
    let seen = widest(window);
    let mut from_s = f64::NEG_INFINITY;
    let mut all = Vec::new();
    for (i, &(start_s, end_s)) in bouts.iter().enumerate() {
        let next_s = bouts.get(i + 1).map_or(f64::INFINITY, |b| b.0);
        let to_s = (end_s + OFF_S).min(0.5 * (end_s + next_s));
        let first = seen.partition_point(|r| r.0 < from_s.max(start_s - OFF_S));
        let last = seen.partition_point(|r| r.0 <= to_s);
        let bout = edges(&seen[first..last.max(first)]).unwrap_or((start_s, end_s));
        from_s = bout.1;
        all.push(bout);
    }
    all
}

/// Where a climb among readings sets in and where it ends, seconds; `None` where too few readings show it.
fn edges(readings: &[(f64, f64)]) -> Option<(f64, f64)> {
    let peak = (0..readings.len()).max_by(|&a, &b| readings[a].1.total_cmp(&readings[b].1))?;
    let low = (0..peak).min_by(|&a, &b| readings[a].1.total_cmp(&readings[b].1))?;
    let (bottom, rise) = (readings[low].1, readings[peak].1 - readings[low].1);
    let start = (low..peak).rfind(|&i| readings[i].1 <= bottom + EDGE_SHARE * rise)?;
    let end = (peak..readings.len())
        .take_while(|&i| bottom + (1.0 - EDGE_SHARE) * rise <= readings[i].1)
        .last()?;
    (start + 2 <= end).then(|| (readings[start].0, readings[end].0))
}

/// The readings, seconds and mmHg, of the channel whose readings reach furthest.
fn widest(window: &Window) -> Vec<(f64, f64)> {
    let of = |c: usize| -> Vec<(f64, f64)> {
        let all = window.seen.iter().zip(&window.observations);
        all.filter(|(seen, _)| seen.channel == c)
            .map(|(seen, o)| (window.knot_s[seen.knot], o.value))
            .collect()
    };
    let range = |readings: &[(f64, f64)]| {
        let values = || readings.iter().map(|r| r.1);
        values().fold(f64::NEG_INFINITY, f64::max) - values().fold(f64::INFINITY, f64::min)
    };
    (0..window.channels)
        .map(of)
        .max_by(|a, b| range(a).total_cmp(&range(b)))
        .unwrap_or_default()
}

impl Explanation for Positional {
    fn cause(&self) -> Cause {
        Cause::CatheterPositional
    }

    fn priors(&self) -> Vec<Prior> {
        // The log of the added resistance, and how much earlier than seen each bout began, hours.
        vec![
            Prior {
                mean: self.log_new,
                sd: LOG_BLOCK_SD,
            },
            Prior {
                mean: 0.01,
                sd: 0.02,
            },
        ]
    }

    fn starts(&self) -> Vec<Vec<f64>> {
        vec![
            vec![self.log_new + 1.5, 0.005],
            vec![self.log_new - 1.0, 0.005],
            vec![self.log_new - 3.0, 0.005],
        ]
    }

    fn breaks(&self, own: &[f64]) -> Vec<f64> {
        self.bouts
            .iter()
            .flat_map(|b| [b.0 - own[1] * 3600.0, b.1])
            .collect()
    }

    fn shape(&self, own: &[f64], course: &mut Course) {
        course.fill_below_join(self.shared_ml_per_mmhg);
        for (t, r) in course
            .middle_s
            .iter()
            .zip(&mut course.drive.shared_mmhg_h_per_ml)
        {
            if self
                .bouts
                .iter()
                .any(|b| b.0 - own[1] * 3600.0 <= *t && *t < b.1)
            {
                *r += own[0].exp();
            }
        }
    }

    fn spread_factor(&self, _channel: usize, t_s: f64) -> f64 {
        // The edges of a bout are known to a block or so: what lies right at one is not held against it.
        let near = self
            .bouts
            .iter()
            .any(|b| (b.0 - t_s).abs() < 45.0 || (b.1 - t_s).abs() < 45.0);
        if near { 3.0 } else { 1.0 }
    }

    fn onset_s(&self, own: &[f64], _ratio: f64) -> Option<f64> {
        self.bouts.first().map(|b| b.0 - own[1] * 3600.0)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_bout_goes_from_the_last_low_reading_to_the_last_high_one() {
        // Ten seconds apart: low, a climb of 60 mmHg over 30 s, a fall.
        let mmhg = [20.0, 21.0, 20.0, 40.0, 60.0, 80.0, 78.0, 45.0, 28.0, 22.0];
        let at = |(i, p): (usize, &f64)| (10.0 * i as f64, *p);
        let readings: Vec<(f64, f64)> = mmhg.iter().enumerate().map(at).collect();
        assert_eq!(edges(&readings), Some((20.0, 60.0)));
    }

    #[test]
    fn two_readings_show_no_climb() {
        assert_eq!(edges(&[(0.0, 20.0), (10.0, 80.0)]), None);
        assert_eq!(edges(&[]), None);
    }
}
