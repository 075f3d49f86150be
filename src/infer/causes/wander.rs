//! A pressure at the outlet that wanders, and a sensor's zero that drifts: nothing hinders the flow.
//!
//! The pressure of a vein rises and falls by some mmHg over tens of minutes, with sleep, feeding and position; all channels show it
//! alike, at any flow.

use super::{Course, Explanation, Setting};
use crate::infer::fit::Prior;
use crate::infer::review::Cause;
use crate::infer::window::interpolate;

/// How far the pressure of a vein wanders, mmHg (common practice, no source: 1 to 5 mmHg).
const WANDERS: Prior = Prior { mean: 0.0, sd: 2.0 };
/// How fast a sensor's zero drifts, mmHg per hour (5 mmHg a day: common practice, no source).
const DRIFTS: Prior = Prior { mean: 0.0, sd: 0.2 };
/// It wanders over tens of minutes: what lies closer together is alike, seconds.
const LEAST_APART_S: f64 = 1200.0;
/// Moments at which the wandering pressure is a parameter.
const MOMENTS: usize = 7;

/// A wander from somewhat before the deviation to its height, on a straight drift through the window.
pub struct Wander {
    start_s: f64,
    from_s: f64,
    moments_s: Vec<f64>,
}

impl Wander {
    /// A wander about the setting's deviation.
    pub fn new(setting: &Setting) -> Self {
        let (start_s, end_s) = (setting.start_s, setting.window.end_s());
        let apart_s = ((end_s - start_s) / (MOMENTS as f64 - 3.0)).max(LEAST_APART_S);
        let first_s = end_s - apart_s * (MOMENTS as f64 - 1.0);
        Self {
            start_s,
            from_s: setting.window.start_s(),
            moments_s: (0..MOMENTS).map(|i| first_s + apart_s * i as f64).collect(),
        }
    }
}

impl Explanation for Wander {
    fn cause(&self) -> Cause {
        Cause::Artefact
    }

    fn priors(&self) -> Vec<Prior> {
        let mut priors = vec![WANDERS; MOMENTS];
        priors.push(DRIFTS);
        priors
    }

    fn starts(&self) -> Vec<Vec<f64>> {
        vec![vec![0.0; MOMENTS + 1]]
    }

    fn shape(&self, _own: &[f64], _course: &mut Course) {}

    fn shift_mmhg(&self, own: &[f64], _channel: usize, t_s: f64) -> f64 {
        let (wander, drift) = own.split_at(MOMENTS);
        // Before the first moment it comes up from what the window stands at.
        let up = ((t_s - self.from_s) / (self.moments_s[0] - self.from_s).max(1.0)).clamp(0.0, 1.0);
        let drifted: f64 = drift.iter().map(|d| d * (t_s - self.from_s) / 3600.0).sum();
        up * interpolate(&self.moments_s, wander, t_s) + drifted
    }

    fn onset_s(&self, _own: &[f64], _ratio: f64) -> Option<f64> {
        Some(self.start_s)
    }
}
