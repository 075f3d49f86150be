//! Nothing happened to the line: pressure is what rate, fluid and catheter need.
//!
//! As a cause it is either a pressure limit that lies too near the working pressure, or an artefact: a cough,
//! a knock, a glitch, whose readings are not claimed to be predicted, at a price for each.

use super::{Course, Explanation, Rings, Setting};
use crate::infer::fit::Prior;
use crate::infer::review::Cause;

/// A cough, a cry or a knock moves the pressure by some tens of mmHg, as far as it may be (common practice, no source).
const MOVES_MMHG: f64 = 25.0;
/// All readings of one burst share the cough that moved them: they cost no more than this together, natural log.
const MOST_COST: f64 = 5.0;
/// What lies so near an artefact may belong to it, seconds.
const EDGE_S: f64 = 15.0;

/// The line stays as it was.
pub struct Steady {
    cause: Cause,
    /// Stretches whose readings are an artefact's.
    wild: Vec<(f64, f64)>,
    /// Channels that it touched: a knock moves one sensor, a cough all of them upward; none falls while another climbs.
    touched: Vec<bool>,
    /// Factor on the spread of those.
    wild_factor: f64,
    start_s: f64,
}

impl Steady {
    /// Limit too low: every reading is the line's own.
    pub fn limit_too_low(setting: &Setting) -> Self {
        Self {
            cause: Cause::LimitTooLow,
            wild: Vec::new(),
            touched: Vec::new(),
            wild_factor: 1.0,
            start_s: setting.start_s,
        }
    }

    /// Artefact: the readings of the touched channels in the bouts are not the line's.
    pub fn artefact(setting: &Setting, bouts: &[(f64, f64)], touched: &[bool]) -> Self {
        let wild: Vec<(f64, f64)> = bouts.iter().map(|b| (b.0 - EDGE_S, b.1 + EDGE_S)).collect();
        let window = setting.window;
        let within = window
            .seen
            .iter()
            .zip(&window.observations)
            .filter(|(seen, _)| {
                let t_s = window.knot_s[seen.knot];
                touched[seen.channel] && wild.iter().any(|w| w.0 <= t_s && t_s <= w.1)
            });
        let (mut weight, mut cost) = (0.0, 0.0);
        for (_, o) in within {
            weight += o.weight;
            cost += o.weight * (MOVES_MMHG / o.sd).max(1.0).ln();
        }
        let most = MOST_COST * wild.len() as f64;
        let wild_factor = (cost.min(most) / f64::max(weight, 1e-6)).exp();
        Self {
            cause: Cause::Artefact,
            touched: touched.to_vec(),
            wild,
            wild_factor,
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

    fn spread_factor(&self, channel: usize, t_s: f64) -> f64 {
        let touched = self.touched.get(channel) == Some(&true);
        if touched && self.wild.iter().any(|w| w.0 <= t_s && t_s <= w.1) {
            self.wild_factor
        } else {
            1.0
        }
    }

    fn rings(&self) -> Rings {
        if self.cause == Cause::Artefact {
            Rings::Anyway
        } else {
            Rings::AtLimit
        }
    }

    fn onset_s(&self, _own: &[f64], _ratio: f64) -> Option<f64> {
        Some(self.start_s)
    }
}
