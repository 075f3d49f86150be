//! One excursion, judged and made into an episode, or taken into the baseline.
//!
//! In: a walk that has come to an excursion. Out: its episodes. What is no obstruction (a pump that was raised, a zero that drifts) moves
//! the baseline; episodes that follow each other closely are judged together too.

use super::walk::Walk;
use crate::infer::checks;
use crate::infer::deeds;
use crate::infer::excursion::{Excursion, united};
use crate::infer::judge::{self, Case, Judgement};
use crate::infer::outline;
use crate::infer::parting::Scene;
use crate::infer::review::{Cause, Episode};
use crate::infer::telling::{
    LEAST_OBSTRUCTION, hinders_nothing, moved_for_seconds, shift, stays_shifted, worth_telling,
};

/// A shift rings an alarm within this, seconds: the line has filled or emptied by then.
const SHIFT_RINGS_S: f64 = 1800.0;
/// Episodes closer together than this may be one that came and went, seconds.
const CLUSTER_GAP_S: f64 = 3600.0;

impl<'a> Walk<'a> {
    pub(super) fn take(&mut self, excursion: Excursion) {
        self.at_hand_s = excursion.start_s;
        let moved: Vec<usize> = (0..excursion.up.len())
            .filter(|&c| excursion.moved(c))
            .collect();
        let until_s = excursion.end_s.unwrap_or(f64::INFINITY);
        let inside = |t: f64| excursion.start_s - 600.0 <= t && t <= until_s + 300.0;
        let mut own: Vec<(usize, f64)> = self.alarms.extract_if(.., |a| inside(a.1)).collect();
        own.retain(|(c, _)| moved.contains(c));
        if let Some(left) = self.take_before_joined(&excursion, &own) {
            self.alarms.extend(left);
            return; // the tracker starts again there
        }
        let mut alarms: Vec<f64> = own.iter().map(|a| a.1).collect();
        alarms.sort_by(f64::total_cmp);
        let dry: Vec<(usize, f64)> = self.supply_alarms.extract_if(.., |a| inside(a.1)).collect();
        let scene = Scene {
            record: self.record,
            doings: self.doings,
            tracker: &self.tracker,
        };
        let parts = scene.parted(&excursion, &alarms);
        let last = parts.len().saturating_sub(1);
        for (i, part) in parts.into_iter().enumerate() {
            if self.memo.work.is_spent() {
                break;
            }
            self.at_hand_s = part.start_s;
            self.after_relief = 0 < i;
            let until_s = part.end_s.unwrap_or(f64::INFINITY);
            // An alarm after the restart is the next part's.
            let late_s = if i < last { 0.0 } else { 300.0 };
            let alarm_s = alarms
                .iter()
                .copied()
                .find(|t| part.start_s - 600.0 <= *t && *t <= until_s + late_s);
            let later: Vec<(usize, f64)> = moved
                .first()
                .map(|&c| alarms.iter().map(|t| (c, *t)).collect())
                .unwrap_or_default();
            if let Some(left) = self.take_with_insets(&part, &alarms, until_s + late_s) {
                alarms = left;
                continue;
            }
            alarms.retain(|t| Some(*t) != alarm_s && until_s < *t);
            let (alarm_s, judgement) = self.judged(&part, alarm_s, &later);
            if let Some(whole) = &judgement
                && let Some(cut_s) = self.take_first_of_two(&part, alarm_s, whole)
            {
                self.alarms
                    .extend(later.into_iter().filter(|(_, t)| cut_s <= *t));
                break; // the tracker starts again there
            }
            self.take_part(part, alarm_s, judgement);
        }
        self.after_relief = false;
        // A supply may run dry in the middle of a climb, which is not told by the climb.
        if excursion.up.contains(&true) {
            self.tell_dry(dry);
        }
    }

    /// The judgement of a part, with the alarm that belongs to it. A shift that stays rings nothing hours later: such an alarm, and
    /// those after it, wait for what is tracked once the shift is taken up.
    fn judged(
        &mut self,
        part: &Excursion,
        alarm_s: Option<f64>,
        later: &[(usize, f64)],
    ) -> (Option<f64>, Option<Judgement>) {
        let whole = judge::judge(&self.case(part, alarm_s));
        let late = alarm_s.filter(|a| part.end_s.is_none() && part.seen_s + SHIFT_RINGS_S < *a);
        let Some(late_s) = late.filter(|_| whole.as_ref().is_some_and(stays_shifted)) else {
            return (alarm_s, whole);
        };
        match judge::judge(&self.case(part, None)).filter(stays_shifted) {
            Some(alone) => {
                let waiting = later.iter().filter(|(_, t)| late_s <= *t);
                self.alarms.extend(waiting);
                (None, Some(alone))
            }
            None => (alarm_s, whole),
        }
    }

    pub(super) fn take_part(
        &mut self,
        excursion: Excursion,
        alarm_s: Option<f64>,
        judgement: Option<Judgement>,
    ) {
        let Some(judgement) = judgement else {
            self.tracker.absorb(&excursion);
            return;
        };
        self.keep(&excursion, alarm_s, &judgement, self.record.end_s());
        if self.memo.work.is_spent() {
            return;
        }
        if hinders_nothing(&judgement) {
            match shift(&judgement) {
                Some((channel, by_mmhg)) if excursion.end_s.is_none() => {
                    self.shifted(channel, by_mmhg);
                    self.tracker.rewind_to(excursion.seen_s + 60.0);
                }
                Some(_) => {} // raised for a while and put back: the baseline is what it was
                None if moved_for_seconds(&judgement) => {}
                None => self.tracker.absorb(&excursion),
            }
        } else if judgement.obstruction() < LEAST_OBSTRUCTION {
            self.tracker.absorb(&excursion);
        }
        self.after(&excursion);
    }

    /// A pump, or all, was raised or lowered and stays so.
    fn shifted(&mut self, channel: Option<usize>, by_mmhg: f64) {
        self.shifted_back(channel, by_mmhg);
        self.tracker.shift(channel, by_mmhg);
    }

    /// A shift that undoes the one before it is that one's end, not an episode of its own.
    pub(super) fn shifted_back(&mut self, channel: Option<usize>, by_mmhg: f64) {
        let told = self.episodes.len();
        let before = self.last_shift.replace((channel, by_mmhg, told));
        let Some((same, first_mmhg, first_told)) = before else {
            return;
        };
        let undone = (first_mmhg + by_mmhg).abs() <= (0.25 * first_mmhg.abs()).max(4.0);
        // The shift's own episode was the last before this one's.
        if same == channel && undone && first_told + 1 == told {
            let back_s = self.episodes.pop().map(|e| e.onset_s.value);
            if let Some(first) = self.episodes.last_mut() {
                first.end_s = back_s;
            }
            self.last_shift = None;
        }
    }

    pub(super) fn after(&mut self, excursion: &Excursion) {
        if let Some(end_s) = excursion.end_s {
            self.not_before_s = self.not_before_s.max(end_s);
            // A new filter need not be as open as the old one was.
            let renewed = self.record.events.iter().any(|e| {
                deeds::renews(e.kind) && excursion.start_s <= e.t_s && e.t_s <= end_s + 600.0
            });
            if renewed {
                self.tracker
                    .loosen_shared(0.15 * self.tracker.baseline.shared());
            }
        }
    }

    pub(super) fn case<'b>(&'b self, excursion: &'b Excursion, alarm_s: Option<f64>) -> Case<'b> {
        Case {
            record: self.record,
            memo: self.memo,
            doings: self.doings,
            parts: self.prior,
            tracker: &self.tracker,
            excursion,
            alarm_s,
            not_before_s: self.not_before_s,
            read_to_s: self.record.end_s(),
            after_relief: self.after_relief,
            rung: self.rung,
        }
    }

    /// Makes an episode of a judged excursion if it is worth telling, in the record read up to a moment; whether it is.
    pub(super) fn keep(
        &mut self,
        excursion: &Excursion,
        alarm_s: Option<f64>,
        judgement: &Judgement,
        read_to_s: f64,
    ) -> bool {
        let mut case = self.case(excursion, alarm_s);
        case.read_to_s = read_to_s;
        let made = self.made(&case, judgement);
        let told = self.settle(made, alarm_s, judgement);
        if LEAST_OBSTRUCTION <= judgement.obstruction() {
            self.gather(excursion, told, read_to_s);
        }
        told
    }

    /// The episode that a judged excursion is, if it is worth telling.
    pub(super) fn made(&self, case: &Case, judgement: &Judgement) -> Option<Episode> {
        let told = case.alarm_s.is_some() || worth_telling(case, judgement);
        told.then(|| self.outlined(case, judgement)).flatten()
    }

    /// Takes in what an excursion was judged to be, and the episode made of it; whether that is told.
    pub(super) fn settle(
        &mut self,
        made: Option<Episode>,
        alarm_s: Option<f64>,
        judgement: &Judgement,
    ) -> bool {
        if made.is_some() {
            let best = judgement.best_of(judgement.best_site().0);
            let best = best.map(|w| &w.fitted);
            if self.first_fit.is_none() {
                self.first_fit = best.cloned();
            }
            let at_once = [Cause::TubingBlocked, Cause::CatheterBlocked];
            self.ramps
                .extend(best.filter(|f| at_once.contains(&f.cause)).cloned());
        }
        if alarm_s.is_some() {
            self.rung.take(judgement);
        }
        // A growth that has not come to 1.5 times by the record's end is no episode yet.
        let end_s = self.record.end_s();
        let told = made.filter(|e| alarm_s.is_some() || e.onset_s.value < end_s);
        let is_told = told.is_some();
        self.episodes.extend(told);
        is_told
    }

    /// The episode that a case is by its judgement; `None` where the budget of work is spent on it.
    pub(super) fn outlined(&self, case: &Case, judgement: &Judgement) -> Option<Episode> {
        let mut episode = outline::episode(case, judgement);
        episode.checks = checks::checks(&episode, self.record);
        (!self.memo.work.is_spent()).then_some(episode)
    }

    /// Episodes that follow each other closely may be one that came and went: they are judged together, and
    /// become one where a positional catheter explains them all.
    fn gather(&mut self, excursion: &Excursion, told: bool, read_to_s: f64) {
        let last_end = self.cluster.last().and_then(|e| e.end_s);
        if last_end.is_none_or(|end_s| end_s + CLUSTER_GAP_S < excursion.start_s) {
            self.cluster.clear();
            self.cluster_from_s = self.not_before_s;
            self.cluster_from_episode = self.episodes.len() - usize::from(told);
        }
        self.cluster.push(excursion.clone());
        if self.cluster.len() < 2 {
            return;
        }
        let together = united(&self.cluster);
        let first = self.cluster_from_episode.min(self.episodes.len());
        let alarm_s = self.episodes[first..]
            .iter()
            .filter_map(|e| e.alarm_s)
            .reduce(f64::min);
        let mut case = self.case(&together, alarm_s);
        case.read_to_s = read_to_s;
        // The baseline before the first of them is what they are held against.
        case.not_before_s = self.cluster_from_s;
        let Some(judgement) = judge::judge(&case) else {
            return;
        };
        if judgement.causes[Cause::CatheterPositional as usize] < 0.5 {
            return;
        }
        let Some(episode) = self.outlined(&case, &judgement) else {
            return;
        };
        self.episodes.truncate(first);
        self.episodes.push(episode);
    }
}
