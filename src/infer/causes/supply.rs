//! Nothing comes from above the pump: an empty or unvented container, a closed roller clamp.
//!
//! The pump goes on as if it delivered, but its inflow stops: its pressure falls to that of the join, or below
//! where it sucks, and the join's falls by what the channel brought.

use super::step::time_sd_h;
use super::{Course, Explanation, Setting};
use crate::infer::fit::Prior;
use crate::infer::review::Cause;

/// One channel's inflow stops.
pub struct SupplyStop {
    channel: usize,
    start_s: f64,
    time_sd_h: f64,
}

impl SupplyStop {
    /// A stop of this channel's supply near the excursion's start.
    pub fn new(setting: &Setting, channel: usize) -> Self {
        Self {
            channel,
            start_s: setting.start_s,
            time_sd_h: time_sd_h(setting),
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
        vec![
            Prior {
                mean: 0.0,
                sd: self.time_sd_h,
            },
            Prior {
                mean: -1.0,
                sd: 2.0,
            }, // suction at the sensor, mmHg
        ]
    }

    fn starts(&self) -> Vec<Vec<f64>> {
        vec![vec![-0.02, -0.5], vec![-0.5 * self.time_sd_h, -0.5]]
    }

    fn breaks(&self, own: &[f64]) -> Vec<f64> {
        vec![self.start_s + own[0] * 3600.0]
    }

    fn shape(&self, own: &[f64], course: &mut Course) {
        let at_s = self.start_s + own[0] * 3600.0;
        let n = course.drive.channels;
        for (k, t) in course.middle_s.iter().enumerate() {
            if at_s <= *t {
                course.drive.inflow_ml_h[k * n + self.channel] = 0.0;
            }
        }
    }

    fn shift_mmhg(&self, own: &[f64], channel: usize, t_s: f64) -> f64 {
        let began = self.start_s + own[0] * 3600.0 < t_s;
        if began && channel == self.channel {
            own[1].min(0.0)
        } else {
            0.0
        }
    }

    fn onset_s(&self, own: &[f64]) -> Option<f64> {
        Some(self.start_s + own[0] * 3600.0)
    }
}
