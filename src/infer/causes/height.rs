//! Pressure that moves although nothing hinders the flow: a pump or patient raised or lowered.

use super::step::Moment;
use super::{Course, Explanation, Setting};
use crate::infer::fit::Prior;
use crate::infer::review::Cause;

/// A pump raised or lowered from a moment on: 0.74 mmHg for each cm of water, at every rate.
///
/// The store above the join holds what it held, so the pressure that the pump shows goes over to its new level only as
/// the line fills or empties, with the line's own time constant.
pub struct HeightChange {
    /// The pump that was moved; `None` = all (or the patient).
    channel: Option<usize>,
    channels: usize,
    moment: Moment,
}

impl HeightChange {
    /// A shift near the excursion's start.
    pub fn new(setting: &Setting, channel: Option<usize>) -> Self {
        Self {
            channel,
            channels: setting.window.channels,
            moment: Moment::new(setting),
        }
    }

    fn moves(&self, channel: usize) -> bool {
        self.channel.is_none_or(|c| c == channel)
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
            self.moment.prior(),
            Prior {
                mean: 0.0,
                sd: 25.0,
            },
        ]
    }

    fn starts(&self) -> Vec<Vec<f64>> {
        vec![vec![-0.02, 10.0], vec![-0.02, -10.0]]
    }

    fn elsewhere(&self, own: &[f64]) -> Vec<Vec<f64>> {
        Moment::elsewhere(own)
    }

    fn breaks(&self, own: &[f64]) -> Vec<f64> {
        vec![self.moment.at_s(own)]
    }

    fn shape(&self, own: &[f64], course: &mut Course) {
        let at_s = self.moment.at_s(own);
        let first = course.middle_s.partition_point(|&t| t < at_s);
        for c in (0..self.channels).filter(|&c| self.moves(c)) {
            course.drive.lifts.push((first, c, -own[1]));
        }
    }

    fn shift_mmhg(&self, own: &[f64], channel: usize, t_s: f64) -> f64 {
        if self.moves(channel) && self.moment.at_s(own) < t_s {
            own[1]
        } else {
            0.0
        }
    }

    fn onset_s(&self, own: &[f64], _ratio: f64) -> Option<f64> {
        Some(self.moment.at_s(own))
    }
}
