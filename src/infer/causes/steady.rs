//! Nothing happened to the line: pressure is what rate, fluid and catheter need.
//!
//! As a cause it is either a pressure limit that lies too near the working pressure, or an artefact: a cough,
//! a knock, a glitch, whose readings are not claimed to be predicted, at a price for each.

use super::{Course, Explanation, Setting};
use crate::infer::fit::Prior;
use crate::infer::review::Cause;

/// Spread that a reading within an artefact has over its usual one.
const WILD: f64 = 12.0;

/// The line stays as it was.
pub struct Steady {
    cause: Cause,
    /// Stretches whose readings are an artefact's.
    wild: Vec<(f64, f64)>,
    start_s: f64,
}

impl Steady {
    /// Limit too low: every reading is the line's own.
    pub fn limit_too_low(setting: &Setting) -> Self {
        Self {
            cause: Cause::LimitTooLow,
            wild: Vec::new(),
            start_s: setting.start_s,
        }
    }

    /// Artefact: the readings in the bouts are not the line's.
    pub fn artefact(setting: &Setting, bouts: &[(f64, f64)]) -> Self {
        let wild = bouts.iter().map(|b| (b.0 - 60.0, b.1 + 60.0)).collect();
        Self {
            cause: Cause::Artefact,
            wild,
            start_s: setting.start_s,
        }
    }
}

impl Explanation for Steady {
    fn cause(&self) -> Cause {
        self.cause
    }

    fn priors(&self) -> Vec<Prior> {
        Vec::new()
    }

    fn starts(&self) -> Vec<Vec<f64>> {
        vec![Vec::new()]
    }

    fn shape(&self, _own: &[f64], _course: &mut Course) {}

    fn spread_factor(&self, _channel: usize, t_s: f64) -> f64 {
        if self.wild.iter().any(|w| w.0 <= t_s && t_s <= w.1) {
            WILD
        } else {
            1.0
        }
    }

    fn onset_s(&self, _own: &[f64]) -> Option<f64> {
        Some(self.start_s)
    }
}
