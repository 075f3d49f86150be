//! A resistance that grows: a filter with the volume that passes it, a catheter with time.
//!
//! Both follow the same family of laws, in a clock of their own, so that only the clock tells them apart:
//! `cake` 1 + x, `intermediate` eˣ, `complete` 1/(1 − x), with x = (u − u₀)/u* past the onset u₀ and u the volume
//! filtered or the hours gone by. Source of the laws: Hermia, Trans IChemE 60 (1982) 183–187, and Hlavacek and
//! Bouchet, J Membr Sci 82 (1993) 285–295, for a constant rate (cited from memory). For catheters the family is
//! a convenience, not a law.

use super::{Course, Explanation, Setting};
use crate::infer::fit::Prior;
use crate::infer::review::Cause;
use crate::infer::window::{Window, interpolate};

/// What the growth goes by.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Clock {
    /// Volume delivered: filters.
    Volume,
    /// Time: catheters.
    Time,
}

/// How it grows.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Law {
    /// 1 + x.
    Cake,
    /// eˣ.
    Intermediate,
    /// 1/(1 − x).
    Complete,
}

impl Law {
    /// All laws.
    pub const ALL: [Law; 3] = [Law::Cake, Law::Intermediate, Law::Complete];

    /// Resistance over its baseline.
    pub fn factor(self, x: f64) -> f64 {
        let x = x.max(0.0);
        match self {
            Law::Cake => 1.0 + x,
            Law::Intermediate => x.min(9.0).exp(),
            Law::Complete => 1.0 / (1.0 - x.min(0.9998)),
        }
    }

    /// Where the factor reaches `f`.
    pub fn reaches(self, f: f64) -> f64 {
        match self {
            Law::Cake => f - 1.0,
            Law::Intermediate => f.ln(),
            Law::Complete => 1.0 - 1.0 / f,
        }
    }
}

/// A growing resistance.
pub struct Growth {
    cause: Cause,
    clock: Clock,
    law: Law,
    /// The channel whose own tubing holds the filter; `None` = below the join.
    on_channel: Option<usize>,
    /// Window knots and their clock.
    knot_s: Vec<f64>,
    knot_u: Vec<f64>,
    onset: Prior,
    log_scale: Prior,
    /// Log of the clock's time from onset to the end of growth, where it comes to one.
    log_length: Option<Prior>,
    shared_ml_per_mmhg: f64,
}

impl Growth {
    /// Growth that set in at an unknown moment before the excursion stood out.
    pub fn new(
        cause: Cause,
        clock: Clock,
        law: Law,
        on_channel: Option<usize>,
        setting: &Setting,
    ) -> Self {
        let window = setting.window;
        let knot_u = clock_of(window, clock, on_channel);
        let at = |t_s: f64| interpolate(&window.knot_s, &knot_u, t_s);
        let span = (at(setting.peak_s) - at(window.start_s())).max(1e-3);
        let grown = (at(setting.peak_s) - at(setting.start_s)).max(0.05 * span);
        let onset = Prior {
            mean: at(setting.start_s) - 0.3 * grown,
            sd: 0.5 * span.max(grown),
        };
        Self::with_onset(cause, clock, law, on_channel, setting, onset, grown)
    }

    /// Growth whose onset is known from elsewhere: a medication's start, a new filter's placing.
    pub fn from_moment(
        cause: Cause,
        law: Law,
        on_channel: Option<usize>,
        setting: &Setting,
        moment_s: f64,
    ) -> Self {
        let window = setting.window;
        let knot_u = clock_of(window, Clock::Volume, on_channel);
        let at = |t_s: f64| interpolate(&window.knot_s, &knot_u, t_s);
        let grown = (at(setting.peak_s) - at(moment_s)).max(1e-3);
        // It sets in within some ten minutes of running after the moment.
        let ten_minutes = (at(moment_s + 600.0) - at(moment_s)).max(0.05 * grown);
        let onset = Prior {
            mean: at(moment_s) + ten_minutes,
            sd: ten_minutes,
        };
        Self::with_onset(cause, Clock::Volume, law, on_channel, setting, onset, grown)
    }

    fn with_onset(
        cause: Cause,
        clock: Clock,
        law: Law,
        on_channel: Option<usize>,
        setting: &Setting,
        onset: Prior,
        grown: f64,
    ) -> Self {
        let knot_u = clock_of(setting.window, clock, on_channel);
        let deep = match clock {
            Clock::Volume => 0,
            Clock::Time => 1,
        };
        Self {
            cause,
            clock,
            law,
            on_channel,
            knot_s: setting.window.knot_s.clone(),
            knot_u,
            onset,
            log_scale: Prior {
                mean: (0.7 * grown).ln(),
                sd: 1.2,
            },
            log_length: None,
            shared_ml_per_mmhg: setting.shared_ml_per_mmhg[deep],
        }
    }

    /// The same growth, but it comes to an end after about so many seconds of running: what precipitated has passed, a part of a badly
    /// primed membrane stays open, a clot no longer grows.
    pub fn that_ends(mut self, setting: &Setting, after_s: f64) -> Self {
        let at = |t_s: f64| interpolate(&self.knot_s, &self.knot_u, t_s);
        let from_s = setting.start_s.min(setting.window.end_s() - after_s);
        let span = self.knot_u.last().map_or(0.0, |u| u - self.knot_u[0]);
        let after = (at(from_s + after_s) - at(from_s))
            .max(0.01 * span)
            .max(1e-3);
        // It set in within about that before it stood out, whenever the pressure was at its height.
        if after < self.onset.sd {
            self.onset = Prior {
                mean: at(setting.start_s) - 0.3 * after,
                sd: after,
            };
        }
        self.log_length = Some(Prior {
            mean: after.ln(),
            sd: 1.0,
        });
        self.log_scale.mean = (0.5 * after).ln();
        self
    }

    /// Growth over its scale at a reading of the clock.
    fn grown(&self, own: &[f64], u: f64) -> f64 {
        ((u - own[0]) / own[1].exp()).min(Self::most(own))
    }

    /// Growth over its scale at its end; without bound where it comes to none.
    fn most(own: &[f64]) -> f64 {
        own.get(2)
            .map_or(f64::INFINITY, |length| (length - own[1]).exp())
    }
}

/// The clock at each knot: mL delivered (by one channel or all), or hours.
pub(super) fn clock_of(window: &Window, clock: Clock, channel: Option<usize>) -> Vec<f64> {
    match (clock, channel) {
        (Clock::Time, _) => window
            .knot_s
            .iter()
            .map(|t| (t - window.start_s()) / 3600.0)
            .collect(),
        (Clock::Volume, None) => window.volume_ml.clone(),
        (Clock::Volume, Some(c)) => {
            let n = window.channels;
            let mut sum = vec![0.0];
            for k in 0..window.knot_s.len() - 1 {
                let hours = (window.knot_s[k + 1] - window.knot_s[k]) / 3600.0;
                sum.push(sum[k] + window.rate_ml_h[k * n + c] * hours);
            }
            sum
        }
    }
}

impl Explanation for Growth {
    fn cause(&self) -> Cause {
        self.cause
    }

    fn channel(&self) -> Option<usize> {
        self.on_channel
    }

    fn priors(&self) -> Vec<Prior> {
        [self.onset, self.log_scale]
            .into_iter()
            .chain(self.log_length)
            .collect()
    }

    fn starts(&self) -> Vec<Vec<f64>> {
        let (u, s) = (self.onset, self.log_scale);
        let Some(length) = self.log_length else {
            return vec![
                vec![u.mean, s.mean],
                vec![u.mean - 0.6 * u.sd, s.mean + 0.7],
                vec![u.mean + 0.3 * u.sd, s.mean - 1.0],
            ];
        };
        [0.0, -1.2, 1.0]
            .map(|by| {
                let onset = u.mean - 0.3 * u.sd;
                vec![onset, s.mean + by, length.mean + by]
            })
            .into()
    }

    fn shape(&self, own: &[f64], course: &mut Course) {
        if self.on_channel.is_none() {
            course.fill_below_join(self.shared_ml_per_mmhg);
        }
        for k in 0..course.middle_s.len() {
            let u = match (self.clock, self.on_channel) {
                (Clock::Volume, None) => course.middle_ml[k],
                _ => interpolate(&self.knot_s, &self.knot_u, course.middle_s[k]),
            };
            let factor = self.law.factor(self.grown(own, u));
            course.grow(k, self.on_channel, factor);
        }
    }

    fn onset_s(&self, own: &[f64], ratio: f64) -> Option<f64> {
        let x = self.law.reaches(ratio);
        if Self::most(own) < x {
            return None;
        }
        let u = own[0] + x * own[1].exp();
        let last = *self.knot_u.last()?;
        if u <= last {
            return Some(interpolate(&self.knot_u, &self.knot_s, u));
        }
        // Beyond the window's end: as far again as it would take at the mean pace.
        let first_s = *self.knot_s.first()?;
        let end_s = *self.knot_s.last()?;
        Some(end_s + (u - last) / last.max(1e-9) * (end_s - first_s))
    }
}
