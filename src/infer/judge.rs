//! Weighs the explanations of one excursion: probabilities of causes and sites.
//!
//! In: the record and an excursion. Out: a [`Judgement`]: every explanation's fit, the probability of each
//! cause, and of none of them. Each explanation's marginal likelihood is multiplied by the prior of its cause and by
//! what is known beyond the pressure.

use super::baseline::PartsPrior;
use super::blocks::Block;
use super::candidates;
use super::causes::{Fitted, Setting, fit_explanation};
use super::context::{self, Clue};
use super::excursion::Excursion;
use super::figures;
use super::fit;
use super::parts::{self, FilterPlace};
use super::rang::{self, Rung};
use super::regimes::Doings;
use super::review::{Cause, Course, Site};
use super::stop;
use super::tracker::Tracker;
use super::window::{self, Window};
use crate::record::Record;

/// After a stop the pressure that stands tells a block from a knock: so much of it is fitted, seconds.
const STANDING_S: f64 = 180.0;
/// A line that was relieved while it ran has fallen to half within this, seconds; it stood at its height while it stood at so much
/// of it.
const FALLS_S: f64 = 1200.0;
/// See [`FALLS_S`].
const STILL_HIGH: f64 = 0.9;
/// What grows takes this long from 1.5 times its size to its height, seconds, or longer; what takes less is the rarer, by a log-normal of
/// this spread (the shortest tenth and fiftieth of made records of the tuning set take 7 and 4 minutes).
const GROWS_S: f64 = 600.0;
/// The same of what precipitates, seconds: it does so within minutes (common practice, no source).
const PRECIPITATES_S: f64 = 300.0;
/// See [`GROWS_S`].
const GROWS_SPREAD: f64 = 0.7;
/// A pump is moved by a metre of water at most, mmHg, give or take 20 cm (common practice, no source).
const REACH_MMHG: f64 = 73.6;
/// See [`REACH_MMHG`].
const REACH_SPREAD_MMHG: f64 = 14.7;
/// The readings of so many bouts are looked at one by one.
const MOST_BOUTS: usize = 12;
/// Prior share of "none of these".
const UNEXPLAINED_SHARE: f64 = 0.03;
/// What fits no cause still resembles some more than others: by this power of what its readings say of each.
const RESEMBLES: f64 = 0.5;
/// A reading that no cause explains is this many times its spread away, as a rule.
const UNEXPLAINED_SPREADS: f64 = 4.0;

/// A difference of log evidence counts for so much: readings whose errors hang together, and models that are never quite
/// the line's, make it too sure of itself by about twice (measured on made records of the tuning set; a power
/// likelihood, as in Grünwald and van Ommen, Bayesian Analysis 12 (2017), 1069–1103).
const EVIDENCE_POWER: f64 = 0.5;

/// One explanation with what it weighs.
pub struct Weighed {
    /// The explanation and its fit.
    pub fitted: Fitted,
    /// Natural log of what its readings, the alarm among them, say of it: tempered, without prior and context.
    log_readings: f64,
    /// Natural log of prior × context × tempered likelihood, not normalised.
    pub log_weight: f64,
    /// Probability, after all.
    pub probability: f64,
}

/// What was made of an excursion.
pub struct Judgement {
    /// The stretch that was fitted.
    pub window: Window,
    /// When the deviation was at its height in it, seconds.
    pub peak_s: f64,
    /// All explanations, most probable first.
    pub weighed: Vec<Weighed>,
    /// Probability of each cause, in the order of [`Cause::ALL`].
    pub causes: [f64; 11],
    /// Probability that none of them holds.
    pub unexplained: f64,
    /// Probability of each site; sums to 1.
    pub sites: [f64; 6],
    /// What is known beyond the pressure.
    pub clues: Vec<Clue>,
}

impl Judgement {
    /// The most probable site and its probability.
    pub fn best_site(&self) -> (Site, f64) {
        let mut best = (Site::None, 0.0);
        for site in Site::ALL {
            if best.1 < self.sites[site.index()] {
                best = (site, self.sites[site.index()]);
            }
        }
        best
    }

    /// The most probable explanation of a site.
    pub fn best_of(&self, site: Site) -> Option<&Weighed> {
        self.weighed.iter().find(|w| w.fitted.cause.site() == site)
    }

    /// Probability that something hinders the flow.
    pub fn obstruction(&self) -> f64 {
        Site::ALL
            .iter()
            .filter(|s| s.is_obstruction())
            .map(|s| self.sites[s.index()])
            .sum()
    }

    /// Best tempered log likelihood among the explanations that pass a test.
    pub fn best_log(&self, test: impl Fn(&Fitted) -> bool) -> Option<f64> {
        self.weighed
            .iter()
            .filter(|w| test(&w.fitted))
            .map(|w| EVIDENCE_POWER * w.fitted.log_evidence)
            .max_by(f64::total_cmp)
    }
}

/// The surroundings of an excursion that is to be judged.
pub struct Case<'a> {
    /// The record.
    pub record: &'a Record,
    /// What the pumps did.
    pub doings: &'a Doings,
    /// What is known of the parts.
    pub parts: &'a PartsPrior,
    /// The tracker, as it stood when the excursion began.
    pub tracker: &'a Tracker,
    /// The excursion.
    pub excursion: &'a Excursion,
    /// The alarm it led to, seconds.
    pub alarm_s: Option<f64>,
    /// Nothing before this moment belongs to the window, seconds: an earlier episode's end, a new filter.
    pub not_before_s: f64,
    /// The record is read up to here, seconds.
    pub read_to_s: f64,
    /// Whether it follows a relief that was not complete: the resistance before it need not be the baseline's.
    pub after_relief: bool,
    /// The alarms of the record that were judged before.
    pub rung: Rung,
}

impl Case<'_> {
    /// What explanations of this excursion may look at.
    pub fn setting<'b>(&'b self, window: &'b Window, peak_s: f64) -> Setting<'b> {
        let place = parts::filter_place(self.record);
        let filter = if matches!(place, FilterPlace::Shared | FilterPlace::Unsaid) {
            self.parts.filter_ml_per_mmhg
        } else {
            0.0
        };
        let baseline = &self.tracker.baseline;
        Setting {
            window,
            parts: self.parts,
            baseline,
            own: (0..window.channels).map(|c| baseline.own(c)).collect(),
            after_relief: self.after_relief,
            start_s: self.excursion.start_s,
            peak_s,
            // Up to a block in the filter half its housing is filled; up to one below it, all and the tail.
            shared_ml_per_mmhg: [
                0.05e-3 + 0.5 * filter,
                0.05e-3 + filter + self.parts.tail_ml_per_mmhg,
            ],
        }
    }

    /// How far apart readings are, of the channel that is read most often, seconds; a minute where nobody can say.
    pub fn least_period_s(&self) -> f64 {
        self.doings.least_period_s.unwrap_or(60.0)
    }
}

/// Judges an excursion; `None` where too few readings lie in its window.
pub fn judge(case: &Case) -> Option<Judgement> {
    let (record, doings, excursion) = (case.record, case.doings, case.excursion);
    let until_s = excursion.end_s.unwrap_or(case.read_to_s);
    let last_out_s = excursion.bouts.last().map_or(until_s, |b| b.1);
    // What follows the relief, or what staff did after the stop, is another line; what precedes is the baseline.
    let stop_s = stop::stop(case, last_out_s);
    let end_s = match stop_s {
        Some(stop_s) => stop::first_touch(case, stop_s).min(last_out_s.max(stop_s + STANDING_S)),
        None if 2 <= excursion.bouts.len() => until_s,
        None => still_high_s(case, last_out_s).min(until_s),
    };
    let length_s = end_s - excursion.start_s;
    let back_s = (4.0 * length_s).clamp(2.0 * 3600.0, 24.0 * 3600.0);
    let start_s = (excursion.start_s - back_s)
        .max(case.not_before_s)
        .max(record.start_s());
    let peak_s = stop_s.unwrap_or(end_s).max(excursion.start_s);
    let mut moments = vec![excursion.start_s, peak_s, end_s];
    for bout in excursion.bouts.iter().take(MOST_BOUTS) {
        moments.extend([bout.0, bout.1]);
    }
    let mut window = window::cut(
        record,
        doings,
        &case.tracker.noise,
        start_s,
        end_s.max(peak_s),
        &moments,
    )?;
    for (o, seen) in window.observations.iter_mut().zip(&window.seen) {
        o.value -= case.tracker.offset_mmhg[seen.channel];
    }
    let alarm = rang::alarm_reading(case, &window);
    if let Some(alarm) = &alarm {
        window.seen.push(alarm.seen);
        window.observations.push(alarm.reading);
    }
    let setting = case.setting(&window, peak_s);
    let clues = context::clues(
        record,
        doings,
        case.tracker,
        excursion,
        case.alarm_s,
        case.read_to_s,
    );
    let mut weighed = Vec::new();
    for (explanations, share) in candidates::candidates(case, &setting) {
        let each = share / explanations.len().max(1) as f64;
        for explanation in explanations {
            let Some(fitted) = fit_explanation(explanation.as_ref(), &setting) else {
                continue;
            };
            let context = log_context(&clues, fitted.cause, fitted.channel);
            let alarmed = alarm.as_ref().map_or(0.0, |a| a.log_alarm(&fitted));
            let shift_mmhg = figures::shift(&fitted).map_or(0.0, |s| s.1);
            let pace = log_pace(&fitted, peak_s) + log_reach(shift_mmhg);
            let log_readings = alarmed + pace + EVIDENCE_POWER * fitted.log_evidence;
            weighed.push(Weighed {
                log_weight: each.ln() + context + log_readings,
                log_readings,
                fitted,
                probability: 0.0,
            });
        }
    }
    // What fits no model still has a cause, and what is known beyond the pressure speaks of that cause all the same.
    let spread = Cause::ALL.map(|cause| {
        context::prior_share(&record.priors, cause) * log_context(&clues, cause, None).exp()
    });
    let unexplained = UNEXPLAINED_SHARE.ln()
        + spread.iter().sum::<f64>().ln()
        + EVIDENCE_POWER
            * window
                .observations
                .iter()
                .map(|o| o.weight * (fit::MEAN_LOG_DENSITY - (UNEXPLAINED_SPREADS * o.sd).ln()))
                .sum::<f64>();
    let spread = resembling(spread, &weighed);
    Some(normalise(
        window,
        peak_s,
        weighed,
        unexplained,
        spread,
        clues,
    ))
}

/// What is known of each cause beyond the pressure, times how near the best explanation of it comes; as it is where nothing could be
/// fitted.
fn resembling(spread: [f64; 11], weighed: &[Weighed]) -> [f64; 11] {
    let mut nearest = [f64::NEG_INFINITY; 11];
    for w in weighed {
        let near = &mut nearest[w.fitted.cause as usize];
        *near = near.max(RESEMBLES * w.log_readings);
    }
    let best = nearest.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    if best.is_finite() {
        std::array::from_fn(|i| spread[i] * (nearest[i] - best).exp())
    } else {
        spread
    }
}

/// When the pressure last stood at its height before it fell, seconds: no explanation says when a line that ran on was relieved, so
/// none is asked for the fall.
fn still_high_s(case: &Case, last_out_s: f64) -> f64 {
    if case.excursion.end_s.is_none() {
        return last_out_s;
    }
    let from_s = case.excursion.start_s.max(last_out_s - FALLS_S);
    let since = case.tracker.since(from_s);
    let until = since.partition_point(|b| b.t_s <= last_out_s);
    let counts = |b: &&Block| {
        b.last_s <= last_out_s && b.bar_mmhg.is_finite() && case.excursion.moved(b.channel)
    };
    let out = || since[..until].iter().filter(counts);
    let height = |b: &Block| b.deviation_mmhg.abs();
    let Some(top) = out().max_by(|a, b| height(a).total_cmp(&height(b))) else {
        return last_out_s;
    };
    let high = |b: &&Block| b.channel == top.channel && STILL_HIGH * height(top) <= height(b);
    out().rfind(high).map_or(last_out_s, |b| b.last_s)
}

/// Natural log of how likely it is that what grows did so as fast as a fit has it: from half again its size to its height within
/// seconds or a few minutes nothing loads and nothing narrows.
fn log_pace(fitted: &Fitted, peak_s: f64) -> f64 {
    let draws = &fitted.onset_draws_s;
    let grows = fitted.cause.course() == Course::Gradual;
    let grows_s = match fitted.cause {
        Cause::FilterPrecipitate => PRECIPITATES_S,
        _ => GROWS_S,
    };
    match draws.get(draws.len() / 2).filter(|_| grows) {
        Some(onset_s) if *onset_s < peak_s => {
            let short = (grows_s / (peak_s - onset_s)).ln() / GROWS_SPREAD;
            -0.5 * short.max(0.0).powi(2)
        }
        _ => 0.0,
    }
}

/// Natural log of how likely it is that a pump was raised or lowered by so much as a fit has it: nothing moves it by much more than a
/// metre.
fn log_reach(shift_mmhg: f64) -> f64 {
    let beyond = (shift_mmhg.abs() - REACH_MMHG) / REACH_SPREAD_MMHG;
    -0.5 * beyond.max(0.0).powi(2)
}

/// Natural log of what is known of a cause beyond the pressure.
fn log_context(clues: &[Clue], cause: Cause, channel: Option<usize>) -> f64 {
    clues
        .iter()
        .filter(|c| c.causes.contains(&cause))
        .filter(|c| c.channel.is_none() || channel.is_none() || c.channel == channel)
        .map(|c| c.log_factor)
        .sum()
}

fn normalise(
    window: Window,
    peak_s: f64,
    mut weighed: Vec<Weighed>,
    unexplained: f64,
    spread: [f64; 11],
    clues: Vec<Clue>,
) -> Judgement {
    let top = weighed
        .iter()
        .map(|w| w.log_weight)
        .fold(unexplained, f64::max);
    let total: f64 = weighed
        .iter()
        .map(|w| (w.log_weight - top).exp())
        .sum::<f64>()
        + (unexplained - top).exp();
    let mut causes = [0.0; 11];
    for w in &mut weighed {
        w.probability = (w.log_weight - top).exp() / total;
        causes[w.fitted.cause as usize] += w.probability;
    }
    let unexplained = (unexplained - top).exp() / total;
    let mut sites = [0.0; 6];
    let all: f64 = spread.iter().sum();
    for cause in Cause::ALL {
        sites[cause.site().index()] +=
            causes[cause as usize] + unexplained * spread[cause as usize] / all;
    }
    let sum: f64 = sites.iter().sum();
    sites.iter_mut().for_each(|p| *p /= sum);
    weighed.sort_by(|a, b| b.probability.total_cmp(&a.probability));
    Judgement {
        window,
        peak_s,
        weighed,
        causes,
        unexplained,
        sites,
        clues,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_pump_is_moved_by_a_metre_freely_and_by_two_hardly_ever() {
        // 0.736 mmHg for each cm of water.
        assert_eq!(log_reach(0.736 * 60.0), 0.0);
        assert_eq!(log_reach(-0.736 * 100.0), 0.0);
        // Five hand's breadths of 20 cm beyond: a normal's five spreads.
        assert!((log_reach(-0.736 * 200.0) + 12.5).abs() < 0.1);
    }
}
