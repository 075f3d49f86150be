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
use super::fit::{self, Observation};
use super::memo::Memo;
use super::parts::{self, FilterPlace};
use super::rang::{self, Rung};
use super::regimes::Doings;
use super::review::{Cause, Course, Site};
use super::score::{Piece, Probabilities, Scored, Scores, Unexplained};
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
/// A reading that no cause explains is this many times its spread away, as a rule.
const UNEXPLAINED_SPREADS: f64 = 4.0;

/// How likely something else comes just as the rate alone brings the pressure to the limit (common practice, no source).
const JUST_THEN: f64 = 0.05;

/// A difference of log evidence counts for so much: readings whose errors hang together, and models that are never quite
/// the line's, make it too sure of itself by about twice (measured on made records of the tuning set; a power
/// likelihood, as in Grünwald and van Ommen, Bayesian Analysis 12 (2017), 1069–1103).
const EVIDENCE_POWER: f64 = 0.5;

/// One explanation with what it weighs.
pub struct Weighed {
    /// The explanation and its fit.
    pub fitted: Fitted,
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
    /// What each explanation scored, piece by piece.
    pub scores: Scores,
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
}

/// The surroundings of an excursion that is to be judged.
pub struct Case<'a> {
    /// The record.
    pub record: &'a Record,
    /// The fits that were made before.
    pub memo: &'a Memo,
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
            memo: self.memo,
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

    /// The channel that stood furthest from what was expected.
    pub fn most_moved(&self) -> usize {
        let e = self.excursion;
        let until_s = e.end_s.unwrap_or(self.read_to_s);
        let since = self.tracker.since(e.start_s).iter();
        let inside = since.take_while(|b| b.t_s <= until_s);
        let moved = inside.filter(|b| b.bar_mmhg.is_finite() && e.moved(b.channel));
        moved
            .max_by(|a, b| a.deviation_mmhg.abs().total_cmp(&b.deviation_mmhg.abs()))
            .map_or(0, |b| b.channel)
    }

    /// How far apart readings are, of the channel that is read most often, seconds; a minute where nobody can say.
    pub fn least_period_s(&self) -> f64 {
        self.doings.least_period_s.unwrap_or(60.0)
    }
}

/// Judges an excursion; `None` where too few readings lie in its window, or the budget of work is spent.
pub fn judge(case: &Case) -> Option<Judgement> {
    if case.memo.work.is_spent() {
        return None;
    }
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
    let clues = context::clues(case);
    let pieces = pieces(case, &window, alarm.is_some());
    let mut fits = Vec::new();
    let mut explained = Vec::new();
    // How likely the pump rings by the rate alone.
    let mut by_rate = 0.0;
    for (explanations, share) in candidates::candidates(case, &setting) {
        let each = share / explanations.len().max(1) as f64;
        for explanation in explanations {
            let Some(fitted) = fit_explanation(explanation.as_ref(), &setting) else {
                continue;
            };
            let alarmed = alarm.as_ref().map_or(0.0, |a| a.log_alarm(&fitted));
            if fitted.cause == Cause::LimitTooLow {
                by_rate = alarmed.min(0.0).exp();
            }
            explained.push(scored(&fitted, each, (alarmed, peak_s), &pieces, &clues));
            fits.push(fitted);
        }
    }
    if case.memo.work.is_spent() {
        return None; // some explanations were not fitted
    }
    beside_the_limit(&mut explained, by_rate);
    let unexplained = unexplained(record, &window, &pieces, &clues);
    let scores = Scores {
        explained,
        unexplained,
    };
    Some(judgement(window, peak_s, fits, scores, clues))
}

/// Where the rate alone brings the pressure to the limit, the alarm needs nothing else: anything else would have to come just then by
/// chance.
fn beside_the_limit(explained: &mut [Scored], by_rate: f64) {
    let by_chance = (1.0 - by_rate * (1.0 - JUST_THEN)).ln();
    for scored in explained
        .iter_mut()
        .filter(|s| s.cause != Cause::LimitTooLow)
    {
        scored.pieces[Piece::Alarm.index()] += by_chance;
    }
}

/// Which piece of evidence each observation belongs to.
fn pieces(case: &Case, window: &Window, alarmed: bool) -> Vec<Piece> {
    let most = case.most_moved();
    // The alarm's reading was added last.
    let alarm = window.seen.len().checked_sub(1).filter(|_| alarmed);
    let rests = |knot: usize| {
        let runs = |k: usize| window.flow_ml_h(None, k) != 0.0;
        !knot.checked_sub(1).is_some_and(runs)
    };
    let seen = window.seen.iter().enumerate();
    seen.map(|(i, seen)| {
        if alarm == Some(i) {
            Piece::Alarm
        } else if seen.channel != most {
            Piece::OtherChannels
        } else if rests(seen.knot) {
            Piece::AtRest
        } else {
            Piece::Course
        }
    })
    .collect()
}

/// The score of a fitted explanation with its share of the prior: what the alarm says of it is known, and when the deviation was at its
/// height.
fn scored(
    fitted: &Fitted,
    share: f64,
    (alarmed, peak_s): (f64, f64),
    pieces: &[Piece],
    clues: &[Clue],
) -> Scored {
    let mut each = of_readings(pieces, &fitted.fit.log_likelihoods);
    let readings: f64 = each.iter().sum();
    each[Piece::Alarm.index()] += alarmed;
    let shift_mmhg = figures::shift(fitted).map_or(0.0, |s| s.1);
    let pace = log_pace(fitted, peak_s) + log_reach(shift_mmhg);
    let mut all = each.to_vec();
    all.extend(
        clues
            .iter()
            .map(|c| log_clue(c, fitted.cause, fitted.channel)),
    );
    Scored {
        cause: fitted.cause,
        log_prior: share.ln(),
        log_cost: pace + EVIDENCE_POWER * fitted.log_evidence - readings,
        pieces: all,
    }
}

/// What the readings of each piece say, natural log, tempered.
fn of_readings(pieces: &[Piece], log_likelihoods: &[f64]) -> [f64; Piece::OF_READINGS] {
    let mut each = [0.0; Piece::OF_READINGS];
    for (piece, log) in pieces.iter().zip(log_likelihoods) {
        each[piece.index()] += EVIDENCE_POWER * log;
    }
    each
}

/// The score of none of the explanations. What fits no model still has a cause, and what is known beyond the pressure speaks of that
/// cause all the same.
fn unexplained(record: &Record, window: &Window, pieces: &[Piece], clues: &[Clue]) -> Unexplained {
    let wild =
        |o: &Observation| o.weight * (fit::MEAN_LOG_DENSITY - (UNEXPLAINED_SPREADS * o.sd).ln());
    let wild: Vec<f64> = window.observations.iter().map(wild).collect();
    let causes = Cause::ALL.map(|cause| {
        let prior = context::prior_share(&record.priors, cause).ln();
        let clues = clues.iter().map(|c| log_clue(c, cause, None)).collect();
        (prior, clues)
    });
    Unexplained {
        log_prior: UNEXPLAINED_SHARE.ln(),
        readings: of_readings(pieces, &wild),
        causes: causes.into(),
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

/// Natural log of what a clue says of a cause, on a channel or anywhere.
fn log_clue(clue: &Clue, cause: Cause, channel: Option<usize>) -> f64 {
    let elsewhere = clue.channel.is_some() && channel.is_some() && clue.channel != channel;
    if clue.causes.contains(&cause) && !elsewhere {
        clue.log_factor
    } else {
        0.0
    }
}

fn judgement(
    window: Window,
    peak_s: f64,
    fits: Vec<Fitted>,
    scores: Scores,
    clues: Vec<Clue>,
) -> Judgement {
    let Probabilities {
        explained,
        causes,
        unexplained,
        sites,
    } = scores.probabilities();
    let weighed = fits.into_iter().zip(explained);
    let mut weighed: Vec<Weighed> = weighed
        .map(|(fitted, probability)| Weighed {
            fitted,
            probability,
        })
        .collect();
    weighed.sort_by(|a, b| b.probability.total_cmp(&a.probability));
    Judgement {
        window,
        peak_s,
        weighed,
        causes,
        unexplained,
        sites,
        clues,
        scores,
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
