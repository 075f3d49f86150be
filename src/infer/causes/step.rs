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

/// How far to either side a moment is looked for once all else is fitted, seconds: from between two readings to minutes.
const ELSEWHERE_S: [f64; 7] = [5.0, 10.0, 20.0, 40.0, 80.0, 160.0, 320.0];

/// The moment of a cause that comes at one go, the first of its own parameters: hours from where the deviation began to stand
/// out. The same for every such cause, so that none is favoured.
pub struct Moment {
    start_s: f64,
    /// How far it may lie from there, hours.
    pub sd_h: f64,
}

impl Moment {
    /// A moment near the excursion's start.
    pub fn new(setting: &Setting) -> Self {
        Self {
            start_s: setting.start_s,
            sd_h: (0.25 * (setting.peak_s - setting.start_s) / 3600.0).clamp(0.1, 2.0),
        }
    }

    /// Prior of the parameter.
    pub fn prior(&self) -> Prior {
        Prior {
            mean: 0.0,
            sd: self.sd_h,
        }
    }

    /// Own parameters with the moment elsewhere.
    pub fn elsewhere(own: &[f64]) -> Vec<Vec<f64>> {
        let at = |by_s: f64| {
            let mut moved = own.to_vec();
            moved[0] += by_s / 3600.0;
            moved
        };
        ELSEWHERE_S.iter().flat_map(|&s| [at(-s), at(s)]).collect()
    }

    /// The moment that own parameters give, seconds.
    pub fn at_s(&self, own: &[f64]) -> f64 {
        self.start_s + own[0] * 3600.0
    }
}

/// A resistance that is added at a moment: its two own parameters are the moment and the resistance's logarithm.
pub struct Added {
    /// When.
    pub moment: Moment,
    log_mean: f64,
    /// Where the search begins.
    pub starts: Vec<Vec<f64>>,
}

impl Added {
    /// A block in a channel's tubing, or below the join (`None`).
    ///
    /// The search begins shortly before the deviation stood out, and where the flow last started before that. A line that is closed
    /// while the pump rests climbs from the restart on, long before it stands out above what it was; from a moment
    /// after that no search goes back across the restart.
    pub fn new(setting: &Setting, channel: Option<usize>) -> Self {
        let moment = Moment::new(setting);
        let log_mean = likely_block(setting).ln();
        let mut starts = vec![
            vec![-0.01, log_mean + 2.0],
            vec![-0.02, log_mean - 2.0],
            vec![-0.5 * moment.sd_h, log_mean],
        ];
        if let Some(stop) = setting.window.stop_before(channel, setting.start_s + 60.0) {
            let at_h = (stop.end_s - setting.start_s) / 3600.0;
            starts.push(vec![at_h, log_mean + 2.0]);
            starts.push(vec![at_h + AFTER_RESTART_H, log_mean]);
        }
        Self {
            moment,
            log_mean,
            starts,
        }
    }

    /// Priors of both parameters.
    pub fn priors(&self) -> Vec<Prior> {
        vec![
            self.moment.prior(),
            Prior {
                mean: self.log_mean,
                sd: LOG_BLOCK_SD,
            },
        ]
    }
}

/// The shared resistance steps up.
pub struct SharedStep {
    added: Added,
    shared_ml_per_mmhg: f64,
}

impl SharedStep {
    /// A step near the excursion's start.
    pub fn new(setting: &Setting) -> Self {
        Self {
            added: Added::new(setting, None),
            shared_ml_per_mmhg: setting.shared_ml_per_mmhg[1],
        }
    }
}

/// A resistance that would be a block in this line: thirty times its baseline, or what brings 100 mmHg.
pub fn likely_block(setting: &Setting) -> f64 {
    (30.0 * setting.baseline.shared()).max(30.0)
}

impl Explanation for SharedStep {
    fn cause(&self) -> Cause {
        Cause::CatheterBlocked
    }

    fn priors(&self) -> Vec<Prior> {
        self.added.priors()
    }

    fn starts(&self) -> Vec<Vec<f64>> {
        self.added.starts.clone()
    }

    fn elsewhere(&self, own: &[f64]) -> Vec<Vec<f64>> {
        Moment::elsewhere(own)
    }

    fn breaks(&self, own: &[f64]) -> Vec<f64> {
        vec![self.added.moment.at_s(own)]
    }

    fn shape(&self, own: &[f64], course: &mut Course) {
        let at_s = self.added.moment.at_s(own);
        course.fill_below_join(self.shared_ml_per_mmhg);
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
        Some(self.added.moment.at_s(own))
    }
}
