//! What settles in the filter during a pause blocks pores at the restart: the resistance is higher after each.
//!
//! Growth with volume as in [`super::uneven`], times a jump for each long pause of the line. What settles grows with the time that it
//! has, so a jump is likely to be as large as its pause is long; and the flow carries it into the pores, so it comes over
//! some volume after the restart, most of it first.

use super::uneven::{self, Uneven};
use super::{Clock, Course, Explanation, Setting};
use crate::infer::fit::Prior;
use crate::infer::review::Cause;

/// Most pauses that get a jump of their own: the longest.
const MOST_PAUSES: usize = 6;
/// Log of the jump (itself the log of a factor) at the restart after a pause of the mean length: a quarter more, give or take.
const LOG_JUMP: Prior = Prior {
    mean: -1.4,
    sd: 1.0,
};
/// By how much the log of a jump strays from what its pause's length lets expect: the filter is not all that the line's resistance is.
const STRAYS: Prior = Prior { mean: 0.0, sd: 0.7 };
/// Log of the pace between the jumps, as growth of the log resistance over the whole course: from nothing to as much as the jumps.
const LOG_BETWEEN: Prior = Prior {
    mean: -1.5,
    sd: 1.5,
};
/// Hours of the mean flow in which what settled is carried into the pores, as their log: some minutes, give or take
/// (common practice, no source).
const LOG_SEALS_H: Prior = Prior {
    mean: -2.5,
    sd: 0.8,
};

/// Growth in jumps at restarts.
pub struct Settling {
    between: Uneven,
    /// Restarts in order: seconds, the clock's reading, and the log of the pause's length over the mean one.
    restarts: Vec<(f64, f64, f64)>,
    /// Mean flow through the filter while it runs, mL/h.
    flow_ml_h: f64,
}

impl Settling {
    /// `None` where no pause of what flows through the filter, of at least five minutes, lies before the height of the episode.
    /// Between the restarts it grows at one pace or `in_fits`.
    pub fn new(setting: &Setting, on_channel: Option<usize>, in_fits: bool) -> Option<Self> {
        let window = setting.window;
        let mut pauses = uneven::long_stops(window, on_channel);
        pauses.retain(|p| p.end_s < setting.peak_s);
        pauses.truncate(MOST_PAUSES);
        pauses.sort_by(|a, b| a.end_s.total_cmp(&b.end_s));
        if pauses.is_empty() {
            return None;
        }
        let cause = Cause::FilterSettling;
        let between = Uneven::cut(cause, Clock::Volume, on_channel, setting, in_fits);
        let logs: Vec<f64> = pauses.iter().map(|p| p.seconds().ln()).collect();
        let mean = logs.iter().sum::<f64>() / logs.len() as f64;
        let restarts = pauses
            .iter()
            .zip(logs)
            .map(|(p, log)| (p.end_s, between.clock.at(p.end_s), log - mean))
            .collect();
        let stood_s: f64 = window.stops(on_channel).iter().map(|p| p.seconds()).sum();
        let ran_h = (window.end_s() - window.start_s() - stood_s).max(60.0) / 3600.0;
        let passed_ml = between.clock.at(window.end_s());
        Some(Self {
            restarts,
            flow_ml_h: (passed_ml / ran_h).max(1e-3),
            between,
        })
    }

    fn log_factor(&self, own: &[f64], u: f64) -> f64 {
        let (growth, jumps) = own.split_at(self.between.count());
        let seals_ml = self.flow_ml_h * jumps[1].exp();
        let jumped: f64 = self
            .restarts
            .iter()
            .zip(&jumps[2..])
            .filter(|(restart, _)| restart.1 < u)
            .map(|(&(_, from, log_length), strays)| {
                (jumps[0] + log_length + strays).min(3.0).exp() * -(-(u - from) / seals_ml).exp_m1()
            })
            .sum();
        (self.between.log_factor(growth, u) + jumped).min(9.0)
    }
}

impl Explanation for Settling {
    fn cause(&self) -> Cause {
        Cause::FilterSettling
    }

    fn channel(&self) -> Option<usize> {
        self.between.channel()
    }

    fn priors(&self) -> Vec<Prior> {
        let mut priors = self.between.priors();
        priors[0] = LOG_BETWEEN;
        priors.extend([LOG_JUMP, LOG_SEALS_H]);
        priors.resize(priors.len() + self.restarts.len(), STRAYS);
        priors
    }

    fn starts(&self) -> Vec<Vec<f64>> {
        // All in the jumps, and shared with growth between them.
        [(-3.0, 0.5), (-1.0, -0.5)]
            .map(|(log_pace, log_jump)| {
                let mut start = vec![log_pace, 1.0];
                start.resize(self.between.count(), 0.0);
                start.extend([log_jump, LOG_SEALS_H.mean]);
                start.resize(start.len() + self.restarts.len(), 0.0);
                start
            })
            .into()
    }

    fn breaks(&self, _own: &[f64]) -> Vec<f64> {
        self.restarts.iter().map(|r| r.0).collect()
    }

    fn shape(&self, own: &[f64], course: &mut Course) {
        self.between.fill(course);
        for k in 0..course.middle_s.len() {
            let u = self.between.clock.in_course(course, k);
            let factor = self.log_factor(own, u).exp();
            course.grow(k, self.channel(), factor);
        }
    }

    fn onset_s(&self, own: &[f64], ratio: f64) -> Option<f64> {
        let target = ratio.ln();
        let clock = &self.between.clock;
        let mut before: Option<(f64, f64)> = None;
        for (&t_s, &u) in clock.knot_s.iter().zip(&clock.knot_u) {
            let log = self.log_factor(own, u);
            if target <= log {
                let (from_s, from) = before.unwrap_or((t_s, log));
                let share = ((target - from) / (log - from).max(1e-9)).clamp(0.0, 1.0);
                // In a stretch that holds a restart nothing grew before it.
                let restart = self.restarts.iter().map(|r| r.0);
                let from_s = restart
                    .filter(|r| from_s < *r && *r < t_s)
                    .fold(from_s, f64::max);
                return Some(from_s + share * (t_s - from_s));
            }
            before = Some((t_s, log));
        }
        clock.knot_s.last().copied()
    }
}
