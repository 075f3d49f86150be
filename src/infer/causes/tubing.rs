//! A kink or a closed clamp on one channel's own tubing.
//!
//! That channel fills its own small store alone, so it climbs steeply, and what it no longer brings to the join
//! is missing there: the other channels' pressure falls.

use super::step::{LOG_BLOCK_SD, likely_block, starts, time_sd_h};
use super::{Course, Explanation, Setting};
use crate::infer::fit::Prior;
use crate::infer::review::Cause;

/// One channel's own resistance steps up.
pub struct TubingBlock {
    channel: usize,
    start_s: f64,
    time_sd_h: f64,
    log_new: f64,
    starts: Vec<Vec<f64>>,
}

impl TubingBlock {
    /// A step on this channel near the excursion's start.
    pub fn new(setting: &Setting, channel: usize) -> Self {
        Self {
            channel,
            start_s: setting.start_s,
            time_sd_h: time_sd_h(setting),
            log_new: likely_block(setting).ln(),
            starts: starts(setting, Some(channel)),
        }
    }
}

impl Explanation for TubingBlock {
    fn cause(&self) -> Cause {
        Cause::TubingBlocked
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
        let n = course.drive.channels;
        for (k, t) in course.middle_s.iter().enumerate() {
            if at_s <= *t {
                course.drive.own_mmhg_h_per_ml[k * n + self.channel] += own[1].exp();
            }
        }
    }

    fn onset_s(&self, own: &[f64], _ratio: f64) -> Option<f64> {
        Some(self.start_s + own[0] * 3600.0)
    }
}
