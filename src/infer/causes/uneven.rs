//! A resistance that grows in fits and starts: a broken, never falling line in its logarithm.
//!
//! Filters load unevenly and catheters narrow in steps; no law in one parameter fits them closely. What tells a
//! filter from a catheter is not the shape but the clock: whether growth waits for flow. So this explanation
//! leaves the shape free and holds the clock fixed.

use super::growth::clock_of;
use super::{Clock, Course, Explanation, Setting};
use crate::infer::fit::Prior;
use crate::infer::review::Cause;
use crate::infer::window::interpolate;

/// Pieces of the broken line, of equal length in the clock.
const PIECES: usize = 7;
/// Growth within a piece, as the log of the log of the factor: from a hundredth to many times.
const LOG_RISE: Prior = Prior {
    mean: -1.9,
    sd: 1.5,
};

/// Growth of any never falling shape, in a clock.
pub struct Uneven {
    cause: Cause,
    clock: Clock,
    on_channel: Option<usize>,
    knot_s: Vec<f64>,
    knot_u: Vec<f64>,
    from_u: f64,
    piece_u: f64,
    shared_ml_per_mmhg: f64,
}

impl Uneven {
    /// Growth from some time before the excursion stood out to its height.
    pub fn new(cause: Cause, clock: Clock, on_channel: Option<usize>, setting: &Setting) -> Self {
        let window = setting.window;
        let knot_u = clock_of(window, clock, on_channel);
        let at = |t_s: f64| interpolate(&window.knot_s, &knot_u, t_s);
        let to_u = at(setting.peak_s);
        let grown = (to_u - at(setting.start_s)).max(1e-3);
        let from_u = (at(setting.start_s) - grown)
            .max(at(window.start_s()))
            .min(to_u - 1e-3);
        let deep = usize::from(clock == Clock::Time);
        Self {
            cause,
            clock,
            on_channel,
            knot_s: window.knot_s.clone(),
            from_u,
            piece_u: (to_u - from_u) / PIECES as f64,
            knot_u,
            shared_ml_per_mmhg: setting.shared_ml_per_mmhg[deep],
        }
    }

    /// Log of the factor at a reading of the clock.
    fn log_factor(&self, own: &[f64], u: f64) -> f64 {
        let at = (u - self.from_u) / self.piece_u;
        if at <= 0.0 {
            return 0.0;
        }
        let full = (at as usize).min(PIECES);
        let done: f64 = own[..full].iter().map(|t| t.exp()).sum();
        // Past the height it goes on as it did in the last piece.
        let rest = own[full.min(PIECES - 1)].exp() * (at - full as f64);
        (done + rest).min(9.0)
    }
}

impl Explanation for Uneven {
    fn cause(&self) -> Cause {
        self.cause
    }

    fn channel(&self) -> Option<usize> {
        self.on_channel
    }

    fn priors(&self) -> Vec<Prior> {
        vec![LOG_RISE; PIECES]
    }

    fn starts(&self) -> Vec<Vec<f64>> {
        let rising: Vec<f64> = (0..PIECES).map(|k| -3.5 + 0.5 * k as f64).collect();
        vec![vec![-1.5; PIECES], rising]
    }

    fn shape(&self, own: &[f64], course: &mut Course) {
        if self.on_channel.is_none() {
            let share = course.drive.shared_ml_per_mmhg;
            course.drive.shared_ml_per_mmhg = share.max(self.shared_ml_per_mmhg);
        }
        let n = course.drive.channels;
        for (k, t) in course.middle_s.iter().enumerate() {
            let u = match (self.clock, self.on_channel) {
                (Clock::Volume, None) => course.middle_ml[k],
                _ => interpolate(&self.knot_s, &self.knot_u, *t),
            };
            let factor = self.log_factor(own, u).exp();
            match self.on_channel {
                None => course.drive.shared_mmhg_h_per_ml[k] *= factor,
                Some(c) => {
                    course.drive.own_mmhg_h_per_ml[k * n + c] +=
                        (factor - 1.0) * course.drive.shared_mmhg_h_per_ml[k];
                }
            }
        }
    }

    fn onset_s(&self, own: &[f64]) -> Option<f64> {
        let target = 1.5f64.ln();
        let mut done = 0.0;
        for (k, t) in own.iter().enumerate() {
            let rise = t.exp();
            if target <= done + rise {
                let u = self.from_u + self.piece_u * (k as f64 + (target - done) / rise);
                return Some(interpolate(&self.knot_u, &self.knot_s, u));
            }
            done += rise;
        }
        self.knot_s.last().copied()
    }
}
