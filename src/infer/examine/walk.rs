//! The way through a record, one excursion after the other.
//!
//! In: a record, and what is known of it before. Out: its episodes, in order, and what was not judged.

use crate::infer::alarms;
use crate::infer::baseline::PartsPrior;
use crate::infer::blocks;
use crate::infer::causes::Fitted;
use crate::infer::deeds;
use crate::infer::excursion::Excursion;
use crate::infer::judge;
use crate::infer::memo::Memo;
use crate::infer::rang::Rung;
use crate::infer::regimes::Doings;
use crate::infer::review::{Episode, GivenUp, NotJudged, Site};
use crate::infer::tracker::Tracker;
use crate::record::Record;
use crate::time::Span;

/// More excursions than this are noise that the baseline cannot follow; the rest of the record is left alone.
pub(super) const MOST_EXCURSIONS: usize = 80;

/// The way through a record, one excursion after the other.
pub(super) struct Walk<'a> {
    pub(super) record: &'a Record,
    pub(super) memo: &'a Memo,
    pub(super) doings: &'a Doings,
    pub(super) prior: &'a PartsPrior,
    pub(super) tracker: Tracker,
    pub(super) episodes: Vec<Episode>,
    /// When the stretch at hand begins, seconds.
    pub(super) at_hand_s: f64,
    /// The stretch that was given up: nothing comes after.
    pub(super) not_judged: Option<NotJudged>,
    /// Alarms that belong to no excursion yet, seconds.
    pub(super) alarms: Vec<(usize, f64)>,
    /// Alarms of air or an empty container that belong to no excursion yet, seconds.
    pub(super) supply_alarms: Vec<(usize, f64)>,
    pub(super) not_before_s: f64,
    /// The last change of height: which pump, by how much, and how many episodes there were then.
    pub(super) last_shift: Option<(Option<usize>, f64, usize)>,
    /// Whether the excursion at hand follows a relief that was not complete.
    pub(super) after_relief: bool,
    /// Excursions whose episodes lie close together, in order: they may be one that came and went.
    pub(super) cluster: Vec<Excursion>,
    /// Where the baseline before the first of them begins, seconds.
    pub(super) cluster_from_s: f64,
    /// The first episode that one of them became.
    pub(super) cluster_from_episode: usize,
    /// The episode that stays while the tracker takes the line as it is with it for the baseline.
    pub(super) resting: Option<usize>,
    /// The alarms judged so far.
    pub(super) rung: Rung,
    /// The best explanation of the first episode: its window holds the record's baseline and how it was left.
    pub(super) first_fit: Option<Fitted>,
    /// The best explanations of episodes that came at one go.
    pub(super) ramps: Vec<Fitted>,
    /// Whether this walks through what came on top of another cause.
    pub(super) inside_another: bool,
}

impl<'a> Walk<'a> {
    pub(super) fn new(
        record: &'a Record,
        memo: &'a Memo,
        doings: &'a Doings,
        prior: &'a PartsPrior,
    ) -> Self {
        let tracker = Tracker::new(record, doings, prior, blocks::lag_h(record, doings, prior));
        Self {
            alarms: alarms::occlusion(record, doings),
            supply_alarms: alarms::supply(record),
            ..Self::with(record, memo, doings, prior, tracker)
        }
    }

    /// With a tracker that has come some way, and no alarms.
    pub(super) fn with(
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

    pub(super) fn walk_on(&mut self) {
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
            // A restored baseline counts only after the excursion that it ended.
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

    pub(super) fn give_up(&mut self, start_s: f64, why: GivenUp) {
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
    pub(super) fn lone_alarms(&mut self, until_s: f64) {
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
    pub(super) fn tell_dry(&mut self, alarms: Vec<(usize, f64)>) {
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
}
