//! The one entry: a record becomes a review.
//!
//! The tracker is walked through the record; each excursion is judged as it comes. One that is no obstruction
//! (a pump that was raised, a zero that drifts) is taken into the baseline before the walk goes on.

mod on_top;

use super::alarms;
use super::baseline::PartsPrior;
use super::blocks;
use super::causes::Fitted;
use super::checks;
use super::deeds;
use super::excursion::{Excursion, united};
use super::figures;
use super::join;
use super::judge::{self, Case, Judgement};
use super::memo::Memo;
use super::outline;
use super::parting::Scene;
use super::parts;
use super::rang::Rung;
use super::regimes::{self, Doings};
use super::review::{Cause, Episode, GivenUp, NotJudged, Review, Site};
use super::telling::{
    LEAST_OBSTRUCTION, hinders_nothing, moved_for_seconds, shift, stays_shifted, worth_telling,
};
use super::tracker::Tracker;
use super::visible;
use super::work::Work;
use crate::record::{Notice, Record};
use crate::time::Span;

/// A shift rings an alarm within this, seconds: the line has filled or emptied by then.
const SHIFT_RINGS_S: f64 = 1800.0;
/// Episodes closer together than this may be one that came and went, seconds.
const CLUSTER_GAP_S: f64 = 3600.0;
/// More excursions than this are noise that the baseline cannot follow; the rest of the record is left alone.
const MOST_EXCURSIONS: usize = 80;

/// Reviews one infusion.
pub fn review(record: &Record) -> Review {
    review_within(record, &Memo::within(Work::of_review()))
}

fn review_within(record: &Record, memo: &Memo) -> Review {
    let doings = regimes::doings(record);
    let (prior, assumptions) = parts::prior(record);
    let mut walk = Walk::new(record, memo, &doings, &prior);
    match cannot_be_judged(record) {
        Some(why) => walk.give_up(record.start_s(), why),
        None => walk.walk_on(),
    }
    let Walk {
        mut episodes,
        not_judged,
        tracker,
        first_fit,
        ramps,
        ..
    } = walk;
    episodes = join::joined(record, episodes);
    memo.work.renew(Work::of_cuts());
    for (i, episode) in episodes.iter_mut().enumerate() {
        episode.id = i as u32 + 1;
        let seen_s = episode.visible_from_s;
        episode.visible_from_s =
            visible::visible_from(record, episode, seen_s, &|cut| episodes_of(cut, memo));
    }
    let channels = figures::channels(record, &doings, &prior, &tracker, first_fit, &ramps);
    Review {
        channels,
        regimes: doings.regimes,
        pauses: doings.pauses,
        line_pauses: doings.line_pauses,
        episodes,
        not_judged: not_judged.into_iter().collect(),
        assumptions,
    }
}

/// The episodes of a record that may end at any moment; `None` where the budget of work is spent.
fn episodes_of(record: &Record, memo: &Memo) -> Option<Vec<Episode>> {
    if record.channels.is_empty() {
        return Some(Vec::new());
    }
    let doings = regimes::doings(record);
    let (prior, _) = parts::prior(record);
    let mut walk = Walk::new(record, memo, &doings, &prior);
    walk.walk_on();
    (!memo.work.is_spent()).then(|| join::joined(record, walk.episodes))
}

/// Why nothing of a record can be judged, if so.
fn cannot_be_judged(record: &Record) -> Option<GivenUp> {
    let odd = |n: &Notice| matches!(n, Notice::ImplausiblePressure { .. });
    if record.intake.notices.iter().any(odd) {
        return Some(GivenUp::NoLinesPressure);
    }
    let one = record.channels.iter().all(|c| c.samples.len() <= 1);
    one.then_some(GivenUp::OneReading)
}

/// The way through a record, one excursion after the other.
struct Walk<'a> {
    record: &'a Record,
    memo: &'a Memo,
    doings: &'a Doings,
    prior: &'a PartsPrior,
    tracker: Tracker,
    episodes: Vec<Episode>,
    /// When the stretch at hand begins, seconds.
    at_hand_s: f64,
    /// The stretch that was given up: nothing comes after.
    not_judged: Option<NotJudged>,
    /// Alarms that belong to no excursion yet, seconds.
    alarms: Vec<(usize, f64)>,
    /// Alarms of air or an empty container that belong to no excursion yet, seconds.
    supply_alarms: Vec<(usize, f64)>,
    not_before_s: f64,
    /// The last change of height: which pump, by how much, and how many episodes there were then.
    last_shift: Option<(Option<usize>, f64, usize)>,
    /// Whether the excursion at hand follows a relief that was not complete.
    after_relief: bool,
    /// Excursions whose episodes lie close together, in order: they may be one that came and went.
    cluster: Vec<Excursion>,
    /// Where the baseline before the first of them begins, seconds.
    cluster_from_s: f64,
    /// The first episode that one of them became.
    cluster_from_episode: usize,
    /// The episode that stays while the tracker takes the line as it is with it for the baseline.
    resting: Option<usize>,
    /// The alarms judged so far.
    rung: Rung,
    /// The best explanation of the first episode: its window holds the record's baseline and how it was left.
    first_fit: Option<Fitted>,
    /// The best explanations of episodes that came at one go.
    ramps: Vec<Fitted>,
    /// Whether this walks through what came on top of another cause.
    inside_another: bool,
}

impl<'a> Walk<'a> {
    fn new(record: &'a Record, memo: &'a Memo, doings: &'a Doings, prior: &'a PartsPrior) -> Self {
        let tracker = Tracker::new(record, doings, prior, blocks::lag_h(record, doings, prior));
        Self {
            alarms: alarms::occlusion(record, doings),
            supply_alarms: alarms::supply(record),
            ..Self::with(record, memo, doings, prior, tracker)
        }
    }

    /// With a tracker that has come some way, and no alarms.
    fn with(
        record: &'a Record,
        memo: &'a Memo,
        doings: &'a Doings,
        prior: &'a PartsPrior,
        tracker: Tracker,
    ) -> Self {
        let not_before_s = record.start_s();
        Self {
            record,
            memo,
            doings,
            prior,
            tracker,
            episodes: Vec::new(),
            at_hand_s: not_before_s,
            not_judged: None,
            alarms: Vec::new(),
            supply_alarms: Vec::new(),
            not_before_s,
            last_shift: None,
            after_relief: false,
            cluster: Vec::new(),
            cluster_from_s: not_before_s,
            cluster_from_episode: 0,
            resting: None,
            rung: Rung::default(),
            first_fit: None,
            ramps: Vec::new(),
            inside_another: false,
        }
    }

    fn walk_on(&mut self) {
        for taken in 0..=MOST_EXCURSIONS {
            let next = self.tracker.next_excursion();
            let restored_s = self.tracker.restored_s.take();
            if let Some(restored_s) = restored_s {
                let resting = self.resting.take();
                if let Some(episode) = resting.and_then(|i| self.episodes.get_mut(i)) {
                    episode.end_s = Some(restored_s);
                }
            }
            let until_s = next.as_ref().map_or(f64::INFINITY, |e| e.start_s - 600.0);
            self.lone_alarms(until_s);
            let Some(excursion) = next.filter(|_| !self.gives_up()) else {
                break;
            };
            if taken == MOST_EXCURSIONS {
                self.give_up(excursion.start_s, GivenUp::TooManyDisturbances);
                break;
            }
            // What was restored is over only after the excursion that it ended.
            let over_s = |before_s: f64| restored_s.filter(|r| *r <= before_s);
            self.not_before(over_s(excursion.start_s));
            self.take(excursion);
            if self.gives_up() {
                break;
            }
            self.not_before(over_s(f64::INFINITY));
        }
        if self.not_judged.is_none() {
            self.lone_alarms(f64::INFINITY);
            self.gives_up();
        }
    }

    /// Gives the stretch at hand up, and what comes after, where the budget of work is spent; whether it was.
    fn gives_up(&mut self) -> bool {
        if self.memo.work.is_spent() && self.not_judged.is_none() {
            self.give_up(self.at_hand_s, GivenUp::TooMuchWork);
        }
        self.not_judged.is_some()
    }

    fn give_up(&mut self, start_s: f64, why: GivenUp) {
        let end_s = self.record.end_s();
        let start_s = start_s.min(end_s);
        self.not_judged = Some(NotJudged {
            span: Span { start_s, end_s },
            why,
        });
    }

    /// Nothing before a moment, seconds, belongs to what comes.
    fn not_before(&mut self, t_s: Option<f64>) {
        self.not_before_s = t_s.map_or(self.not_before_s, |t| self.not_before_s.max(t));
    }

    /// Alarms that sounded although the pressure was what the baseline expects, before a moment.
    fn lone_alarms(&mut self, until_s: f64) {
        let due: Vec<(usize, f64)> = self.alarms.extract_if(.., |a| a.1 < until_s).collect();
        self.supply_alarms(until_s);
        let mut last_s = f64::NEG_INFINITY;
        for (channel, alarm_s) in due {
            let cleared = self
                .record
                .events
                .iter()
                .any(|e| deeds::may_clear(e.kind) && last_s < e.t_s && e.t_s < alarm_s);
            if alarm_s < last_s + 1800.0 && !cleared {
                last_s = alarm_s; // the same trouble, alarming again
                continue;
            }
            last_s = alarm_s;
            if self.memo.work.is_spent() {
                return;
            }
            self.at_hand_s = alarm_s;
            let mut excursion =
                alarms::about(self.record, self.doings, &self.tracker, channel, alarm_s);
            excursion.up[channel] = true;
            if let Some(judgement) = judge::judge(&self.case(&excursion, Some(alarm_s))) {
                self.keep(&excursion, Some(alarm_s), &judgement, self.record.end_s());
            }
        }
    }

    /// Alarms of air or an empty container although the pressure fell less than the record shows, before a moment.
    fn supply_alarms(&mut self, until_s: f64) {
        let due: Vec<(usize, f64)> = self
            .supply_alarms
            .extract_if(.., |a| a.1 < until_s)
            .collect();
        self.tell_dry(due);
    }

    /// Makes episodes of alarms of air or an empty container where the record speaks for the supply.
    fn tell_dry(&mut self, alarms: Vec<(usize, f64)>) {
        for (channel, alarm_s) in alarms {
            if self.memo.work.is_spent() {
                return;
            }
            let mut excursion =
                alarms::about(self.record, self.doings, &self.tracker, channel, alarm_s);
            excursion.down[channel] = true;
            excursion.end_s.get_or_insert(alarm_s);
            let case = self.case(&excursion, None);
            if let Some(judgement) = judge::judge(&case)
                && judgement.best_site().0 == Site::Supply
            {
                let episode = self.outlined(&case, &judgement);
                self.episodes.extend(episode);
            }
        }
    }

    fn take(&mut self, excursion: Excursion) {
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
            return; // what comes after is tracked anew
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
                break; // what comes after is tracked anew
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

    fn take_part(
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
    fn shifted_back(&mut self, channel: Option<usize>, by_mmhg: f64) {
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

    fn after(&mut self, excursion: &Excursion) {
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

    fn case<'b>(&'b self, excursion: &'b Excursion, alarm_s: Option<f64>) -> Case<'b> {
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
    fn keep(
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
    fn made(&self, case: &Case, judgement: &Judgement) -> Option<Episode> {
        let told = case.alarm_s.is_some() || worth_telling(case, judgement);
        told.then(|| self.outlined(case, judgement)).flatten()
    }

    /// Takes in what an excursion was judged to be, and the episode made of it; whether that is told.
    fn settle(
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
    fn outlined(&self, case: &Case, judgement: &Judgement) -> Option<Episode> {
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

/// Which causes an episode's probabilities favour most, for those who want finer words than the site.
pub fn best_cause(causes: &[f64; 11]) -> Cause {
    let mut best = Cause::Artefact;
    for cause in Cause::ALL {
        if causes[best as usize] < causes[cause as usize] {
            best = cause;
        }
    }
    best
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::record::{Channel, Intake, Priors, Samples};
    use crate::time::Clock;

    /// Half a day of one pump at a sample in ten seconds, with a climb of an hour after the third hour and after the eighth.
    fn two_climbs() -> Record {
        let t_s: Vec<f64> = (0..4320).map(|i| 10.0 * f64::from(i)).collect();
        let above = |t_s: f64, from_h: f64| match t_s / 3600.0 - from_h {
            h if (0.0..1.0).contains(&h) => 120.0 * h,
            _ => 0.0,
        };
        let wave = |t_s: f64| (t_s / 37.0).sin();
        let at = |t_s: &f64| 30.0 + wave(*t_s) + above(*t_s, 3.0) + above(*t_s, 8.0);
        let samples = Samples {
            pressure_mmhg: t_s.iter().map(at).collect(),
            rate_ml_h: vec![4.0; t_s.len()],
            volume_ml: vec![f64::NAN; t_s.len()],
            limit_mmhg: vec![f64::NAN; t_s.len()],
            t_s,
        };
        Record {
            infusion: None,
            clock: Clock::Seconds,
            channels: vec![Channel {
                id: "pn".into(),
                samples,
                period_s: Some(10.0),
                on_change: false,
                gaps: Vec::new(),
            }],
            events: Vec::new(),
            events_given: false,
            line: None,
            priors: Priors::default(),
            intake: Intake::default(),
        }
    }

    #[test]
    fn what_a_budget_is_too_small_for_is_given_up_and_what_was_found_before_stays() {
        let record = two_climbs();
        let within = |steps| review_within(&record, &Memo::within(Work::of(steps)));
        let whole = review(&record);
        assert_eq!((whole.episodes.len(), whole.not_judged.len()), (2, 0));
        let plenty = Memo::within(Work::of_review());
        assert!(episodes_of(&record, &plenty).is_some());
        let used = plenty.work.used();
        assert!(0 < used);
        // Enough to the last step, and one step too few.
        assert_eq!(within(used), whole);
        let short = within(used - 1);
        assert_eq!(short.episodes, whole.episodes[..1]);
        let [part] = short.not_judged[..] else {
            panic!("{:?}", short.not_judged);
        };
        assert_eq!(part.why, GivenUp::TooMuchWork);
        assert!((7.5..8.6).contains(&(part.span.start_s / 3600.0)));
        assert_eq!(part.span.end_s, record.end_s());
        // None for the first.
        let none = within(1000);
        assert!(none.episodes.is_empty());
        assert!(none.not_judged[0].span.start_s < 3.6 * 3600.0);
    }
}
