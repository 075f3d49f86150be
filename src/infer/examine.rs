//! The one entry: a record becomes a review.
//!
//! The tracker is walked through the record; each excursion is judged as it comes. One that is no obstruction
//! (a pump that was raised, a zero that drifts) is taken into the baseline before the walk goes on.

use super::alarms;
use super::baseline::PartsPrior;
use super::blocks;
use super::causes::Fitted;
use super::checks;
use super::context;
use super::deeds;
use super::excursion::{Excursion, united};
use super::figures;
use super::judge::{self, Case, Judgement};
use super::outline;
use super::parting::Scene;
use super::parts;
use super::rang::Rung;
use super::regimes::{self, Doings};
use super::review::{Cause, Episode, Review, Site};
use super::second;
use super::tracker::Tracker;
use crate::record::Record;

/// An excursion without alarm is an episode when something more likely than not hinders the flow.
const LEAST_OBSTRUCTION: f64 = 0.5;
/// Without alarm, what was over within this and stayed below [`LEAST_HEIGHT_MMHG`] is handling or a cough, seconds (common practice,
/// no source: a dressing or a patient is handled in a minute or two).
const LEAST_OUT_S: f64 = 180.0;
/// What no cause explains is told from this long on, seconds.
const LEAST_ODD_S: f64 = 600.0;
/// See [`LEAST_OUT_S`], mmHg.
const LEAST_HEIGHT_MMHG: f64 = 30.0;
/// A fall is no cough: a supply that stopped is told from this long on, seconds.
const LEAST_FALLEN_S: f64 = 120.0;
/// A change of height is told when it is at least this large, mmHg (about 8 cm of water).
const LEAST_SHIFT_MMHG: f64 = 6.0;
/// A shift rings an alarm within this, seconds: the line has filled or emptied by then.
const SHIFT_RINGS_S: f64 = 1800.0;
/// From this probability on that no cause explains an excursion, two of them are tried.
const LEAST_UNEXPLAINED: f64 = 0.3;
/// Episodes closer together than this may be one that came and went, seconds.
const CLUSTER_GAP_S: f64 = 3600.0;
/// More excursions than this are noise that the baseline cannot follow; the rest of the record is left alone.
const MOST_EXCURSIONS: usize = 80;

/// Reviews one infusion.
pub fn review(record: &Record) -> Review {
    let doings = regimes::doings(record);
    let (prior, assumptions) = parts::prior(record);
    let mut walk = Walk::new(record, &doings, &prior);
    walk.walk_on();
    let Walk {
        mut episodes,
        tracker,
        first_fit,
        ramps,
        ..
    } = walk;
    episodes.sort_by(|a, b| a.onset_s.value.total_cmp(&b.onset_s.value));
    for (i, episode) in episodes.iter_mut().enumerate() {
        episode.id = i as u32 + 1;
    }
    let channels = figures::channels(record, &doings, &prior, &tracker, first_fit, &ramps);
    Review {
        channels,
        regimes: doings.regimes,
        pauses: doings.pauses,
        line_pauses: doings.line_pauses,
        episodes,
        assumptions,
    }
}

/// Whether most likely nothing hinders the flow.
fn hinders_nothing(judgement: &Judgement) -> bool {
    let (site, p) = judgement.best_site();
    site == Site::None && 0.5 < p
}

/// The shift, if nothing hinders the flow: which pump, `None` = all, by how many mmHg; `None` for an artefact.
fn shift(judgement: &Judgement) -> Option<(Option<usize>, f64)> {
    let best = judgement.best_of(Site::None)?;
    figures::shift(&best.fitted)
}

/// Whether it is most likely a shift.
fn stays_shifted(judgement: &Judgement) -> bool {
    hinders_nothing(judgement) && shift(judgement).is_some()
}

struct Walk<'a> {
    record: &'a Record,
    doings: &'a Doings,
    prior: &'a PartsPrior,
    tracker: Tracker,
    episodes: Vec<Episode>,
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
}

impl<'a> Walk<'a> {
    fn new(record: &'a Record, doings: &'a Doings, prior: &'a PartsPrior) -> Self {
        let tracker = Tracker::new(record, doings, prior, blocks::lag_h(record, doings, prior));
        let not_before_s = record.start_s();
        let alarms = alarms::occlusion(record, doings);
        Self {
            record,
            doings,
            prior,
            tracker,
            episodes: Vec::new(),
            alarms,
            supply_alarms: alarms::supply(record),
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
        }
    }

    fn walk_on(&mut self) {
        for _ in 0..MOST_EXCURSIONS {
            let next = self.tracker.next_excursion();
            if let Some(restored_s) = self.tracker.restored_s.take() {
                let resting = self.resting.take();
                if let Some(episode) = resting.and_then(|i| self.episodes.get_mut(i)) {
                    episode.end_s = Some(restored_s);
                }
                self.not_before_s = self.not_before_s.max(restored_s);
            }
            let until_s = next.as_ref().map_or(f64::INFINITY, |e| e.start_s - 600.0);
            self.lone_alarms(until_s);
            let Some(excursion) = next else { break };
            self.take(excursion);
        }
        self.lone_alarms(f64::INFINITY);
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
            let mut excursion =
                alarms::about(self.record, self.doings, &self.tracker, channel, alarm_s);
            excursion.down[channel] = true;
            excursion.end_s.get_or_insert(alarm_s);
            let case = self.case(&excursion, None);
            if let Some(judgement) = judge::judge(&case)
                && judgement.best_site().0 == Site::Supply
            {
                let episode = self.outlined(&case, &judgement);
                self.episodes.push(episode);
            }
        }
    }

    fn take(&mut self, excursion: Excursion) {
        let moved: Vec<usize> = (0..excursion.up.len())
            .filter(|&c| excursion.moved(c))
            .collect();
        let until_s = excursion.end_s.unwrap_or(f64::INFINITY);
        let inside = |t: f64| excursion.start_s - 600.0 <= t && t <= until_s + 300.0;
        let mut alarms: Vec<f64> = self
            .alarms
            .iter()
            .filter(|(c, t)| moved.contains(c) && inside(*t))
            .map(|a| a.1)
            .collect();
        alarms.sort_by(f64::total_cmp);
        self.alarms.retain(|(_, t)| !inside(*t));
        let dry: Vec<(usize, f64)> = self.supply_alarms.extract_if(.., |a| inside(a.1)).collect();
        let scene = Scene {
            record: self.record,
            doings: self.doings,
            tracker: &self.tracker,
        };
        let parts = scene.parted(&excursion, &alarms);
        let last = parts.len().saturating_sub(1);
        for (i, part) in parts.into_iter().enumerate() {
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

    /// Where no single cause explains an excursion, a second one may have come on top of the first: then what lies
    /// before the second is taken by itself, and the tracker goes on from there. Gives that moment, seconds.
    fn take_first_of_two(
        &mut self,
        excursion: &Excursion,
        alarm_s: Option<f64>,
        whole: &Judgement,
    ) -> Option<f64> {
        // A deed that took it away says that it was one trouble, however odd its shape.
        let taken_away = whole.clues.iter().any(|c| c.finding.is_relief());
        if whole.unexplained < LEAST_UNEXPLAINED || taken_away {
            return None;
        }
        let cuts_s = second::cuts(&self.tracker, excursion);
        let (cut_s, first, alarm_s, alone) = cuts_s.into_iter().find_map(|cut_s| {
            let first = excursion.up_to(cut_s, &self.tracker.blocks);
            let alarm_s = alarm_s.filter(|a| *a < cut_s);
            let mut case = self.case(&first, alarm_s);
            case.read_to_s = cut_s;
            let alone = judge::judge(&case)?;
            (alone.unexplained < 0.5 * whole.unexplained).then_some((cut_s, first, alarm_s, alone))
        })?;
        self.keep(&first, alarm_s, &alone, cut_s);
        let shifted = Some(&alone).filter(|j| j.best_site().0 == Site::None);
        if let Some((channel, by_mmhg)) = shifted.and_then(shift) {
            self.shifted(channel, by_mmhg);
        } else {
            self.resting
                .get_or_insert(self.episodes.len().saturating_sub(1));
            self.tracker.rest(&first, cut_s);
        }
        self.tracker.rewind_to(cut_s);
        self.not_before_s = self.not_before_s.max(first.start_s.max(cut_s - 3600.0));
        Some(cut_s)
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
        if hinders_nothing(&judgement) {
            match shift(&judgement) {
                Some((channel, by_mmhg)) if excursion.end_s.is_none() => {
                    self.shifted(channel, by_mmhg);
                    self.tracker.rewind_to(excursion.seen_s + 60.0);
                }
                Some(_) => {} // raised for a while and put back: the baseline is what it was
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

    /// Makes an episode of a judged excursion if it is worth telling, in the record read up to a moment.
    fn keep(
        &mut self,
        excursion: &Excursion,
        alarm_s: Option<f64>,
        judgement: &Judgement,
        read_to_s: f64,
    ) {
        let (site, _) = judgement.best_site();
        let mut told = alarm_s.is_some() || self.worth_telling(excursion, judgement);
        if told {
            let mut case = self.case(excursion, alarm_s);
            case.read_to_s = read_to_s;
            let episode = self.outlined(&case, judgement);
            let best = judgement.best_of(site).map(|w| &w.fitted);
            if self.first_fit.is_none() {
                self.first_fit = best.cloned();
            }
            let at_once = [Cause::TubingBlocked, Cause::CatheterBlocked];
            self.ramps
                .extend(best.filter(|f| at_once.contains(&f.cause)).cloned());
            // A growth that has not come to 1.5 times by the record's end is no episode yet.
            told = alarm_s.is_some() || episode.onset_s.value < self.record.end_s();
            if told {
                self.episodes.push(episode);
            }
        }
        if alarm_s.is_some() {
            self.rung.take(judgement);
        }
        if LEAST_OBSTRUCTION <= judgement.obstruction() {
            self.gather(excursion, told, read_to_s);
        }
    }

    /// Whether an excursion without alarm is an episode: an obstruction that lasted or stood high, a clear shift, or
    /// something large that no cause explains.
    fn worth_telling(&self, excursion: &Excursion, judgement: &Judgement) -> bool {
        let out_s: f64 = excursion.bouts.iter().map(|b| b.1 - b.0).sum();
        let height_mmhg = self.height_of(excursion);
        // What comes and goes is no handling while it does so, however short each time.
        let comes_and_goes =
            LEAST_OBSTRUCTION <= judgement.causes[Cause::CatheterPositional as usize];
        let odd = 0.5 <= judgement.unexplained;
        let lasted_s = match (excursion.bouts.first(), excursion.bouts.last()) {
            (Some(first), Some(last))
                if comes_and_goes || odd && context::OFTEN <= excursion.bouts.len() =>
            {
                last.1 - first.0
            }
            _ => out_s,
        };
        let large = LEAST_OUT_S <= lasted_s || LEAST_HEIGHT_MMHG <= height_mmhg;
        let (site, _) = judgement.best_site();
        if odd {
            return LEAST_ODD_S <= lasted_s && 0.5 * LEAST_HEIGHT_MMHG <= height_mmhg;
        }
        // What lies below a pump raises its pressure: a fall alone is the supply's, or nothing's.
        let fell = !excursion.up.contains(&true);
        if LEAST_OBSTRUCTION <= judgement.obstruction() && !(fell && site != Site::Supply) {
            return large || site == Site::Supply && LEAST_FALLEN_S <= out_s;
        }
        hinders_nothing(judgement)
            && shift(judgement).is_some_and(|s| LEAST_SHIFT_MMHG <= s.1.abs())
    }

    /// The largest deviation within an excursion, mmHg, either way.
    fn height_of(&self, excursion: &Excursion) -> f64 {
        let until_s = excursion.end_s.unwrap_or(f64::INFINITY);
        self.tracker
            .since(excursion.start_s)
            .iter()
            .take_while(|b| b.t_s <= until_s)
            .filter(|b| b.bar_mmhg.is_finite())
            .map(|b| b.deviation_mmhg.abs())
            .fold(0.0, f64::max)
    }

    fn outlined(&self, case: &Case, judgement: &Judgement) -> Episode {
        let mut episode = outline::episode(case, judgement);
        episode.checks = checks::checks(&episode, self.record);
        episode.visible_from_s = visible_from(case);
        episode
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
        let episode = self.outlined(&case, &judgement);
        self.episodes.truncate(first);
        self.episodes.push(episode);
    }
}

/// From when the record, read only up to then, already showed that something hinders the flow: the moment at which
/// enough readings stood out, or the first of ever later ones at which the judgement on what was there by then is
/// an obstruction; the alarm at the latest.
fn visible_from(case: &Case) -> f64 {
    let last_s = case
        .excursion
        .bouts
        .last()
        .map_or(case.excursion.seen_s, |b| b.1);
    let latest_s = case
        .alarm_s
        .unwrap_or(last_s)
        .max(case.excursion.seen_s.min(last_s));
    let mut wait_s = 0.0;
    loop {
        let t_s = case.excursion.seen_s + wait_s;
        if latest_s <= t_s {
            return latest_s;
        }
        let excursion = case.excursion.up_to(t_s, &case.tracker.blocks);
        let early = Case {
            excursion: &excursion,
            alarm_s: None,
            read_to_s: t_s,
            ..*case
        };
        let shown = judge::judge(&early).is_some_and(|j| LEAST_OBSTRUCTION <= j.obstruction());
        if shown {
            return t_s;
        }
        wait_s = (2.5 * wait_s).max(120.0);
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
