//! What other pressure limits would have done in a record: which episodes would have alarmed, and how soon.
//!
//! In: the record, its review, the limits to try. Out: a [`LimitTrial`] for each. A limit that the record's pressures reached is
//! read from them. One above them is modelled: the climb goes on as straight as it last was, which is the law of a complete
//! block and too slow for one that grows faster and faster. The first alarm of an episode alone is looked at: what staff
//! would have done after another alarm, nobody knows.

use super::review::{Episode, Review, Site};
use crate::record::{Channel, Record};
use crate::stats::robust::huber_line;
use crate::units::{Estimate, Pressure};

/// Crossings closer together than this are one alarm, seconds (common practice, no source).
const SAME_ALARM_S: f64 = 600.0;
/// The last stretch of a climb that says how it would have gone on, seconds: at least, and as a share of the climb.
const LAST_S: f64 = 600.0;
const LAST_SHARE: f64 = 1.0 / 3.0;
/// A climb slower than this is none, mmHg/h.
const LEAST_CLIMB_MMHG_PER_H: f64 = 2.0;
/// Nobody leaves a line climbing for longer, hours.
const LONGEST_H: f64 = 48.0;

/// How an episode would have fared.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Fate {
    /// The record's pressure reached the limit, so many minutes after the onset.
    Observed(f64),
    /// Worked out beyond the record's pressures, minutes after the onset.
    Modelled(f64),
    /// The pressure had stopped climbing, or climbs too slowly.
    NoAlarm,
}

/// One episode under one limit.
#[derive(Debug, Clone, PartialEq)]
pub struct TrialEpisode {
    /// The episode's number in the review.
    pub id: u32,
    /// Its most likely site; `None` = undetermined.
    pub site: Option<Site>,
    /// What would have become of it.
    pub fate: Fate,
    /// What relief would have set free at this limit, mL; `None` without a known compliance up to the block.
    pub release_ml: Option<Estimate>,
}

/// One limit.
#[derive(Debug, Clone, PartialEq)]
pub struct LimitTrial {
    /// The limit on all channels.
    pub limit: Pressure,
    /// Each episode of the review.
    pub episodes: Vec<TrialEpisode>,
    /// Alarms outside every episode: the working pressure, a cough or a knock reached the limit.
    pub unblocked: u32,
}

/// Tries the limits.
pub fn limits(record: &Record, review: &Review, tried: &[Pressure]) -> Vec<LimitTrial> {
    tried
        .iter()
        .map(|&limit| LimitTrial {
            limit,
            episodes: review
                .episodes
                .iter()
                .map(|e| TrialEpisode {
                    id: e.id,
                    site: e.suggested,
                    fate: fate(record, e, limit.get()),
                    release_ml: release(review, e, limit.get()),
                })
                .collect(),
            unblocked: unblocked(record, review, limit.get()),
        })
        .collect()
}

/// The readings at which this channel's pump ran, or ran at the reading before: an alarm stops it as it sounds.
fn running(channel: &Channel) -> impl Iterator<Item = (f64, f64)> + '_ {
    let s = &channel.samples;
    (0..s.len()).filter_map(|i| {
        let before = i.checked_sub(1).map_or(0.0, |j| s.rate_ml_h[j]);
        let runs = 0.0 < s.rate_ml_h[i] || 0.0 < before;
        (runs && s.pressure_mmhg[i].is_finite()).then(|| (s.t_s[i], s.pressure_mmhg[i]))
    })
}

/// Until when the record shows the episode as it went by itself.
fn until_s(record: &Record, e: &Episode) -> f64 {
    let ends = [e.end_s, e.alarm_s.map(|a| a + 60.0)];
    let ends = ends.into_iter().flatten();
    ends.fold(record.end_s(), f64::min)
}

fn fate(record: &Record, e: &Episode, limit: f64) -> Fate {
    let (from_s, until_s) = (e.onset_s.low, until_s(record, e));
    let moved = |c: &&Channel| e.channels.contains(&c.id);
    let (mut seen, mut ahead) = (f64::INFINITY, f64::INFINITY);
    for channel in record.channels.iter().filter(moved) {
        let inside: Vec<(f64, f64)> = running(channel)
            .filter(|r| from_s <= r.0 && r.0 <= until_s)
            .collect();
        match inside.iter().find(|r| limit <= r.1) {
            Some(&(t, _)) => seen = seen.min(t),
            None => ahead = ahead.min(goes_on(&inside, limit).unwrap_or(f64::INFINITY)),
        }
    }
    let minutes = |t: f64| (t - e.onset_s.value).max(0.0) / 60.0;
    match (seen.is_finite(), ahead.is_finite()) {
        (true, _) => Fate::Observed(minutes(seen)),
        (false, true) => Fate::Modelled(minutes(ahead)),
        (false, false) => Fate::NoAlarm,
    }
}

/// When a climb would have reached the limit; `None` where it had come to rest.
fn goes_on(readings: &[(f64, f64)], limit: f64) -> Option<f64> {
    let (&(first_s, _), &(last_s, _)) = (readings.first()?, readings.last()?);
    let stretch = LAST_S.max(LAST_SHARE * (last_s - first_s));
    let last: Vec<(f64, f64)> = readings
        .iter()
        .filter(|r| last_s - stretch <= r.0)
        .map(|&(t, p)| ((t - last_s) / 3600.0, p))
        .collect();
    let line = huber_line(&last)?;
    let hours = (limit - line.level) / line.slope;
    let climbs = LEAST_CLIMB_MMHG_PER_H < line.slope && hours <= LONGEST_H;
    climbs.then(|| last_s + 3600.0 * hours.max(0.0))
}

/// `C (limit − P_out)`, with the compliance up to the block as the review found it.
fn release(review: &Review, e: &Episode, limit: f64) -> Option<Estimate> {
    let moved = review.channels.iter().find(|c| e.channels.contains(&c.id));
    let outlet = moved?.outlet_pressure_mmhg?.value;
    let rise = limit - outlet;
    let held = e.block_compliance_ul_per_mmhg?;
    (0.0 < rise).then(|| held.scaled(rise / 1000.0))
}

fn unblocked(record: &Record, review: &Review, limit: f64) -> u32 {
    let in_episode = |t: f64| {
        review.episodes.iter().any(|e| {
            let end_s = e.end_s.unwrap_or(f64::INFINITY);
            e.onset_s.low <= t && t <= end_s + SAME_ALARM_S
        })
    };
    let mut crossings: Vec<f64> = record
        .channels
        .iter()
        .flat_map(running)
        .filter(|&(t, p)| limit <= p && !in_episode(t))
        .map(|r| r.0)
        .collect();
    crossings.sort_by(f64::total_cmp);
    let mut alarms = 0;
    let mut last = f64::NEG_INFINITY;
    for t in crossings {
        if SAME_ALARM_S < t - last {
            alarms += 1;
        }
        last = t;
    }
    alarms
}
