//! Two causes at a time: what comes on top of a cause that stays.
//!
//! In: a walk that has come to an excursion. Out: episodes of either by itself. What passes again while the first stays is judged
//! against the line as it was with the first, and the first without it; what need not have passed is where the walk goes on.

use super::walk::{MOST_EXCURSIONS, Walk};
use crate::infer::excursion::{Excursion, within};
use crate::infer::inset::{self, Rest};
use crate::infer::judge::{self, Case, Judgement};
use crate::infer::review::{Cause, Site};
use crate::infer::second;
use crate::infer::telling::{LEAST_OBSTRUCTION, shift};
use crate::infer::tracker::Tracker;

/// From this probability on that no cause explains an excursion, two of them are tried.
const LEAST_UNEXPLAINED: f64 = 0.3;
/// What is one channel's own with this probability or more cannot be what moves another.
const LEAST_OWN: f64 = 0.6;
/// What came on top of something is taken by itself where it came at one go with this probability, or more.
const LEAST_AT_ONCE: f64 = 0.6;

impl<'a> Walk<'a> {
    /// Where something came on top of what stays and passed again, it is judged by itself, against the line as it was with the first, and
    /// the first without it. Gives the alarms that are left for what comes after.
    pub(super) fn take_with_insets(
        &mut self,
        part: &Excursion,
        alarms: &[f64],
        until_s: f64,
    ) -> Option<Vec<f64>> {
        if self.inside_another {
            return None;
        }
        let insets = second::passing(&self.tracker, part);
        let (from_s, last_s) = (insets.first()?.start_s, insets.last()?.end_s);
        let channel = part.up.iter().position(|up| *up)?;
        let rest = Rest::of(self.record, &self.tracker, part, &insets);
        let inside = |t: &f64| inset::hold(&insets, *t);
        let due = |t: &f64| part.start_s - 600.0 <= *t && *t <= until_s && !inside(t);
        let alarm_s = alarms.iter().copied().find(due);
        let case = Case {
            record: &rest.record,
            doings: &rest.doings,
            tracker: &rest.tracker,
            ..self.case(&rest.excursion, alarm_s)
        };
        let judgement = judge::judge(&case).filter(|j| LEAST_OBSTRUCTION <= j.obstruction())?;
        let made = self.made(&case, &judgement);
        let first = part.up_to(from_s, &self.tracker.blocks);
        let mut on_top = self.on_top(&first, None, from_s);
        on_top.alarms = alarms
            .iter()
            .filter(|t| inside(t))
            .map(|t| (channel, *t))
            .collect();
        on_top.walk_until(last_s);
        self.rung = on_top.rung;
        self.settle(made, alarm_s, &judgement);
        self.episodes.extend(on_top.episodes);
        self.ramps.extend(on_top.ramps);
        self.after(part);
        let left = |t: &f64| alarm_s != Some(*t) && part.end_s.is_some_and(|end_s| end_s < *t);
        Some(alarms.iter().copied().filter(left).collect())
    }

    /// Where a channel joined that another's own trouble had not moved, what lies before is taken by itself. Gives the alarms that are
    /// left for what comes after.
    pub(super) fn take_before_joined(
        &mut self,
        excursion: &Excursion,
        alarms: &[(usize, f64)],
    ) -> Option<Vec<(usize, f64)>> {
        let cut_s = second::joined(&self.tracker, excursion)?;
        let alarm_s = alarms.iter().map(|a| a.1).reduce(f64::min);
        let (first, alarm_s, alone) = self
            .alone_before(excursion, alarm_s, cut_s)
            .filter(|(.., alone)| lies_on_one(alone))?;
        self.take_before(&first, alarm_s, &alone, cut_s);
        Some(alarms.iter().filter(|a| cut_s <= a.1).copied().collect())
    }

    /// Goes on up to a moment with what began on top of another cause: nothing of it is left then.
    fn walk_until(&mut self, end_s: f64) {
        for _ in 0..MOST_EXCURSIONS {
            let next = self.tracker.next_excursion();
            let open_again = self.tracker.restored_s.is_some();
            let Some(mut excursion) = next.filter(|e| !open_again && e.start_s < end_s) else {
                break;
            };
            let over_s = excursion.end_s.map_or(end_s, |e| e.min(end_s));
            excursion.end_s = Some(over_s);
            excursion.bouts = within(&excursion.bouts, excursion.start_s, over_s);
            self.tracker.rewind_to(over_s);
            self.take(excursion);
            if self.memo.work.is_spent() {
                return;
            }
        }
        self.lone_alarms(f64::INFINITY);
    }

    /// Where no single cause explains an excursion, a second one may have come on top of the first: then what lies
    /// before the second is taken by itself, and the tracker goes on from there. Gives that moment, seconds.
    pub(super) fn take_first_of_two(
        &mut self,
        excursion: &Excursion,
        alarm_s: Option<f64>,
        whole: &Judgement,
    ) -> Option<f64> {
        if let Some(cut_s) = second::sudden(&self.tracker, excursion)
            && let Some((first, first_alarm_s, alone)) =
                self.alone_before(excursion, alarm_s, cut_s)
            && self.comes_at_once(&first, &alone, alarm_s, cut_s)
        {
            return Some(self.take_before(&first, first_alarm_s, &alone, cut_s));
        }
        // A deed that took it away says that it was one trouble, however odd its shape.
        let taken_away = whole.clues.iter().any(|c| c.finding.is_relief());
        if whole.unexplained < LEAST_UNEXPLAINED || taken_away {
            return None;
        }
        let cuts_s = second::cuts(&self.tracker, excursion);
        let (cut_s, (first, alarm_s, alone)) = cuts_s.into_iter().find_map(|cut_s| {
            let before = self.alone_before(excursion, alarm_s, cut_s)?;
            (before.2.unexplained < 0.5 * whole.unexplained).then_some((cut_s, before))
        })?;
        Some(self.take_before(&first, alarm_s, &alone, cut_s))
    }

    /// Whether what came on top of an excursion came at one go, by itself and against the line as it was with the first.
    fn comes_at_once(
        &self,
        first: &Excursion,
        alone: &Judgement,
        alarm_s: Option<f64>,
        from_s: f64,
    ) -> bool {
        let mut on_top = self.on_top(first, shift_of(alone), from_s);
        let Some(second) = on_top.tracker.next_excursion() else {
            return false;
        };
        let alarm_s = alarm_s.filter(|a| from_s <= *a);
        judge::judge(&on_top.case(&second, alarm_s)).is_some_and(|j| {
            let at_once: f64 = [
                Cause::TubingBlocked,
                Cause::CatheterBlocked,
                Cause::CatheterPositional,
            ]
            .map(|cause| j.causes[cause as usize])
            .iter()
            .sum();
            LEAST_AT_ONCE <= at_once
        })
    }

    /// A walk through what came on top of an excursion from a moment on, against the line as it was with the first: shifted, or
    /// hindered.
    fn on_top(
        &self,
        first: &Excursion,
        shift: Option<(Option<usize>, f64)>,
        from_s: f64,
    ) -> Walk<'a> {
        let mut tracker = self.tracker.clone();
        take_up(&mut tracker, first, shift, from_s);
        Walk {
            not_before_s: second::stood_since(&self.tracker, first, from_s),
            rung: self.rung,
            inside_another: true,
            ..Walk::with(self.record, self.memo, self.doings, self.prior, tracker)
        }
    }

    /// What lies before a moment of an excursion, with its alarm and its judgement by itself.
    fn alone_before(
        &self,
        excursion: &Excursion,
        alarm_s: Option<f64>,
        cut_s: f64,
    ) -> Option<(Excursion, Option<f64>, Judgement)> {
        let first = excursion.up_to(cut_s, &self.tracker.blocks);
        let alarm_s = alarm_s.filter(|a| *a < cut_s);
        let mut case = self.case(&first, alarm_s);
        case.read_to_s = cut_s;
        let alone = judge::judge(&case)?;
        Some((first, alarm_s, alone))
    }

    /// Takes what lies before a moment as what it is by itself, and has the tracker go on from there with the line as it is then. Gives
    /// that moment, seconds.
    fn take_before(
        &mut self,
        first: &Excursion,
        alarm_s: Option<f64>,
        alone: &Judgement,
        cut_s: f64,
    ) -> f64 {
        let told = self.keep(first, alarm_s, alone, cut_s);
        if self.memo.work.is_spent() {
            return cut_s;
        }
        let shift = shift_of(alone);
        if let Some((channel, by_mmhg)) = shift {
            self.shifted_back(channel, by_mmhg);
        } else if told {
            self.resting
                .get_or_insert(self.episodes.len().saturating_sub(1));
        }
        take_up(&mut self.tracker, first, shift, cut_s);
        self.not_before_s = self.not_before_s.max(first.start_s.max(cut_s - 3600.0));
        cut_s
    }
}

/// Whether what lies before a moment is most likely one channel's own: its tubing, or its pump that was raised.
fn lies_on_one(alone: &Judgement) -> bool {
    let (site, p) = alone.best_site();
    let own = alone
        .best_of(site)
        .is_some_and(|w| w.fitted.channel.is_some());
    LEAST_OWN <= p && own && matches!(site, Site::Tubing | Site::None)
}

/// By how much, and in which channel, what lies before a moment shifted the pressure, if nothing hinders the flow there.
fn shift_of(alone: &Judgement) -> Option<(Option<usize>, f64)> {
    let shifted = alone.best_site().0 == Site::None;
    shift(alone).filter(|_| shifted)
}

/// Has a tracker go on from a moment with the line as it is with an excursion that stays: shifted, or hindered.
fn take_up(
    tracker: &mut Tracker,
    first: &Excursion,
    shift: Option<(Option<usize>, f64)>,
    from_s: f64,
) {
    match shift {
        Some((channel, by_mmhg)) => tracker.shift(channel, by_mmhg),
        None => tracker.rest(first, from_s),
    }
    tracker.rewind_to(from_s);
}
