//! When a cause that came at one go began: a second look, after the cause is chosen.
//!
//! In: the case, its judgement and the chosen explanation. Out: draws of the onset. The fit's own picture of it is a normal
//! one about the best moment; but what begins while a pump rests could have begun at any time of the rest, and
//! what begins at a restart is hidden behind the pump's play. So the explanation is held at moments one by one and all else
//! fitted anew (a profile of the marginal likelihood); moments are added where the probability lies.

use super::causes::{
    Explanation, Fitted, Held, Setting, SharedStep, SupplyStop, TubingBlock, common_count, fit_from,
};
use super::judge::{Case, Judgement, Weighed};
use super::near::{self, About};
use super::review::Cause;
use crate::time::Span;

/// Factor on the spread of an onset that came at one go: the readings of a ramp share what the equations leave out, parts that
/// stiffen as they are stretched, a plunger that sticks (chosen on the tuning set).
const WIDER: f64 = 1.5;
/// Share of such causes that came while the line was in hand, at its last stop: a clamp that stays closed after a change of
/// container or set (common practice, no source).
const HANDLED_SHARE: f64 = 0.3;
/// What was done at a stop shows within so long after it, seconds.
pub const HANDLED_S: f64 = 20.0;
/// Offsets of the first moments that are tried, in spreads.
const OFFSETS: [f64; 11] = [-8.0, -4.0, -2.0, -1.0, -0.5, 0.0, 0.5, 1.0, 2.0, 4.0, 8.0];
/// And so long before the deviation stood out, seconds: what comes slowly stands out late.
const BACK_S: [f64; 9] = [1.0, 15.0, 60.0, 180.0, 420.0, 900.0, 1800.0, 3600.0, 7200.0];
/// The stretch about the onset is cut anew where the onset came out this far from where it was thought, in readings.
const LOOK_AGAIN_PERIODS: f64 = 2.0;
/// So many times at most.
const LOOKS: usize = 2;
/// Most moments that are added beyond the first tried, where the probability rises towards the edge.
const MOST_EDGES: usize = 4;
/// Most moments that are added where the probability lies.
const MOST_ADDED: usize = 10;

/// Draws of the onset, seconds, in order, with the stop within which any of them counts as the restart; `None` where the
/// cause does not come at one go or cannot be fitted.
pub fn look(
    case: &Case,
    judgement: &Judgement,
    chosen: &Weighed,
) -> Option<(Vec<f64>, Option<Span>)> {
    let whole = case.setting(&judgement.window, judgement.peak_s);
    let channel = chosen.fitted.channel;
    explanation(&whole, chosen)?;
    let common = common_count(whole.window.channels);
    let stop = stop_about(&whole, channel);
    let id = channel.map(|c| case.record.channels[c].id.as_str());
    let stops = case.doings.pauses_of(id).count();
    let plays = stop.filter(|_| chosen.fitted.cause != Cause::SupplyStopped);
    let period_s = case.least_period_s();
    let mut about = near::by_fit(&whole, chosen, common);
    let mut draws = Vec::new();
    for _ in 0..LOOKS {
        let stretch = near::stretch(case, judgement, chosen, about, stop);
        let window = stretch.as_ref().unwrap_or(&judgement.window);
        let setting = case.setting(window, judgement.peak_s);
        let inner = explanation(&setting, chosen)?;
        let mut profile = Profile {
            setting: &setting,
            inner: inner.as_ref(),
            stop,
            stops: stops.max(1) as f64,
            record_s: (case.record.end_s() - case.record.start_s()).max(1.0),
            restart_s: plays.map(|s| s.end_s),
            until_s: case
                .alarm_s
                .map_or(judgement.peak_s, |a| judgement.peak_s.min(a)),
            common,
            points: Vec::new(),
        };
        profile.scan(&chosen.fitted, about, period_s)?;
        draws = profile.draws();
        let middle_s = *draws.get(draws.len() / 2)?;
        let moved_s = (middle_s - about.t_s).abs();
        about = About {
            t_s: middle_s,
            sd_s: 0.5 * about.sd_s,
        };
        if moved_s <= LOOK_AGAIN_PERIODS * period_s {
            break;
        }
    }
    Some((draws, stop))
}

/// The stop in which it may have come: the last that was over when the deviation stood out, or the one in which that was.
fn stop_about(whole: &Setting, channel: Option<usize>) -> Option<Span> {
    let about = |s: &Span| s.start_s <= whole.start_s || s.end_s <= whole.start_s + 60.0;
    let mut stops = whole.window.stops(channel).into_iter();
    stops.rfind(|s| about(s) && s.end_s < whole.window.end_s())
}

/// The chosen explanation, if its cause comes at one go: of one that comes and goes, its first coming.
fn explanation(setting: &Setting, chosen: &Weighed) -> Option<Box<dyn Explanation>> {
    Some(match (chosen.fitted.cause, chosen.fitted.channel) {
        (Cause::TubingBlocked, Some(c)) => Box::new(TubingBlock::new(setting, c)),
        (Cause::CatheterBlocked | Cause::CatheterPositional, None) => {
            Box::new(SharedStep::new(setting))
        }
        (Cause::SupplyStopped, Some(c)) => Box::new(SupplyStop::fading(setting, c)),
        _ => return None,
    })
}

/// A moment with what it weighs.
struct Point {
    t_s: f64,
    log_density: f64,
    theta: Vec<f64>,
}

struct Profile<'a> {
    setting: &'a Setting<'a>,
    inner: &'a dyn Explanation,
    stop: Option<Span>,
    /// How many such stops the record has.
    stops: f64,
    /// The record's length, seconds.
    record_s: f64,
    restart_s: Option<f64>,
    /// It began before its height, and before the alarm that it led to, seconds.
    until_s: f64,
    common: usize,
    /// In order of time.
    points: Vec<Point>,
}

impl Profile<'_> {
    fn scan(&mut self, fitted: &Fitted, about: About, period_s: f64) -> Option<()> {
        let best_s = about.t_s;
        // Between readings hours apart no spread tells more than half of their distance.
        let spread_s = (WIDER * about.sd_s)
            .min(7200.0)
            .max(0.5 * period_s.max(2.0));
        let mut moments: Vec<f64> = OFFSETS.iter().map(|o| best_s + o * spread_s).collect();
        if let Some(stop) = self.stop {
            let step_s = period_s.max(5.0);
            moments.extend([stop.start_s, 0.5 * (stop.start_s + stop.end_s), stop.end_s]);
            moments.extend([1.0, 2.0, 4.0, 8.0].map(|k| stop.end_s + k * step_s));
        }
        let (from_s, to_s) = (self.setting.window.start_s(), self.until_s);
        let out_s = self.setting.start_s.min(to_s);
        moments.extend(BACK_S.map(|back_s| out_s - back_s));
        moments.retain(|t| from_s < *t && *t < to_s);
        moments.sort_by(f64::total_cmp);
        moments.dedup_by(|a, b| (*a - *b).abs() < 0.2 * period_s.max(1.0));
        let mut start: Vec<f64> = fitted.fit.theta[..self.common].to_vec();
        let own = match fitted.cause {
            Cause::CatheterPositional => self.inner.starts().swap_remove(0),
            _ => fitted.fit.theta[self.common..].to_vec(),
        };
        let held = Held {
            inner: self.inner,
            at_h: 0.0,
            restart_s: self.restart_s,
        };
        start.extend(held.start(&own));
        for t_s in moments {
            self.add(t_s, &start);
        }
        for _ in 0..MOST_EDGES {
            let Some(t_s) = self.beyond_edge() else {
                break;
            };
            self.add(t_s, &start);
        }
        for _ in 0..MOST_ADDED {
            let Some(t_s) = self.where_to_add(period_s) else {
                break;
            };
            let near = self
                .points
                .partition_point(|p| p.t_s < t_s)
                .saturating_sub(1);
            let start = self.points[near].theta.clone();
            self.add(t_s, &start);
        }
        (1 < self.points.len()).then_some(())
    }

    fn add(&mut self, t_s: f64, start: &[f64]) {
        let held = Held {
            inner: self.inner,
            at_h: (t_s - self.setting.start_s) / 3600.0,
            restart_s: self.restart_s,
        };
        if let Some((fit, _)) = fit_from(&held, self.setting, &[start.to_vec()]) {
            let log_density = fit.log_evidence / (WIDER * WIDER) + self.log_prior(t_s);
            let at = self.points.partition_point(|p| p.t_s < t_s);
            self.points.insert(
                at,
                Point {
                    t_s,
                    log_density,
                    theta: fit.theta,
                },
            );
        }
    }

    /// At any moment of the record, or while the line was in hand: at any of its stops.
    fn log_prior(&self, t_s: f64) -> f64 {
        let handled = self.stop.map_or(0.0, |stop| {
            let until_s = stop.end_s + HANDLED_S;
            let at_it = stop.start_s <= t_s && t_s <= until_s;
            f64::from(u8::from(at_it)) / (until_s - stop.start_s) / self.stops
        });
        (HANDLED_SHARE * handled + (1.0 - HANDLED_SHARE) / self.record_s).ln()
    }

    /// Probability of each stretch between neighbouring moments, not normalised: the density is a line between them.
    fn masses(&self) -> Vec<f64> {
        let top = self
            .points
            .iter()
            .map(|p| p.log_density)
            .fold(f64::NEG_INFINITY, f64::max);
        let density = |p: &Point| (p.log_density - top).exp();
        self.points
            .windows(2)
            .map(|w| 0.5 * (density(&w[0]) + density(&w[1])) * (w[1].t_s - w[0].t_s))
            .collect()
    }

    /// A moment beyond the first or the last one, as far again as the others lie apart, where the density still rises there.
    fn beyond_edge(&self) -> Option<f64> {
        let (first, last) = (self.points.first()?, self.points.last()?);
        let (from_s, to_s) = (self.setting.window.start_s(), self.until_s);
        let best = self
            .points
            .iter()
            .max_by(|a, b| a.log_density.total_cmp(&b.log_density))?;
        let length_s = 0.5 * (last.t_s - first.t_s);
        let t_s = if best.t_s == first.t_s {
            first.t_s - length_s
        } else if best.t_s == last.t_s {
            last.t_s + length_s
        } else {
            return None;
        };
        (from_s < t_s && t_s < to_s).then_some(t_s)
    }

    /// The middle of the stretch with most of the probability, where it is more than a tenth and longer than readings are apart.
    fn where_to_add(&self, period_s: f64) -> Option<f64> {
        let masses = self.masses();
        let total: f64 = masses.iter().sum();
        self.points
            .windows(2)
            .zip(&masses)
            .filter(|(w, m)| period_s.max(1.0) < w[1].t_s - w[0].t_s && 0.1 * total < **m)
            .max_by(|a, b| a.1.total_cmp(b.1))
            .map(|(w, _)| 0.5 * (w[0].t_s + w[1].t_s))
    }

    /// The hundredths of the distribution.
    fn draws(&self) -> Vec<f64> {
        let masses = self.masses();
        let total: f64 = masses.iter().sum();
        let mut draws = Vec::with_capacity(99);
        let mut before = 0.0;
        for (w, m) in self.points.windows(2).zip(&masses) {
            while draws.len() < 99 {
                let next = (draws.len() + 1) as f64 / 100.0 * total;
                if before + m < next {
                    break;
                }
                let share = if 0.0 < *m { (next - before) / m } else { 0.5 };
                draws.push(w[0].t_s + share * (w[1].t_s - w[0].t_s));
            }
            before += m;
        }
        draws
    }
}
