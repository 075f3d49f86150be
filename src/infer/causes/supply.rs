//! Nothing comes from above the pump: an empty or unvented container, a closed roller clamp.
//!
//! The pump goes on as if it delivered, but its inflow stops: its pressure falls to that of the join, or below
//! where it sucks, and the join's falls by what the channel brought.

use super::step::Moment;
use super::{Course, Explanation, Rings, Setting};
use crate::infer::fit::Prior;
use crate::infer::review::Cause;

/// Log of the seconds over which the flow fades, as what the drip chamber and the tubing above the pump hold is used up: from
/// a few to a minute or two (common practice, no source).
const LOG_FADE: Prior = Prior { mean: 3.0, sd: 1.0 };

/// One channel's inflow stops.
pub struct SupplyStop {
    channel: usize,
    moment: Moment,
    fades: bool,
}

impl SupplyStop {
    /// A stop of this channel's supply near the excursion's start.
    pub fn new(setting: &Setting, channel: usize) -> Self {
        Self {
            channel,
            moment: Moment::new(setting),
            fades: false,
        }
    }

    /// The same, with a flow that fades over an unknown time: for when it began, not for whether it was that.
    pub fn fading(setting: &Setting, channel: usize) -> Self {
        Self {
            fades: true,
            ..Self::new(setting, channel)
        }
    }

    /// Share of the flow that is left so long after the supply stopped.
    fn left(&self, own: &[f64], since_s: f64) -> f64 {
        match own.get(2) {
            Some(log_fade_s) if self.fades => (-since_s / log_fade_s.exp()).exp(),
            _ => 0.0,
        }
    }
}

impl Explanation for SupplyStop {
    fn cause(&self) -> Cause {
        Cause::SupplyStopped
    }

    fn channel(&self) -> Option<usize> {
        Some(self.channel)
    }

    fn priors(&self) -> Vec<Prior> {
        let mut priors = vec![
            self.moment.prior(),
            Prior {
                mean: -1.0,
                sd: 2.0,
            }, // suction at the sensor, mmHg
        ];
        priors.extend(self.fades.then_some(LOG_FADE));
        priors
    }

    fn starts(&self) -> Vec<Vec<f64>> {
        let fade = self.fades.then_some(LOG_FADE.mean);
        [-0.02, -0.5 * self.moment.sd_h]
            .map(|at_h| [at_h, -0.5].into_iter().chain(fade).collect())
            .into()
    }

    fn elsewhere(&self, own: &[f64]) -> Vec<Vec<f64>> {
        Moment::elsewhere(own)
    }

    fn rings(&self) -> Rings {
        Rings::ByChance
    }

    fn breaks(&self, own: &[f64]) -> Vec<f64> {
        vec![self.moment.at_s(own)]
    }

    fn shape(&self, own: &[f64], course: &mut Course) {
        let at_s = self.moment.at_s(own);
        let n = course.drive.channels;
        for (k, t) in course.middle_s.iter().enumerate() {
            if at_s <= *t {
                course.drive.inflow_ml_h[k * n + self.channel] *= self.left(own, t - at_s);
            }
        }
    }

    fn shift_mmhg(&self, own: &[f64], channel: usize, t_s: f64) -> f64 {
        let since_s = t_s - self.moment.at_s(own);
        if 0.0 < since_s && channel == self.channel {
            own[1].min(0.0) * (1.0 - self.left(own, since_s))
        } else {
            0.0
        }
    }

    fn onset_s(&self, own: &[f64], _ratio: f64) -> Option<f64> {
        Some(self.moment.at_s(own))
    }
}
