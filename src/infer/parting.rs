//! Where an excursion that went on holds the end of one episode and the beginning of the next.
//!
//! In: an excursion, its alarms, what the pumps and staff did. Out: its parts, cut at restarts. An episode of a growing
//! resistance is over when the resistance is back below 1.5 times its baseline: the contract's definition. What is
//! relieved in part and climbs anew is two, although the pressure never came back to where it was.

use super::deeds;
use super::excursion::{Excursion, within};
use super::regimes::Doings;
use super::relief;
use super::tracker::Tracker;
use crate::record::Record;

/// Stops and restarts of several channels closer together than this are one, seconds.
const TOGETHER_S: f64 = 180.0;

/// What an excursion may be looked at with.
pub struct Scene<'a> {
    /// The record.
    pub record: &'a Record,
    /// What the pumps did.
    pub doings: &'a Doings,
    /// The tracker, with the baseline as it stood when the excursion began.
    pub tracker: &'a Tracker,
}

impl Scene<'_> {
    /// The excursion cut at each relief; itself alone where there is none.
    pub fn parted(&self, excursion: &Excursion, alarms: &[f64]) -> Vec<Excursion> {
        let mut cuts_s = self.reliefs(excursion, alarms);
        cuts_s.extend(self.calm_restarts(excursion, alarms));
        cuts_s.sort_by(f64::total_cmp);
        cuts_s.dedup_by(|next, kept| *next - *kept < TOGETHER_S);
        let mut parts = vec![excursion.clone()];
        for (i, &cut_s) in cuts_s.iter().enumerate() {
            let next_s = cuts_s.get(i + 1).copied();
            let until_s = next_s.or(excursion.end_s).unwrap_or(f64::INFINITY);
            if let Some(last) = parts.last_mut() {
                let mut rest = last.clone();
                last.end_s = Some(cut_s);
                last.bouts = within(&last.bouts, last.start_s, cut_s);
                rest.start_s = cut_s;
                rest.seen_s = rest.seen_s.max(cut_s + 90.0);
                rest.bouts = self.bouts_anew(&rest, until_s);
                parts.push(rest);
            }
        }
        parts
    }

    /// The bouts of what follows a relief, up to a moment, seconds: by how far it climbs anew, not by how high it stood before.
    fn bouts_anew(&self, rest: &Excursion, until_s: f64) -> Vec<(f64, f64)> {
        let since = self.tracker.since(rest.start_s).iter();
        let lowest = since
            .take_while(|b| b.t_s < until_s)
            .filter(|b| rest.up[b.channel] && b.own_runs)
            .min_by(|a, b| a.deviation_mmhg.total_cmp(&b.deviation_mmhg));
        let from_s = lowest.map_or(rest.start_s, |b| b.t_s);
        let mut climb = rest.clone();
        (climb.start_s, climb.end_s) = (from_s, Some(until_s));
        self.tracker.bouts(&climb)
    }

    /// Restarts after which the resistance was lower by much, and then climbed anew.
    fn reliefs(&self, excursion: &Excursion, alarms: &[f64]) -> Vec<f64> {
        let stops = self.stops(excursion);
        let mut found = Vec::new();
        let mut from_s = excursion.start_s;
        let mut held_s: Option<f64> = None;
        for (i, &(stop_s, restart_s)) in stops.iter().enumerate() {
            let next_s = stops.get(i + 1).map_or(f64::INFINITY, |s| s.0);
            let alarm_s = alarms.iter().copied().find(|a| restart_s + 1.0 < *a);
            let until_s = next_s.min(alarm_s.unwrap_or(f64::INFINITY));
            let before = (from_s, held_s.unwrap_or(stop_s));
            // A limit near the working pressure is reached before the resistance stands at its level.
            let rang = alarms
                .iter()
                .any(|a| before.1 - TOGETHER_S <= *a && *a <= restart_s);
            match relief::relieved(self.tracker, excursion, before, (restart_s, until_s), rang) {
                Some(true) => {
                    found.push(restart_s);
                    from_s = restart_s;
                    held_s = None;
                }
                Some(false) => held_s = None,
                // A run too short to show anything is part of the stop.
                None => {
                    held_s.get_or_insert(stop_s);
                }
            }
        }
        found
    }

    /// When what stood out stopped and ran again within an excursion, seconds: while channels with half the flow or more stand. One
    /// that stands beside others that run on shows no relief and hides none.
    fn stops(&self, excursion: &Excursion) -> Vec<(f64, f64)> {
        let end_s = excursion.end_s.unwrap_or(f64::INFINITY);
        // Each pause with what its channel gave before.
        let pauses: Vec<(f64, f64, f64)> = self
            .doings
            .pauses
            .iter()
            .filter(|p| !p.still_on)
            .filter(|p| excursion.seen_s <= p.span.start_s && p.span.end_s <= end_s)
            .filter_map(|p| {
                let c = self.record.channel_index(&p.channel)?;
                let steps = self.doings.steps[c].iter().rev();
                let gave = steps
                    .skip_while(|s| p.span.start_s < s.t_s)
                    .find(|s| 0.0 < s.rate_ml_h)?;
                excursion.up[c].then_some((p.span.start_s, p.span.end_s, gave.rate_ml_h))
            })
            .collect();
        let mut edges_s: Vec<f64> = pauses.iter().flat_map(|p| [p.0, p.1]).collect();
        edges_s.sort_by(f64::total_cmp);
        edges_s.dedup();
        let mut stops: Vec<(f64, f64)> = Vec::new();
        for pair in edges_s.windows(2) {
            let (from_s, to_s) = (pair[0], pair[1]);
            let stands: f64 = pauses
                .iter()
                .filter(|p| p.0 <= from_s && from_s < p.1)
                .map(|p| p.2)
                .sum();
            let runs: f64 = (0..excursion.up.len())
                .filter(|&c| excursion.up[c])
                .map(|c| self.doings.rate_at(c, from_s))
                .sum();
            if stands < runs || stands == 0.0 {
                continue;
            }
            match stops.last_mut() {
                Some(last) if from_s <= last.1 + TOGETHER_S => last.1 = to_s,
                _ => stops.push((from_s, to_s)),
            }
        }
        stops
    }

    /// Restarts between two alarms after which the line ran calmly for long enough, or after a deed that helped.
    fn calm_restarts(&self, excursion: &Excursion, alarms: &[f64]) -> Vec<f64> {
        let mut found = Vec::new();
        let read_to_s = self.record.end_s();
        let helped: Vec<f64> = if 2 <= alarms.len() {
            deeds::deeds(self.record, self.doings, self.tracker, excursion, read_to_s)
                .into_iter()
                .filter(|d| d.helped == Some(true))
                .map(|d| d.t_s)
                .collect()
        } else {
            Vec::new()
        };
        for pair in alarms.windows(2) {
            let (first_s, next_s) = (pair[0], pair[1]);
            let helped_s = helped.iter().copied().find(|t| first_s < *t && *t < next_s);
            let from_s = helped_s.map_or(first_s, |t| t - 60.0);
            let restart_s = self
                .doings
                .pauses
                .iter()
                .map(|p| p.span.end_s)
                .filter(|t| from_s < *t && *t < next_s)
                .reduce(f64::min)
                .or(helped_s);
            let Some(restart_s) = restart_s else { continue };
            // After a deed that may have cleared the line a short calm is enough.
            let deed =
                self.record.events.iter().any(|e| {
                    deeds::may_clear(e.kind) && first_s <= e.t_s && e.t_s <= restart_s + 60.0
                });
            let share = if deed { 0.4 } else { 1.0 };
            if helped_s.is_some() || self.calm_between(excursion, restart_s, next_s, share) {
                found.push(restart_s);
            }
        }
        found
    }

    /// Whether the channels that stood out ran calmly between two moments, for so large a share of what shows that the
    /// line was open.
    fn calm_between(&self, excursion: &Excursion, from_s: f64, to_s: f64, share: f64) -> bool {
        let mut since_s: Option<f64> = None;
        for block in self
            .tracker
            .since(from_s)
            .iter()
            .take_while(|b| b.t_s <= to_s)
            .filter(|b| excursion.up[b.channel] && b.own_runs && b.settled)
        {
            if block.deviation_mmhg < 0.6 * block.bar_mmhg {
                let since_s = *since_s.get_or_insert(block.t_s);
                if share * self.tracker.calm_enough_s(block) <= block.last_s - since_s {
                    return true;
                }
            } else {
                since_s = None;
            }
        }
        false
    }
}
