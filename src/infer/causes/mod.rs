//! The causes, each a forward model of the line over a window: one file per kind, one trait.
//!
//! An [`Explanation`] says which parameters it has, what they are likely to be, and what it does to the line;
//! [`fit_explanation`] fits it together with what every explanation shares (outlet pressure, baseline
//! resistance, the scale of the compliances, each sensor's zero). All channels are fitted jointly.

mod growth;
mod height;
mod held;
mod positional;
mod settling;
mod steady;
mod step;
mod supply;
mod tubing;
mod uneven;
mod wander;

pub use growth::{Clock, Growth, Law};
pub use height::HeightChange;
pub use held::Held;
pub use positional::Positional;
pub use settling::Settling;
pub use steady::Steady;
pub use step::SharedStep;
pub use supply::SupplyStop;
pub use tubing::TubingBlock;
pub use uneven::Uneven;
pub use wander::Wander;

use super::baseline::{Baseline, PartsPrior};
use super::fit::{self, Fit, Observation, Prior};
use super::memo::{self, Memo};
use super::network::{self, Drive};
use super::review::Cause;
use super::window::Window;

/// Factor on the spread of what a fit gives, for onsets: parts that stiffen as they are stretched and growth in fits and
/// starts bend the first stretch of a climb more than the model does (chosen on the tuning set).
const ONSET_WIDER: f64 = 4.5;

/// What an explanation needs for an occlusion alarm.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Rings {
    /// A pressure at the limit.
    AtLimit,
    /// Nothing of the line: it lies on the sensor.
    Anyway,
    /// Chance: it only lowers the pressure.
    ByChance,
}

/// A growing resistance has its onset at this multiple of its baseline: the definition of the output.
pub const ONSET_RATIO: f64 = 1.5;
/// How far a growing resistance strays from a smooth course about its onset, as the log of a factor: it grows in fits and starts,
/// so the moment at which it passes a level is known less well, the slower it grows there (chosen on the tuning set).
const STRAYS: f64 = 0.15;
/// What grows or comes and goes does so in steps of a minute or two: no onset of it is known better than this, seconds (common
/// practice, no source).
const STEPS_S: f64 = 90.0;

/// What every explanation may look at.
pub struct Setting<'a> {
    /// The window.
    pub window: &'a Window,
    /// The fits that were made before.
    pub memo: &'a Memo,
    /// What is known of the line's parts.
    pub parts: &'a PartsPrior,
    /// What the record before the window taught.
    pub baseline: &'a Baseline,
    /// Resistance of each channel's tubing, mmHg·h/mL, taken as known.
    pub own: Vec<f64>,
    /// Whether the resistance at the window's start need not be the baseline's: an earlier relief was not complete.
    pub after_relief: bool,
    /// When the deviation began to stand out, seconds.
    pub start_s: f64,
    /// When it was at its height: alarm, or the end.
    pub peak_s: f64,
    /// Compliance below the join that lies above a block in the filter, then above one below it, mL/mmHg.
    pub shared_ml_per_mmhg: [f64; 2],
}

/// The line over the window's intervals, cut further at an explanation's own moments.
pub struct Course {
    /// Middle of each interval, seconds.
    pub middle_s: Vec<f64>,
    /// Volume delivered up to the middle of each interval, mL.
    pub middle_ml: Vec<f64>,
    /// The line.
    pub drive: Drive,
    /// All compliances are so many times what is known of the parts.
    pub scale: f64,
}

impl Course {
    /// What lies below the join up to a block fills with the channels' own stores: so much by what is known of the parts, mL/mmHg.
    fn fill_below_join(&mut self, ml_per_mmhg: f64) {
        let filled = &mut self.drive.shared_ml_per_mmhg;
        *filled = filled.max(self.scale * ml_per_mmhg);
    }

    /// Makes the resistance of an interval this many times its baseline: the shared one, or, for a filter in a channel's
    /// own tubing, that one's. Such a filter is most of the tubing's resistance and not part of the shared one: it
    /// grows from a like size.
    fn grow(&mut self, interval: usize, on_channel: Option<usize>, factor: f64) {
        let shared = &mut self.drive.shared_mmhg_h_per_ml[interval];
        match on_channel {
            None => *shared *= factor,
            Some(c) => {
                let at = interval * self.drive.channels + c;
                self.drive.own_mmhg_h_per_ml[at] += (factor - 1.0) * *shared;
            }
        }
    }
}

/// A cause as a forward model.
pub trait Explanation {
    /// The cause.
    fn cause(&self) -> Cause;
    /// The channel, for causes that lie on one.
    fn channel(&self) -> Option<usize> {
        None
    }
    /// Priors of its own parameters.
    fn priors(&self) -> Vec<Prior>;
    /// Starting points of its own parameters.
    fn starts(&self) -> Vec<Vec<f64>>;
    /// Moments at which it changes the line at one go.
    fn breaks(&self, _own: &[f64]) -> Vec<f64> {
        Vec::new()
    }
    /// Own parameters to try once a fit is found: the pressure's slopes over a moment reach no further than the readings next to it,
    /// so a search may rest at a wrong one with all else right.
    fn elsewhere(&self, _own: &[f64]) -> Vec<Vec<f64>> {
        Vec::new()
    }
    /// Changes the line: resistances, inflows, compliances.
    fn shape(&self, own: &[f64], course: &mut Course);
    /// Adds to the pressure that a channel's sensor shows at a moment, mmHg.
    fn shift_mmhg(&self, _own: &[f64], _channel: usize, _t_s: f64) -> f64 {
        0.0
    }
    /// Factor on the spread of an observation, for what the explanation does not claim to predict.
    fn spread_factor(&self, _channel: usize, _t_s: f64) -> f64 {
        1.0
    }
    /// What it takes for an occlusion alarm.
    fn rings(&self) -> Rings {
        Rings::AtLimit
    }
    /// When it began, seconds; `None` where it has no beginning. For a growing resistance: when it stood at this multiple
    /// of its baseline.
    fn onset_s(&self, own: &[f64], ratio: f64) -> Option<f64>;
}

/// An explanation with its fit.
#[derive(Debug, Clone)]
pub struct Fitted {
    /// The cause.
    pub cause: Cause,
    /// The channel, for causes that lie on one.
    pub channel: Option<usize>,
    /// What it takes for an occlusion alarm.
    pub rings: Rings,
    /// The fit; parameters common to all first.
    pub fit: Fit,
    /// When it began: draws from the fit, seconds, sorted; empty where it has no beginning.
    pub onset_draws_s: Vec<f64>,
    /// Expected pressure at each observation, mmHg.
    pub predicted: Vec<f64>,
    /// Log evidence, with what is known beyond the pressure still to be added.
    pub log_evidence: f64,
}

/// Number of parameters common to all explanations of `n` channels.
pub fn common_count(n: usize) -> usize {
    if n == 1 { 3 } else { 3 + n }
}

/// By how much a channel's pressure at zero flow lies above the mean one, mmHg, among common parameters of `n` channels.
fn zero_mmhg(theta: &[f64], n: usize, channel: usize) -> f64 {
    if n == 1 { 0.0 } else { theta[3 + channel] }
}

/// A channel's pressure at zero flow by a fit, mmHg, with its standard deviation, among `n` channels.
pub fn outlet_mmhg(fit: &Fit, n: usize, channel: usize) -> (f64, f64) {
    let sd = if n == 1 {
        fit.sd(0)
    } else {
        fit.sd_of_sum(0, 3 + channel)
    };
    (fit.theta[0] + zero_mmhg(&fit.theta, n, channel), sd)
}

/// Priors of the outlet pressure (the mean over the channels), the log of the shared resistance, the log of the compliances'
/// scale, and with several channels each one's own zero: no channel is set apart, whatever it is called.
fn common_priors(setting: &Setting) -> Vec<Prior> {
    let b = setting.baseline;
    let n = setting.window.channels;
    let mean = |of: &dyn Fn(usize) -> f64| (0..n).map(of).sum::<f64>() / n as f64;
    let outlet = mean(&|c| b.outlet_mmhg(c));
    let sd_outlet = (1.5 * mean(&|c| b.outlet_sd(c))).clamp(2.5, 16.0);
    let (log_shared, log_sd) = b.log_shared();
    let sd_shared = (1.5 * log_sd).clamp(0.08, 1.5);
    let sd_shared = if setting.after_relief { 1.2 } else { sd_shared };
    let log_scale = setting
        .parts
        .own_ml_per_mmhg
        .iter()
        .map(|c| c.1)
        .fold(0.0, f64::max);
    let mut priors = vec![
        Prior {
            mean: outlet,
            sd: sd_outlet,
        },
        Prior {
            mean: log_shared,
            sd: sd_shared,
        },
        Prior {
            mean: 0.0,
            sd: log_scale,
        },
    ];
    if 1 < n {
        priors.extend((0..n).map(|c| Prior {
            mean: b.outlet_mmhg(c) - outlet,
            // Two of them make the difference between two channels.
            sd: (1.5 * b.outlet_sd(c)).clamp(1.5, 6.0) * std::f64::consts::FRAC_1_SQRT_2,
        }));
    }
    priors
}

/// Fits one explanation; `None` where it cannot be fitted, or the budget of work is spent.
pub fn fit_explanation(explanation: &dyn Explanation, setting: &Setting) -> Option<Fitted> {
    let n = setting.window.channels;
    let middle: Vec<f64> = common_priors(setting).iter().map(|p| p.mean).collect();
    let starts: Vec<Vec<f64>> = explanation
        .starts()
        .into_iter()
        .map(|own| middle.iter().copied().chain(own).collect())
        .collect();
    let (fitted, predicted) = fit_from(explanation, setting, &starts)?;
    let onset_draws_s = onset_draws(explanation, &fitted, common_count(n));
    Some(Fitted {
        cause: explanation.cause(),
        channel: explanation.channel(),
        rings: explanation.rings(),
        log_evidence: fitted.log_evidence,
        fit: fitted,
        onset_draws_s,
        predicted,
    })
}

/// Fits one explanation from starting points that hold the common parameters too; gives the fit and what it predicts.
pub fn fit_from(
    explanation: &dyn Explanation,
    setting: &Setting,
    starts: &[Vec<f64>],
) -> Option<(Fit, Vec<f64>)> {
    let (priors, observations) = to_fit(explanation, setting);
    let mut room = Vec::new();
    let mut predict = |theta: &[f64], out: &mut Vec<f64>| {
        predict(explanation, setting, theta, &mut room, out);
    };
    let kind = explanation.cause() as u64;
    let key = memo::key(kind, &observations, &priors, starts, &mut predict);
    let fit = || fit_anew(explanation, &observations, &priors, starts, &mut predict);
    setting.memo.get_or(key, fit)
}

/// The priors of all parameters of an explanation, and the observations with the spread that it allows them.
fn to_fit(explanation: &dyn Explanation, setting: &Setting) -> (Vec<Prior>, Vec<Observation>) {
    let window = setting.window;
    let mut priors = common_priors(setting);
    priors.extend(explanation.priors());
    let mut observations = window.observations.clone();
    for (o, seen) in observations.iter_mut().zip(&window.seen) {
        o.sd *= explanation.spread_factor(seen.channel, window.knot_s[seen.knot]);
    }
    (priors, observations)
}

fn fit_anew(
    explanation: &dyn Explanation,
    observations: &[Observation],
    priors: &[Prior],
    starts: &[Vec<f64>],
    predict: &mut dyn FnMut(&[f64], &mut Vec<f64>),
) -> Option<(Fit, Vec<f64>)> {
    let mut fitted = fit::fit(observations, priors, starts, predict)?;
    let mut predicted = Vec::new();
    predict(&fitted.theta, &mut predicted);
    let here = fit::loss_of(observations, priors, &fitted.theta, &predicted);
    let common = priors.len() - explanation.priors().len();
    let mut room = Vec::new();
    let better = explanation
        .elsewhere(&fitted.theta[common..])
        .into_iter()
        .map(|own| [&fitted.theta[..common], &own].concat())
        .map(|theta| {
            predict(&theta, &mut room);
            let there = fit::loss_of(observations, priors, &theta, &room);
            (there, theta)
        })
        .filter(|(there, _)| *there < here)
        .min_by(|a, b| a.0.total_cmp(&b.0));
    if let Some((_, start)) = better
        && let Some(again) = fit::fit(observations, priors, &[start], predict)
        && fitted.log_evidence < again.log_evidence
    {
        fitted = again;
        predict(&fitted.theta, &mut predicted);
    }
    Some((fitted, predicted))
}

fn predict(
    explanation: &dyn Explanation,
    setting: &Setting,
    theta: &[f64],
    room: &mut Vec<f64>,
    out: &mut Vec<f64>,
) {
    let window = setting.window;
    let n = window.channels;
    let own = &theta[common_count(n)..];
    let mut breaks = explanation.breaks(own);
    breaks.retain(|b| window.start_s() < *b && *b < window.end_s());
    breaks.sort_by(f64::total_cmp);
    let scale = theta[2].exp();
    let intervals = window.knot_s.len() - 1 + breaks.len();
    if !setting.memo.work.take(intervals * n) {
        // No number: every search ends at once.
        out.clear();
        out.resize(window.seen.len(), f64::NAN);
        return;
    }
    let mut course = Course {
        middle_s: Vec::with_capacity(intervals),
        middle_ml: Vec::with_capacity(intervals),
        drive: Drive {
            channels: n,
            dt_h: Vec::with_capacity(intervals),
            inflow_ml_h: Vec::with_capacity(intervals * n),
            own_mmhg_h_per_ml: Vec::with_capacity(intervals * n),
            shared_mmhg_h_per_ml: vec![theta[1].exp(); intervals],
            own_ml_per_mmhg: setting
                .parts
                .own_ml_per_mmhg
                .iter()
                .map(|c| c.0 * scale)
                .collect(),
            shared_ml_per_mmhg: setting.shared_ml_per_mmhg[0] * scale,
            outlet_mmhg: theta[0],
            resets: Vec::new(),
            lifts: Vec::new(),
        },
        scale,
    };
    // Where each knot of the window stands after the cuts.
    let mut place = Vec::with_capacity(window.knot_s.len());
    place.push(0);
    let mut next = 0;
    for k in 0..window.knot_s.len() - 1 {
        let (mut from_s, to_s) = (window.knot_s[k], window.knot_s[k + 1]);
        let length_s = to_s - from_s;
        loop {
            let cut_s = match breaks.get(next) {
                Some(&b) if b < to_s => b,
                _ => to_s,
            };
            let middle_s = 0.5 * (from_s + cut_s);
            let share = (middle_s - window.knot_s[k]) / length_s;
            course.middle_s.push(middle_s);
            course.middle_ml.push(
                window.volume_ml[k] + share * (window.volume_ml[k + 1] - window.volume_ml[k]),
            );
            course.drive.dt_h.push((cut_s - from_s).max(1e-6) / 3600.0);
            course
                .drive
                .inflow_ml_h
                .extend_from_slice(&window.rate_ml_h[k * n..(k + 1) * n]);
            course
                .drive
                .own_mmhg_h_per_ml
                .extend_from_slice(&setting.own);
            if cut_s == to_s {
                break;
            }
            next += 1;
            from_s = cut_s;
        }
        place.push(course.drive.dt_h.len());
    }
    course.drive.resets = window
        .restarts
        .iter()
        .map(|&(knot, c, mmhg)| (place[knot], c, mmhg - zero_mmhg(theta, n, c)))
        .collect();
    explanation.shape(own, &mut course);
    network::pressures(&course.drive, room);
    out.clear();
    for seen in &window.seen {
        let zero = zero_mmhg(theta, n, seen.channel);
        let shift = explanation.shift_mmhg(own, seen.channel, window.knot_s[seen.knot]);
        out.push(room[place[seen.knot] * n + seen.channel] + zero + shift);
    }
}

/// Draws of the onset from the normal approximation of the fit, by a fixed sequence, so that the same record
/// gives the same answer: quasi-random points through the normal quantile along each axis of the explanation's own
/// parameters. The common ones only widen those, as their covariance holds; so no draw goes by the channels' order.
fn onset_draws(explanation: &dyn Explanation, fitted: &Fit, common: usize) -> Vec<f64> {
    let own = &fitted.theta[common..];
    let Some(middle_s) = explanation.onset_s(own, ONSET_RATIO) else {
        return Vec::new();
    };
    let d = own.len();
    let of_own = fitted
        .covariance
        .view((common, common), (d, d))
        .into_owned();
    let Some(cholesky) = of_own.cholesky() else {
        return vec![middle_s];
    };
    let l = cholesky.l();
    let mut draws: Vec<f64> = (1..=99u32)
        .filter_map(|i| {
            let z: Vec<f64> = (0..d).map(|j| ONSET_WIDER * normal_point(i, j)).collect();
            let drawn: Vec<f64> = (0..d)
                .map(|r| own[r] + (0..=r).map(|c| l[(r, c)] * z[c]).sum::<f64>())
                .collect();
            let strayed = (STRAYS * normal_point(i, d)).exp();
            let onset_s = explanation.onset_s(&drawn, ONSET_RATIO * strayed)?;
            Some(onset_s + STEPS_S * normal_point(i, d + 1))
        })
        .filter(|t| t.is_finite())
        .collect();
    draws.sort_by(f64::total_cmp);
    draws
}

/// A point of Richtmyer's sequence, multiples of the square roots of primes less their whole part, as a normal quantile: unlike
/// sequences in prime bases it stays even in pairs of high axes with a hundred points.
fn normal_point(i: u32, axis: usize) -> f64 {
    const PRIMES: [u32; 20] = [
        2, 3, 5, 7, 11, 13, 17, 19, 23, 29, 31, 37, 41, 43, 47, 53, 59, 61, 67, 71,
    ];
    let root = f64::from(PRIMES[axis % PRIMES.len()]).sqrt();
    let at = (f64::from(i) * root).fract();
    crate::stats::normal::quantile(at.clamp(1e-6, 1.0 - 1e-6))
}
