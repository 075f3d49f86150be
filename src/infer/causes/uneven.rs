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

/// Pieces of the broken line: cut evenly in the clock, and where the pressure rose.
const EVEN_CUTS: usize = 3;
/// See [`EVEN_CUTS`].
const RISE_CUTS: usize = 4;
/// Cuts closer together than this share of the whole are one.
const LEAST_PIECE: f64 = 0.01;
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
    /// Ends of the pieces, in the clock, rising.
    edge_u: Vec<f64>,
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
            edge_u: edges(setting, &knot_u, from_u, to_u),
            knot_u,
            shared_ml_per_mmhg: setting.shared_ml_per_mmhg[deep],
        }
    }

    /// Log of the factor at a reading of the clock.
    fn log_factor(&self, own: &[f64], u: f64) -> f64 {
        let mut log = 0.0;
        for (k, rise) in own.iter().enumerate() {
            let (from, to) = (self.edge_u[k], self.edge_u[k + 1]);
            // Past the height it goes on as it did in the last piece.
            let most = if k + 1 == own.len() {
                f64::INFINITY
            } else {
                1.0
            };
            log += rise.exp() * ((u - from) / (to - from)).clamp(0.0, most);
        }
        log.min(9.0)
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
        vec![LOG_RISE; self.edge_u.len() - 1]
    }

    fn starts(&self) -> Vec<Vec<f64>> {
        let pieces = self.edge_u.len() - 1;
        let rising: Vec<f64> = (0..pieces).map(|k| -3.5 + 0.5 * k as f64).collect();
        vec![vec![-1.5; pieces], rising]
    }

    fn shape(&self, own: &[f64], course: &mut Course) {
        if self.on_channel.is_none() {
            let share = course.drive.shared_ml_per_mmhg;
            course.drive.shared_ml_per_mmhg = share.max(self.shared_ml_per_mmhg);
        }
        for k in 0..course.middle_s.len() {
            let u = match (self.clock, self.on_channel) {
                (Clock::Volume, None) => course.middle_ml[k],
                _ => interpolate(&self.knot_s, &self.knot_u, course.middle_s[k]),
            };
            let factor = self.log_factor(own, u).exp();
            course.grow(k, self.on_channel, factor);
        }
    }

    fn onset_s(&self, own: &[f64], ratio: f64) -> Option<f64> {
        let target = ratio.ln();
        let mut done = 0.0;
        for (k, t) in own.iter().enumerate() {
            let rise = t.exp();
            if target <= done + rise {
                let (from, to) = (self.edge_u[k], self.edge_u[k + 1]);
                let u = from + (to - from) * (target - done) / rise;
                return Some(interpolate(&self.knot_u, &self.knot_s, u));
            }
            done += rise;
        }
        self.knot_s.last().copied()
    }
}

/// Where the shape may bend: evenly in the clock, and where the resistance seemed to pass equal parts of its rise.
fn edges(setting: &Setting, knot_u: &[f64], from_u: f64, to_u: f64) -> Vec<f64> {
    let span = to_u - from_u;
    let mut cuts: Vec<f64> = (1..=EVEN_CUTS)
        .map(|k| from_u + span * k as f64 / (EVEN_CUTS + 1) as f64)
        .collect();
    let rise = rise(setting, knot_u, from_u, to_u);
    if let (Some(first), Some(last)) = (rise.first(), rise.last()) {
        for k in 1..=RISE_CUTS {
            let level = first.1 + (last.1 - first.1) * k as f64 / (RISE_CUTS + 1) as f64;
            cuts.extend(rise.iter().find(|r| level <= r.1).map(|r| r.0));
        }
    }
    cuts.sort_by(f64::total_cmp);
    let mut edges = vec![from_u];
    for cut in cuts {
        if edges[edges.len() - 1] + LEAST_PIECE * span < cut && cut < to_u - LEAST_PIECE * span {
            edges.push(cut);
        }
    }
    edges.push(to_u);
    edges
}

/// The clock and the highest log of the apparent resistance so far, of the channel that rose most.
fn rise(setting: &Setting, knot_u: &[f64], from_u: f64, to_u: f64) -> Vec<(f64, f64)> {
    let window = setting.window;
    let n = window.channels;
    let mut best: Vec<(f64, f64)> = Vec::new();
    for c in 0..n {
        let outlet = setting.baseline.outlet_mmhg(c);
        let apparent: Vec<(f64, f64)> = window
            .seen
            .iter()
            .zip(&window.observations)
            .filter(|(seen, _)| seen.channel == c && 0 < seen.knot)
            .filter_map(|(seen, o)| {
                let flow: f64 = window.rate_ml_h[(seen.knot - 1) * n..seen.knot * n]
                    .iter()
                    .sum();
                let u = knot_u[seen.knot];
                let counts = 0.0 < flow && from_u <= u && u <= to_u;
                counts.then(|| (u, ((o.value - outlet) / flow).max(1e-3).ln()))
            })
            .collect();
        let mut highest = f64::NEG_INFINITY;
        let mut own = Vec::with_capacity(apparent.len());
        for three in apparent.windows(3) {
            let mut values = [three[0].1, three[1].1, three[2].1];
            values.sort_by(f64::total_cmp);
            highest = highest.max(values[1]);
            own.push((three[1].0, highest));
        }
        let span = |r: &[(f64, f64)]| match (r.first(), r.last()) {
            (Some(first), Some(last)) => last.1 - first.1,
            _ => 0.0,
        };
        if span(&best) < span(&own) {
            best = own;
        }
    }
    best
}
