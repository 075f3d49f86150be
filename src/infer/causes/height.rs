//! Pressure that moves although nothing hinders the flow: a pump or patient raised or lowered, a zero that drifts.

use super::step::time_sd_h;
use super::{Course, Explanation, Setting};
use crate::infer::fit::Prior;
use crate::infer::review::Cause;

/// The same shift at every rate from a moment on: 0.74 mmHg for each cm of water.
pub struct HeightChange {
    /// The pump that was moved; `None` = all (or the patient).
    channel: Option<usize>,
    start_s: f64,
    time_sd_h: f64,
}

impl HeightChange {
    /// A shift near the excursion's start.
    pub fn new(setting: &Setting, channel: Option<usize>) -> Self {
        Self {
            channel,
            start_s: setting.start_s,
            time_sd_h: time_sd_h(setting),
        }
    }
}

impl Explanation for HeightChange {
    fn cause(&self) -> Cause {
        Cause::HeightChange
    }

    fn channel(&self) -> Option<usize> {
        self.channel
    }

    fn priors(&self) -> Vec<Prior> {
        // Some 30 cm either way, seldom more than 70.
        vec![
            Prior {
                mean: 0.0,
                sd: self.time_sd_h,
            },
            Prior {
                mean: 0.0,
                sd: 25.0,
            },
        ]
    }

    fn starts(&self) -> Vec<Vec<f64>> {
        vec![vec![-0.02, 10.0], vec![-0.02, -10.0]]
    }

    fn shape(&self, _own: &[f64], _course: &mut Course) {}

    fn shift_mmhg(&self, own: &[f64], channel: usize, t_s: f64) -> f64 {
        let after_s = t_s - (self.start_s + own[0] * 3600.0);
        if self.channel.is_some_and(|c| c != channel) {
            return 0.0;
        }
        // Eased over half a minute, so that the moment can be fitted.
        own[1] * (0.5 + after_s / 30.0).clamp(0.0, 1.0)
    }

    fn onset_s(&self, own: &[f64]) -> Option<f64> {
        Some(self.start_s + own[0] * 3600.0)
    }
}

/// A sensor's zero that drifts in a straight line through the window.
pub struct Drift {
    from_s: f64,
    start_s: f64,
}

impl Drift {
    /// A drift through the setting's window.
    pub fn new(setting: &Setting) -> Self {
        Self {
            from_s: setting.window.start_s(),
            start_s: setting.start_s,
        }
    }
}

impl Explanation for Drift {
    fn cause(&self) -> Cause {
        Cause::Artefact
    }

    fn priors(&self) -> Vec<Prior> {
        vec![Prior { mean: 0.0, sd: 0.2 }] // mmHg per hour: 5 mmHg a day (common practice, no source)
    }

    fn starts(&self) -> Vec<Vec<f64>> {
        vec![vec![0.0]]
    }

    fn shape(&self, _own: &[f64], _course: &mut Course) {}

    fn shift_mmhg(&self, own: &[f64], _channel: usize, t_s: f64) -> f64 {
        own[0] * (t_s - self.from_s) / 3600.0
    }

    fn onset_s(&self, _own: &[f64]) -> Option<f64> {
        Some(self.start_s)
    }
}
