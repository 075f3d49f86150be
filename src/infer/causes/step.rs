//! A block below the filter that came at one go: a closed clamp, a kink under the dressing.
//!
//! All that lies below the join takes a new resistance, so all channels climb together at ΣQ/ΣC, and the
//! filter's housing and the tail belong to what is filled.

use super::{Course, Explanation, Setting};
use crate::infer::fit::Prior;
use crate::infer::review::Cause;

/// Spread of the log of a new resistance: from half open to shut.
pub const LOG_BLOCK_SD: f64 = 2.0;

/// So soon after a restart an open line has filled its stores again, hours.
const AFTER_RESTART_H: f64 = 15.0 / 3600.0;

/// The shared resistance steps up.
pub struct SharedStep {
    start_s: f64,
    time_sd_h: f64,
    log_new: f64,
    starts: Vec<Vec<f64>>,
    shared_ml_per_mmhg: f64,
}

impl SharedStep {
    /// A step near the excursion's start.
    pub fn new(setting: &Setting) -> Self {
        Self {
            start_s: setting.start_s,
            time_sd_h: time_sd_h(setting),
            log_new: likely_block(setting).ln(),
            starts: starts(setting, None),
            shared_ml_per_mmhg: setting.shared_ml_per_mmhg[1],
        }
    }
}

/// How far a step may lie from where the deviation began to stand out, hours: the same for every cause that
/// comes at one go, so that none is favoured.
pub fn time_sd_h(setting: &Setting) -> f64 {
    (0.25 * (setting.peak_s - setting.start_s) / 3600.0).clamp(0.1, 2.0)
}

/// A resistance that would be a block in this line: thirty times its baseline, or what brings 100 mmHg.
pub fn likely_block(setting: &Setting) -> f64 {
    (30.0 * setting.baseline.shared()).max(30.0)
}

/// Where the search for a step begins: shortly before the deviation stood out, and where the flow last started before that.
/// A line that is closed while the pump rests climbs from the restart on, long before it stands out above what it
/// was; from a moment after that no search goes back across the restart.
pub fn starts(setting: &Setting, channel: Option<usize>) -> Vec<Vec<f64>> {
    let log_new = likely_block(setting).ln();
    let mut starts = vec![
        vec![-0.01, log_new + 2.0],
        vec![-0.02, log_new - 2.0],
        vec![-0.5 * time_sd_h(setting), log_new],
    ];
    if let Some(stop) = setting.window.stop_before(channel, setting.start_s + 60.0) {
        let at_h = (stop.end_s - setting.start_s) / 3600.0;
        starts.push(vec![at_h, log_new + 2.0]);
        starts.push(vec![at_h + AFTER_RESTART_H, log_new]);
    }
    starts
}

impl Explanation for SharedStep {
    fn cause(&self) -> Cause {
        Cause::CatheterBlocked
    }

    fn priors(&self) -> Vec<Prior> {
        vec![
            Prior {
                mean: 0.0,
                sd: self.time_sd_h,
            },
            Prior {
                mean: self.log_new,
                sd: LOG_BLOCK_SD,
            },
        ]
    }

    fn starts(&self) -> Vec<Vec<f64>> {
        self.starts.clone()
    }

    fn breaks(&self, own: &[f64]) -> Vec<f64> {
        vec![self.start_s + own[0] * 3600.0]
    }

    fn shape(&self, own: &[f64], course: &mut Course) {
        let at_s = self.start_s + own[0] * 3600.0;
        let scale = course.drive.shared_ml_per_mmhg;
        course.drive.shared_ml_per_mmhg = scale.max(self.shared_ml_per_mmhg);
        for (t, r) in course
            .middle_s
            .iter()
            .zip(&mut course.drive.shared_mmhg_h_per_ml)
        {
            if at_s <= *t {
                *r += own[1].exp();
            }
        }
    }

    fn onset_s(&self, own: &[f64], _ratio: f64) -> Option<f64> {
        Some(self.start_s + own[0] * 3600.0)
    }
}
