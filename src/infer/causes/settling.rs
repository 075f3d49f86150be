//! What settles in the filter during a pause blocks pores at the restart: the resistance is higher after each.
//!
//! Growth with volume as in [`super::growth`], times a jump for each pause of the line, larger for longer ones.

use super::{Course, Explanation, Law, Setting};
use crate::infer::fit::Prior;
use crate::infer::review::Cause;
use crate::time::Span;

/// Growth in jumps at restarts.
pub struct Settling {
    pauses: Vec<Span>,
    start_s: f64,
    peak_s: f64,
    log_scale: Prior,
}

impl Settling {
    /// `None` where no pause of at least five minutes lies before the height of the episode.
    pub fn new(setting: &Setting, line_pauses: &[Span]) -> Option<Self> {
        let window = setting.window;
        let pauses: Vec<Span> = line_pauses
            .iter()
            .copied()
            .filter(|p| {
                300.0 <= p.seconds() && window.start_s() < p.end_s && p.end_s < setting.peak_s
            })
            .collect();
        let volume = window.volume_at(setting.peak_s).max(1e-3);
        (!pauses.is_empty()).then(|| Self {
            pauses,
            start_s: window.start_s(),
            peak_s: setting.peak_s,
            log_scale: Prior {
                mean: (2.0 * volume).ln(),
                sd: 1.2,
            },
        })
    }

    /// Log of the factor that the pauses up to a moment have brought.
    fn log_jumps(&self, jump: f64, t_s: f64) -> f64 {
        self.pauses
            .iter()
            .filter(|p| p.end_s <= t_s)
            .map(|p| jump * (p.seconds() / 3600.0).min(3.0).sqrt())
            .sum()
    }

    fn log_factor(&self, own: &[f64], t_s: f64, ml: f64) -> f64 {
        Law::Intermediate.factor(ml / own[0].exp()).ln() + self.log_jumps(own[1].exp(), t_s)
    }
}

impl Explanation for Settling {
    fn cause(&self) -> Cause {
        Cause::FilterSettling
    }

    fn priors(&self) -> Vec<Prior> {
        // Log of the jump after an hour's pause: a third more, give or take.
        vec![
            self.log_scale,
            Prior {
                mean: 0.3f64.ln(),
                sd: 0.8,
            },
        ]
    }

    fn starts(&self) -> Vec<Vec<f64>> {
        vec![
            vec![self.log_scale.mean, 0.3f64.ln()],
            vec![self.log_scale.mean + 1.0, 0.8f64.ln()],
        ]
    }

    fn breaks(&self, _own: &[f64]) -> Vec<f64> {
        self.pauses.iter().map(|p| p.end_s).collect()
    }

    fn shape(&self, own: &[f64], course: &mut Course) {
        for k in 0..course.middle_s.len() {
            let log = self.log_factor(own, course.middle_s[k], course.middle_ml[k]);
            course.drive.shared_mmhg_h_per_ml[k] *= log.min(9.0).exp();
        }
    }

    fn onset_s(&self, own: &[f64]) -> Option<f64> {
        // The jumps dominate: the restart after which they stand at 1.5, else the height.
        let target = 1.5f64.ln();
        let reached = self.pauses.iter().map(|p| p.end_s).find(|&t| {
            let share = ((t - self.start_s) / (self.peak_s - self.start_s)).clamp(0.0, 1.0);
            let volume = 0.5 * self.log_scale.mean.exp() * share;
            target <= self.log_factor(own, t, volume)
        });
        Some(reached.unwrap_or(self.peak_s))
    }
}
