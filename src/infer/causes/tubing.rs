//! A kink or a closed clamp on one channel's own tubing.
//!
//! That channel fills its own small store alone, so it climbs steeply, and what it no longer brings to the join
//! is missing there: the other channels' pressure falls.

use super::step::{Added, Moment};
use super::{Course, Explanation, Setting};
use crate::infer::fit::Prior;
use crate::infer::review::Cause;

/// One channel's own resistance steps up.
pub struct TubingBlock {
    channel: usize,
    added: Added,
}

impl TubingBlock {
    /// A step on this channel near the excursion's start.
    pub fn new(setting: &Setting, channel: usize) -> Self {
        Self {
            channel,
            added: Added::new(setting, Some(channel)),
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
        let n = course.drive.channels;
        for (k, t) in course.middle_s.iter().enumerate() {
            if at_s <= *t {
                course.drive.own_mmhg_h_per_ml[k * n + self.channel] += own[1].exp();
            }
        }
    }

    fn onset_s(&self, own: &[f64], _ratio: f64) -> Option<f64> {
        Some(self.added.moment.at_s(own))
    }
}
