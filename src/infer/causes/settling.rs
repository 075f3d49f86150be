//! What settles in the filter during a pause blocks pores at the restart: the resistance is higher after each.
//!
//! Growth with volume as in [`super::growth`], times a jump of its own for each long pause of the line.

use super::growth::clock_of;
use super::{Clock, Course, Explanation, Setting};
use crate::infer::fit::Prior;
use crate::infer::review::Cause;
use crate::infer::window::interpolate;
use crate::time::Span;

/// Most pauses that get a jump of their own: the longest.
const MOST_PAUSES: usize = 6;
/// Log of the jump (itself the log of a factor) at a restart: a quarter more, give or take.
const LOG_JUMP: Prior = Prior {
    mean: -1.4,
    sd: 1.0,
};

/// What has settled is carried into the pores over some minutes of flow, most of it first, seconds (common practice, no source).
const SEALS_S: f64 = 300.0;

/// Growth in jumps at restarts.
pub struct Settling {
    /// Restarts, seconds, in order.
    restarts_s: Vec<f64>,
    /// The channel whose own tubing holds the filter; `None` = below the join.
    on_channel: Option<usize>,
    knot_s: Vec<f64>,
    knot_ml: Vec<f64>,
    log_scale: Prior,
}

impl Settling {
    /// `line_pauses` are the stops of what flows through the filter; `None` where no pause of at least five minutes lies before the height of the episode.
    pub fn new(setting: &Setting, line_pauses: &[Span], on_channel: Option<usize>) -> Option<Self> {
        let window = setting.window;
        let mut pauses: Vec<Span> = line_pauses
            .iter()
            .copied()
            .filter(|p| {
                300.0 <= p.seconds() && window.start_s() < p.end_s && p.end_s < setting.peak_s
            })
            .collect();
        pauses.sort_by(|a, b| b.seconds().total_cmp(&a.seconds()));
        pauses.truncate(MOST_PAUSES);
        let mut restarts_s: Vec<f64> = pauses.iter().map(|p| p.end_s).collect();
        restarts_s.sort_by(f64::total_cmp);
        let knot_ml = clock_of(window, Clock::Volume, on_channel);
        let volume = interpolate(&window.knot_s, &knot_ml, setting.peak_s).max(1e-3);
        (!restarts_s.is_empty()).then(|| Self {
            restarts_s,
            on_channel,
            knot_s: window.knot_s.clone(),
            knot_ml,
            log_scale: Prior {
                mean: (4.0 * volume).ln(),
                sd: 1.2,
            },
        })
    }

    fn log_factor(&self, own: &[f64], t_s: f64, ml: f64) -> f64 {
        let jumps: f64 = self
            .restarts_s
            .iter()
            .zip(&own[1..])
            .filter(|(at_s, _)| **at_s <= t_s)
            .map(|(_, jump)| jump.exp())
            .sum();
        (ml / own[0].exp() + jumps).min(9.0)
    }
}

impl Explanation for Settling {
    fn cause(&self) -> Cause {
        Cause::FilterSettling
    }

    fn channel(&self) -> Option<usize> {
        self.on_channel
    }

    fn priors(&self) -> Vec<Prior> {
        let mut priors = vec![self.log_scale];
        priors.resize(1 + self.restarts_s.len(), LOG_JUMP);
        priors
    }

    fn starts(&self) -> Vec<Vec<f64>> {
        [LOG_JUMP.mean, LOG_JUMP.mean + 1.0]
            .map(|jump| {
                let mut start = vec![self.log_scale.mean];
                start.resize(1 + self.restarts_s.len(), jump);
                start
            })
            .into()
    }

    fn breaks(&self, _own: &[f64]) -> Vec<f64> {
        self.restarts_s.clone()
    }

    fn shape(&self, own: &[f64], course: &mut Course) {
        for k in 0..course.middle_s.len() {
            let t_s = course.middle_s[k];
            let ml = match self.on_channel {
                None => course.middle_ml[k],
                Some(_) => interpolate(&self.knot_s, &self.knot_ml, t_s),
            };
            let factor = self.log_factor(own, t_s, ml).exp();
            course.grow(k, self.on_channel, factor);
        }
    }

    fn onset_s(&self, own: &[f64], ratio: f64) -> Option<f64> {
        let target = ratio.ln();
        let mut before = (self.knot_s[0], 0.0);
        for (&t_s, &ml) in self.knot_s.iter().zip(&self.knot_ml) {
            let log = self.log_factor(own, t_s, ml);
            if target <= log {
                // After a restart it jumps; between two it grows evenly.
                let jumped = self
                    .restarts_s
                    .iter()
                    .find(|r| before.0 < **r && **r <= t_s);
                let share = ((target - before.1) / (log - before.1).max(1e-9)).clamp(0.0, 0.98);
                return Some(match jumped {
                    Some(restart_s) => restart_s - SEALS_S * (1.0 - share).ln(),
                    None => before.0 + share * (t_s - before.0),
                });
            }
            before = (t_s, log);
        }
        self.knot_s.last().copied()
    }
}
