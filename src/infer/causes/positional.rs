//! A catheter whose tip or kink comes and goes with movement: the resistance alternates between two levels.

use super::step::{LOG_BLOCK_SD, likely_block};
use super::{Course, Explanation, Setting};
use crate::infer::fit::Prior;
use crate::infer::review::Cause;

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
            bouts: bouts.to_vec(),
            log_new: likely_block(setting).ln() - 1.0,
            shared_ml_per_mmhg: setting.shared_ml_per_mmhg[1],
        })
    }
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
        let share = course.drive.shared_ml_per_mmhg;
        course.drive.shared_ml_per_mmhg = share.max(self.shared_ml_per_mmhg);
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
