//! A cause that comes at one go, held at a moment: how well the record bears that it began just then.
//!
//! In: the explanation, the moment, and the stop that ended before. All else is fitted anew, and with it how much play the pump had
//! to take up after that stop: until its plunger bears on the syringe, less flows than is set, and a ramp begins bent.

use super::{Course, Explanation};
use crate::infer::fit::Prior;
use crate::infer::review::Cause;

/// Log of the play of a pump after a change of container, mL: hundredths of a mL (common practice, no source).
const LOG_PLAY: Prior = Prior {
    mean: -4.0,
    sd: 1.2,
};

/// An explanation whose first own parameter, the time, is held.
pub struct Held<'a> {
    /// The explanation.
    pub inner: &'a dyn Explanation,
    /// Its time, in its own unit.
    pub at_h: f64,
    /// When the pumps concerned last started, seconds.
    pub restart_s: Option<f64>,
}

impl Held<'_> {
    fn inner_own(&self, own: &[f64]) -> Vec<f64> {
        let count = own.len() - usize::from(self.restart_s.is_some());
        std::iter::once(self.at_h)
            .chain(own[..count].iter().copied())
            .collect()
    }

    /// Its starting point among own parameters, from those of the explanation as far as they are known.
    pub fn start(&self, inner_own: &[f64]) -> Vec<f64> {
        let unknown = self.priors().into_iter().map(|p| p.mean);
        let mut start: Vec<f64> = unknown.collect();
        for (to, from) in start.iter_mut().zip(&inner_own[1..]) {
            *to = *from;
        }
        start
    }
}

impl Explanation for Held<'_> {
    fn cause(&self) -> Cause {
        self.inner.cause()
    }

    fn channel(&self) -> Option<usize> {
        self.inner.channel()
    }

    fn priors(&self) -> Vec<Prior> {
        let mut priors = self.inner.priors();
        priors.remove(0);
        priors.extend(self.restart_s.map(|_| LOG_PLAY));
        priors
    }

    fn starts(&self) -> Vec<Vec<f64>> {
        self.inner.starts().iter().map(|s| self.start(s)).collect()
    }

    fn breaks(&self, own: &[f64]) -> Vec<f64> {
        self.inner.breaks(&self.inner_own(own))
    }

    fn shape(&self, own: &[f64], course: &mut Course) {
        if let (Some(restart_s), Some(log_play)) = (self.restart_s, own.last()) {
            let n = course.drive.channels;
            let play_ml = log_play.exp();
            for c in (0..n).filter(|&c| self.channel().is_none_or(|only| only == c)) {
                let mut moved_ml = 0.0;
                for (k, t_s) in course.middle_s.iter().enumerate() {
                    if *t_s < restart_s {
                        continue;
                    }
                    let inflow = &mut course.drive.inflow_ml_h[k * n + c];
                    let now_ml = *inflow * course.drive.dt_h[k];
                    let engaged = 1.0 - (-(moved_ml + 0.5 * now_ml) / play_ml).exp();
                    moved_ml += now_ml;
                    *inflow *= engaged;
                }
            }
        }
        self.inner.shape(&self.inner_own(own), course);
    }

    fn shift_mmhg(&self, own: &[f64], channel: usize, t_s: f64) -> f64 {
        self.inner.shift_mmhg(&self.inner_own(own), channel, t_s)
    }

    fn spread_factor(&self, channel: usize, t_s: f64) -> f64 {
        self.inner.spread_factor(channel, t_s)
    }

    fn onset_s(&self, own: &[f64], ratio: f64) -> Option<f64> {
        self.inner.onset_s(&self.inner_own(own), ratio)
    }
}
