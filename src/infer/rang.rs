//! What rang: an alarm as a reading of the pressure, how likely a pump is to ring at one, and the record's alarms before.
//!
//! In: the alarm that an excursion led to, and its window. Out: an [`Alarm`], and a [`Rung`] that follows the record.

use super::alarms;
use super::blocks::{Block, highest_mmhg};
use super::causes::{Fitted, Rings};
use super::context::CHANCE_ALARM;
use super::fit::Observation;
use super::judge::{Case, Judgement};
use super::regimes;
use super::review::Cause;
use super::window::{Seen, Window};
use crate::record::EventKind;

/// An alarm limit that the record does not give lies above the pressures borne, by so much and half of them on average,
/// and the pressure at the alarm is known to this share (common practice, no source).
const UNSAID_ABOVE_MMHG: f64 = 20.0;
/// See [`UNSAID_ABOVE_MMHG`].
const UNSAID_SHARE: f64 = 0.3;
/// The highest of many blocks lies so many spreads of one above the pressure that was borne.
const HIGHEST_SPREADS: f64 = 2.5;
/// So many spreads below a limit that is known the pump surely alarms: a fit seldom reaches it to the mmHg.
const SURE_SPREADS: f64 = 1.5;
/// What stood so long before an alarm led to it and was not borne, seconds.
const ALARM_LEADS_S: f64 = 300.0;
/// So long a pump takes from its limit to the alarm and the stop, seconds, in which a shut line climbs on (common practice, no
/// source: some seconds).
const RINGS_AFTER_S: f64 = 5.0;
/// How many independent readings an alarm is worth as one.
const ALARM_WEIGHT: f64 = 0.35;
/// The prior share of knocks counts for so many alarms of the record's own (common practice, no source).
const PRIOR_ALARMS: f64 = 2.0;

/// The alarm itself is a reading: the pressure stood at the limit then.
pub struct Alarm {
    /// Where it stands.
    pub seen: Seen,
    /// The limit, as a reading.
    pub reading: Observation,
    /// How well the limit is known, mmHg.
    limit_sd: f64,
    /// Whether the record gives the limit.
    said: bool,
    /// The highest pressure that the pump bore at this limit without alarming, and how far noise may have lifted its
    /// reading, mmHg.
    borne_mmhg: Option<(f64, f64)>,
}

impl Alarm {
    /// Natural log of how likely the pump is to alarm where an explanation has the pressure that it has. A pressure that the
    /// pump bore before rings nothing, a higher one the likelier the higher: at a limit that is known, surely, and seldom far from
    /// it; one that is not known lies anywhere above all that was borne. A knock on the sensor alone needs no pressure for
    /// it, and a supply that stops only lowers it.
    pub fn log_alarm(&self, fitted: &Fitted) -> f64 {
        let predicted = match (fitted.rings, fitted.predicted.last()) {
            (Rings::ByChance, _) => return CHANCE_ALARM,
            (Rings::AtLimit, Some(predicted)) => predicted,
            (Rings::Anyway, _) | (Rings::AtLimit, None) => return 0.0,
        };
        let over = |(borne, lifted): (f64, f64)| (predicted - borne + lifted).max(0.0);
        let log = if self.said {
            let short = (self.reading.value - predicted) / self.limit_sd - SURE_SPREADS;
            let surely_mmhg = self.reading.value - SURE_SPREADS * self.limit_sd;
            let from_borne = self.borne_mmhg.map_or(1.0, |(borne, lifted)| {
                let all = (surely_mmhg - borne).max(0.0) + lifted;
                (over((borne, lifted)) / all).min(1.0)
            });
            -0.5 * short.max(0.0).powi(2) + from_borne.ln()
        } else {
            self.borne_mmhg.map_or(0.0, |(borne, lifted)| {
                let mean = UNSAID_ABOVE_MMHG + 0.5 * borne.max(0.0);
                (-(-over((borne, lifted)) / mean).exp_m1()).ln()
            })
        };
        CHANCE_ALARM.max(log)
    }
}

/// The alarm as a reading, of the channel that stood nearest to its limit; `None` where it lies outside the window, or nobody
/// can say what the limit was.
pub fn alarm_reading(case: &Case, window: &Window) -> Option<Alarm> {
    let alarm_s = case
        .alarm_s
        .filter(|a| window.start_s() < *a && *a < window.end_s())?;
    let (channel, limit, limit_sd, said, borne_mmhg, _) = (0..case.record.channels.len())
        .filter(|&c| case.excursion.up[c])
        .filter_map(|c| {
            let s = &case.record.channels[c].samples;
            let i = s.t_s.partition_point(|&t| t <= alarm_s).checked_sub(1)?;
            let said = alarms::limit_mmhg(case.record, c, alarm_s);
            let (limit, sd, borne) = match said {
                Some(limit) => {
                    let set_s = alarms::limit_stands_since_s(case.record, c, alarm_s);
                    (limit, 0.03 * limit, borne_mmhg(case, c, set_s))
                }
                None => {
                    let borne = borne_mmhg(case, c, f64::NEG_INFINITY)?;
                    let limit = 1.5 * borne.max(0.0) + UNSAID_ABOVE_MMHG;
                    (limit, UNSAID_SHARE * limit, Some(borne))
                }
            };
            let above = s.pressure_mmhg[i] - limit;
            Some((c, limit, sd, said.is_some(), borne, above))
        })
        .max_by(|a, b| a.5.total_cmp(&b.5))?;
    // Where nobody noted the alarm, it is the stop's first reading; the pump stopped, and stood at its limit, before that.
    let stopped_s = case.doings.steps[channel]
        .iter()
        .filter(|s| s.rate_ml_h == 0.0 && 0.0 < s.slack_s)
        .rfind(|s| s.t_s <= alarm_s && alarm_s <= s.t_s + s.slack_s + 1.0)
        .map(|s| s.t_s);
    let knot = window
        .knot_s
        .partition_point(|&k| k < stopped_s.unwrap_or(alarm_s) - 1e-6)
        .min(window.knot_s.len() - 1);
    let offset = case.tracker.offset_mmhg[channel];
    let noise = &case.tracker.noise[channel];
    let lifted = (HIGHEST_SPREADS * noise.block_mmhg.hypot(noise.slow_mmhg)).max(1.0);
    let limit_sd = limit_sd.max(4.0).max(noise.rounding_mmhg);
    // A limit that nobody wrote down is guessed from what was borne: no seconds of climbing count beside that.
    let climbs_mmhg = if said {
        let flow_ml_h = knot
            .checked_sub(1)
            .map_or(0.0, |k| window.rate_ml_h[k * window.channels + channel]);
        flow_ml_h / 3600.0 * RINGS_AFTER_S / case.parts.own_ml_per_mmhg[channel].0
    } else {
        0.0
    };
    Some(Alarm {
        seen: Seen { channel, knot },
        reading: Observation {
            value: limit - offset,
            sd: limit_sd.hypot(climbs_mmhg),
            weight: ALARM_WEIGHT,
        },
        limit_sd,
        said,
        borne_mmhg: borne_mmhg.map(|b| (b - offset, lifted)),
    })
}

/// The highest pressure that a running pump bore from a moment up to the excursion without alarming, mmHg: not what led to
/// an alarm.
fn borne_mmhg(case: &Case, channel: usize, from_s: f64) -> Option<f64> {
    let id = &case.record.channels[channel].id;
    let alarms_s: Vec<f64> = case
        .record
        .events
        .iter()
        .filter(|e| e.kind == EventKind::OcclusionAlarm && regimes::concerns(e, id))
        .map(|e| e.t_s)
        .collect();
    let led_to_one = |b: &&Block| {
        let near = |t: &f64| b.t_s - 60.0 <= *t && *t <= b.last_s + ALARM_LEADS_S;
        alarms_s.iter().any(near)
    };
    let blocks = case.tracker.blocks.iter();
    let before = blocks.take_while(|b| b.last_s < case.excursion.start_s);
    let counts = |b: &&Block| from_s <= b.t_s && !led_to_one(b);
    highest_mmhg(before.filter(counts), channel)
}

/// What rang the alarms of a record up to now: how often somebody knocks against a pump or the patient coughs, and how near the
/// limit lies, is this infusion's own, and stays.
#[derive(Debug, Clone, Copy, Default)]
pub struct Rung {
    alarms: f64,
    knocks: f64,
}

impl Rung {
    /// One more alarm was judged.
    pub fn take(&mut self, judgement: &Judgement) {
        self.alarms += 1.0;
        self.knocks += judgement.causes[Cause::Artefact as usize];
    }

    /// By how much the odds of a knock are more than they would be without the alarms before, given its prior share: a share's
    /// posterior mean under a beta prior (Gelman et al., Bayesian Data Analysis, chapter 2).
    pub fn odds_of_knock(self, share: f64) -> f64 {
        let now = (PRIOR_ALARMS * share + self.knocks) / (PRIOR_ALARMS + self.alarms);
        let odds = |p: f64| p / (1.0 - p).max(1e-6);
        odds(now) / odds(share).max(1e-9)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn each_knock_before_makes_the_next_one_likelier_and_each_block_less_so() {
        // Beta prior of mean 0.1 worth two alarms: after two knocks (0.2 + 2) / 4 = 0.55, odds 11/9 over 1/9 = 11; after two
        // blocks 0.2 / 4 = 0.05, odds 1/19 over 1/9 = 9/19.
        let after = |knocks| Rung {
            alarms: 2.0,
            knocks,
        };
        assert!((Rung::default().odds_of_knock(0.1) - 1.0).abs() < 1e-12);
        assert!((after(2.0).odds_of_knock(0.1) - 11.0).abs() < 1e-9);
        assert!((after(0.0).odds_of_knock(0.1) - 9.0 / 19.0).abs() < 1e-9);
    }
}
