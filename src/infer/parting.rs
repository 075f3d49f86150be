//! Where an excursion that went on holds the end of one episode and the beginning of the next.
//!
//! In: an excursion, its alarms, what the pumps and staff did. Out: its parts, cut at restarts. An episode of a growing
//! resistance is over when the resistance is back below 1.5 times its baseline: the contract's definition. What is
//! relieved in part and climbs anew is two, although the pressure never came back to where it was.

use super::blocks::Block;
use super::causes::ONSET_RATIO;
use super::deeds;
use super::excursion::{Excursion, stands_out, within};
use super::regimes::Doings;
use super::tracker::Tracker;
use crate::record::Record;
use crate::stats::robust;

/// Stops and restarts of several channels closer together than this are one, seconds.
const TOGETHER_S: f64 = 180.0;
/// The resistance before a stop is taken from the last running blocks over so long, seconds.
const BEFORE_S: f64 = 300.0;
/// The resistance after a restart is taken from what runs within so long, seconds: what grows again grows meanwhile.
const AFTER_S: f64 = 150.0;
/// Less than this share of the excess left is a relief, whatever the baseline.
const RELIEVED_SHARE: f64 = 0.5;
/// Less than this share left is one where the resistance is back below [`ONSET_RATIO`].
const EASED_SHARE: f64 = 0.75;

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
                let last_out_s = self.last_out_s(excursion, until_s).max(rest.seen_s);
                rest.bouts = within(&rest.bouts, cut_s, last_out_s);
                parts.push(rest);
            }
        }
        parts
    }

    /// The last block that stood out before a moment, seconds.
    fn last_out_s(&self, excursion: &Excursion, until_s: f64) -> f64 {
        let blocks = &self.tracker.blocks;
        let to = blocks.partition_point(|b| b.t_s < until_s);
        blocks[..to]
            .iter()
            .rev()
            .find(|b| excursion.up[b.channel] && stands_out(b) == 1)
            .map_or(until_s.min(self.record.end_s()), |b| b.last_s)
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
            match self.relieved(excursion, before, (restart_s, until_s), rang) {
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

    /// Whether the excess for each mL/h was lower by much after a restart than before the stop, and rose again. A line that
    /// is as blocked as before climbs back to its pressure within some time constants: what it shows before says nothing.
    /// `rang`: whether an alarm came with the stop. `None` where the run was too short to show it.
    fn relieved(
        &self,
        excursion: &Excursion,
        before: (f64, f64),
        after: (f64, f64),
        rang: bool,
    ) -> Option<bool> {
        let tracker = self.tracker;
        let counts = |b: &&Block| excursion.up[b.channel] && b.own_runs;
        let blocks = &tracker.blocks;
        let at = |t_s: f64| blocks.partition_point(|b| b.t_s < t_s);
        let earlier = &blocks[at(before.0)..at(before.1)];
        let last_s = earlier
            .iter()
            .rev()
            .find(counts)
            .map_or(before.1, |b| b.t_s);
        let mut high: Vec<f64> = earlier
            .iter()
            .rev()
            .take_while(|b| last_s - BEFORE_S < b.t_s)
            .filter(counts)
            .map(|b| tracker.excess(b))
            .collect();
        // What shut the line within a minute stands in the last reading alone: the resistance was as high at least.
        let at_alarm = high.first().copied().filter(|_| rang);
        let high = robust::median(&mut high).map(|h| at_alarm.map_or(h, |a| a.max(h)));
        let Some(high) = high.filter(|h| 0.0 < *h) else {
            return Some(false);
        };
        let end_s = excursion.end_s.unwrap_or(f64::INFINITY);
        let later = &blocks[at(after.0)..at(after.1.min(end_s))];
        let restart = later.iter().find(counts)?;
        let shown_s = restart.t_s + tracker.climb_s(high);
        let shown: Vec<&Block> = later
            .iter()
            .filter(counts)
            .filter(|b| b.settled && shown_s <= b.t_s)
            .collect();
        let first_s = shown.first().map_or(shown_s, |b| b.t_s);
        let mut left: Vec<f64> = shown
            .iter()
            .take_while(|b| b.t_s <= first_s + AFTER_S)
            .map(|b| tracker.excess(b))
            .collect();
        let left = robust::median(&mut left)?;
        let open = tracker.baseline.shared();
        let level = (ONSET_RATIO - 1.0) * open;
        let below = left < level && (rang || level < high);
        let eased = left < RELIEVED_SHARE * high || below && left < EASED_SHARE * high;
        // What stays where the relief left it is the old trouble's rest, not a new one.
        let again = blocks[at(shown_s)..at(end_s)]
            .iter()
            .filter(counts)
            .any(|b| stands_out(b) == 1 && 1.5 * left.max(0.0) < tracker.excess(b));
        Some(eased && again)
    }

    /// When what stood out stopped and ran again within an excursion, seconds: stops that overlap count once.
    fn stops(&self, excursion: &Excursion) -> Vec<(f64, f64)> {
        let mut stops: Vec<(f64, f64)> = Vec::new();
        let end_s = excursion.end_s.unwrap_or(f64::INFINITY);
        for pause in self.doings.pauses.iter().filter(|p| !p.still_on) {
            let c = self.record.channel_index(&pause.channel);
            if !c.is_some_and(|c| excursion.up[c])
                || pause.span.start_s < excursion.seen_s
                || end_s < pause.span.end_s
            {
                continue;
            }
            match stops.last_mut() {
                Some(last) if pause.span.start_s <= last.1 + TOGETHER_S => {
                    last.1 = last.1.max(pause.span.end_s);
                }
                _ => stops.push((pause.span.start_s, pause.span.end_s)),
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
