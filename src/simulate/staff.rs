//! What happens at set times, and what staff do when a pump alarms.
//!
//! In: the agenda of a scenario and the alarms of the pumps. Out: changes of the [`super::world`] and rows of the
//! events file. An alarm is answered once, by the answers of the episode that brought it, in their order; where
//! they run out, staff do what takes the obstruction away.

use super::day::{Told, Ward};
use super::episodes::Stretch;
use super::pump::Hold;
use super::scenario::{Act, Answer, Cause, Do, Episode, Position, Scenario};
use super::world::Opened;
use rand::Rng;
use std::collections::BTreeMap;

/// From an answer that takes no time to the restart, s.
const RESTART_S: f64 = 30.0;

/// Who does something.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Who {
    /// The scenario, at a set time.
    Plan,
    /// Staff, because of this episode; `None` = of an alarm without one.
    Staff(Option<usize>),
}

/// Something done, with what it takes.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Deed {
    what: Do,
    who: Who,
    channel: Option<usize>,
    value: Option<f64>,
    minutes: Option<f64>,
    detail: String,
    logged: bool,
}

/// Something that happens.
#[derive(Debug, Clone, PartialEq)]
pub(super) enum Item {
    Begin(usize),
    End(usize),
    Flip(usize),
    SupplyAlarm(usize),
    Does(Deed),
    Finishes(Deed),
    Resume(usize),
    RestartAlarmed,
}

/// What is to come, by time; at one time in the order of entry.
#[derive(Debug, Default)]
pub(super) struct Agenda {
    items: BTreeMap<(u64, u64), Item>,
    entries: u64,
}

impl Agenda {
    /// The scenario's own.
    pub fn of(scenario: &Scenario) -> Self {
        let mut agenda = Self::default();
        for act in &scenario.acts {
            agenda.add(act.at_h * 3600.0, Item::Does(planned(scenario, act)));
        }
        for (index, episode) in scenario.episodes.iter().enumerate() {
            agenda.add(episode.at_h * 3600.0, Item::Begin(index));
            if let Some(until_h) = episode.until_h {
                agenda.add(until_h * 3600.0, Item::End(index));
            }
            for answer in &episode.answers {
                if let Some(at_h) = answer.at_h {
                    let deed = answered(scenario, episode, index, answer);
                    agenda.add(at_h * 3600.0, Item::Does(deed));
                }
            }
        }
        agenda
    }

    pub fn add(&mut self, t_s: f64, item: Item) {
        self.entries += 1;
        let microseconds = (t_s.max(0.0) * 1e6).round() as u64;
        self.items.insert((microseconds, self.entries), item);
    }

    /// The time of the next item, s.
    pub fn next_s(&self) -> Option<f64> {
        self.items.keys().next().map(|&(us, _)| us as f64 / 1e6)
    }

    /// Takes the next item if it is due.
    pub fn due(&mut self, t_s: f64) -> Option<Item> {
        let &key = self.items.keys().next()?;
        if t_s + 1e-6 < key.0 as f64 / 1e6 {
            return None;
        }
        self.items.remove(&key)
    }
}

fn planned(scenario: &Scenario, act: &Act) -> Deed {
    Deed {
        what: act.what,
        who: Who::Plan,
        channel: act
            .channel
            .as_deref()
            .and_then(|id| scenario.channel_index(id)),
        value: act.value,
        minutes: act.minutes,
        detail: act.detail.clone(),
        logged: act.logged,
    }
}

fn answered(scenario: &Scenario, episode: &Episode, index: usize, answer: &Answer) -> Deed {
    let named = episode.channel.as_deref();
    Deed {
        what: answer.what,
        who: Who::Staff(Some(index)),
        channel: named.and_then(|id| scenario.channel_index(id)),
        value: answer.value,
        minutes: answer.minutes,
        detail: answer.detail.clone(),
        logged: answer.logged,
    }
}

impl Ward<'_> {
    /// Something happens now.
    pub fn happens(&mut self, item: Item) {
        match item {
            Item::Begin(index) => self.begin(index),
            Item::End(index) => self.relieve(index),
            Item::Flip(index) => self.flip(index),
            Item::SupplyAlarm(index) => self.supply_alarm(index),
            Item::Does(deed) => self.does(deed),
            Item::Finishes(deed) => self.finishes(&deed),
            Item::Resume(c) => {
                if self.world.drives[c].hold == Hold::Act {
                    self.resume(c);
                }
            }
            Item::RestartAlarmed => {
                for c in self.held_by(Hold::Alarm) {
                    self.resume(c);
                }
            }
        }
    }

    fn begin(&mut self, index: usize) {
        let now = self.world.t_s;
        self.world.running[index].begin(now);
        let episode = self.world.running[index].episode;
        let named = self.named(episode);
        match episode.cause {
            Cause::SupplyStopped {
                alarm_after_min: Some(minutes),
                ..
            } => self
                .agenda
                .add(now + 60.0 * minutes, Item::SupplyAlarm(index)),
            Cause::CatheterPositional { on_min, .. } => {
                let stay = self.world.running[index].stay_s(on_min);
                self.agenda.add(now + stay, Item::Flip(index));
            }
            Cause::LimitTooLow {
                rate_ml_h,
                limit_mmhg,
            } => {
                if let (Some(c), Some(rate)) = (named, rate_ml_h) {
                    self.set_rate(c, rate);
                }
                if let (Some(c), Some(limit)) = (named, limit_mmhg) {
                    self.set_limit(c, limit);
                }
            }
            Cause::HeightChange { by_cm, logged } => self.raise(named, by_cm, logged),
            Cause::Artefact { seconds, .. } => self.agenda.add(now + seconds, Item::End(index)),
            _ => {}
        }
    }

    fn named(&self, episode: &Episode) -> Option<usize> {
        let id = episode.channel.as_deref()?;
        self.world.scenario.channel_index(id)
    }

    fn raise(&mut self, named: Option<usize>, by_cm: f64, logged: bool) {
        let all = 0..self.world.drives.len();
        for c in all.filter(|c| named.is_none_or(|n| n == *c)) {
            self.world.raise(c, by_cm);
            if logged {
                let height = self.world.heights_cm[c].to_string();
                self.write(Some(c), "pump_moved", &height);
            }
        }
    }

    /// The obstruction is taken away, or goes.
    fn relieve(&mut self, index: usize) {
        let run = &self.world.running[index];
        if !run.active {
            return;
        }
        let held = self.world.held_ml(run);
        let episode = run.episode;
        if let Cause::HeightChange { by_cm, logged } = episode.cause {
            self.raise(self.named(episode), -by_cm, logged);
        }
        let now = self.world.t_s;
        self.world.running[index].end(now, held);
    }

    fn flip(&mut self, index: usize) {
        let run = &self.world.running[index];
        if !run.active {
            return;
        }
        let held = self.world.held_ml(run);
        let now = self.world.t_s;
        let run = &mut self.world.running[index];
        let stay = run.flip(now, held);
        let Cause::CatheterPositional { moves_logged, .. } = run.episode.cause else {
            return;
        };
        let noted = run.moves.random::<f64>() < moves_logged;
        self.agenda.add(now + stay, Item::Flip(index));
        if noted {
            self.write(None, "patient_moved", "");
        }
    }

    fn supply_alarm(&mut self, index: usize) {
        let run = &self.world.running[index];
        let Some(c) = self.named(run.episode).filter(|_| run.active) else {
            return;
        };
        if !self.world.drives[c].runs() {
            return;
        }
        let now = self.world.t_s;
        if let Some(last) = self.world.running[index].stretches.last_mut() {
            last.other_alarm_s.get_or_insert(now);
        }
        self.world.drives[c].hold = Hold::Alarm;
        self.write(Some(c), "alarm", "air or empty container");
        self.call_staff(Some(index));
    }

    /// The pump of this channel has found the pressure at its limit: it stops, and somebody will come.
    pub fn occlusion_alarm(&mut self, c: usize) {
        let now = self.world.t_s;
        let by = self.brought_by(c);
        self.world.drives[c].hold = Hold::Alarm;
        self.write(Some(c), "occlusion_alarm", "");
        match by {
            Ok(index) => {
                if let Some(last) = self.world.running[index].stretches.last_mut() {
                    last.alarm_s.get_or_insert(now);
                }
                self.call_staff(Some(index));
            }
            Err((cause, onset_s)) => {
                let open = self
                    .own
                    .iter_mut()
                    .any(|(told, open)| *open && told.words == cause);
                if !open {
                    let channels = vec![self.world.scenario.channels[c].id.clone()];
                    let stretch = Stretch {
                        began_s: onset_s,
                        onset_s: Some(onset_s),
                        alarm_s: Some(now),
                        peak_ratio: 1.0,
                        times: 1,
                        ..Stretch::default()
                    };
                    let told = Told {
                        index: None,
                        words: cause,
                        channels,
                        stretch,
                    };
                    self.own.push((told, true));
                }
                self.call_staff(None);
            }
        }
    }

    /// Which episode brought this channel to its limit; or, by itself, which cause and since when.
    #[allow(clippy::type_complexity)]
    fn brought_by(
        &self,
        c: usize,
    ) -> Result<usize, ((&'static str, &'static str, Option<&'static str>), f64)> {
        let world = &self.world;
        let limit = world.drives[c].limit_mmhg;
        let concerns = |i: &usize| {
            let run = &world.running[*i];
            run.active && run.concerns(world.scenario, c)
        };
        let is = |i: &usize, test: fn(&Cause) -> bool| test(&world.running[*i].episode.cause);
        let active = || (0..world.running.len()).filter(concerns);
        let brief = world.artefact_mmhg(c) + world.gauges[c].touch(world.t_s);
        if world.smooth_mmhg(c) - brief < limit {
            let artefact = |x: &Cause| matches!(x, Cause::Artefact { .. });
            return active()
                .find(|i| is(i, artefact))
                .ok_or((("none", "artefact", None), world.t_s));
        }
        if 0.95 * limit <= world.would_read_mmhg(c) {
            let settings = |x: &Cause| matches!(x, Cause::LimitTooLow { .. });
            return active()
                .find(|i| is(i, settings))
                .ok_or((("settings", "limit-too-low", None), self.set_s[c]));
        }
        let height = |x: &Cause| matches!(x, Cause::HeightChange { .. });
        active()
            .filter(|i| 1.05 < world.ratio(&world.running[*i]))
            .max_by(|a, b| {
                let ratio = |i: &usize| world.ratio(&world.running[*i]);
                ratio(a).total_cmp(&ratio(b))
            })
            .or_else(|| active().find(|i| is(i, height)))
            .ok_or((("none", "artefact", None), world.t_s))
    }

    /// Somebody is called: comes once for all that alarms meanwhile.
    fn call_staff(&mut self, index: Option<usize>) {
        if self.coming {
            return;
        }
        self.coming = true;
        let now = self.world.t_s;
        let scenario = self.world.scenario;
        let (deed, after_min) = match index {
            Some(i) => {
                let run = &mut self.world.running[i];
                let episode = run.episode;
                let next = episode
                    .answers
                    .iter()
                    .filter(|a| a.at_h.is_none())
                    .nth(run.answered);
                run.answered += 1;
                match next {
                    Some(answer) => (answered(scenario, episode, i, answer), answer.after_min),
                    None => (self.last_resort(i), None),
                }
            }
            None => (self.deed_for_own(), None),
        };
        let wait = after_min.unwrap_or(scenario.staff_answer_min);
        self.agenda.add(now + 60.0 * wait, Item::Does(deed));
    }

    fn last_resort(&self, index: usize) -> Deed {
        let episode = self.world.running[index].episode;
        let (what, minutes) = match &episode.cause {
            cause if cause.is_filter() => (Do::FilterChange, None),
            Cause::CatheterNarrowing { .. } => (Do::CatheterChange, Some(30.0)),
            _ => (Do::Relieve, None),
        };
        Deed {
            what,
            who: Who::Staff(Some(index)),
            channel: self.named(episode),
            value: None,
            minutes,
            detail: String::new(),
            logged: true,
        }
    }

    /// A limit that is too low is raised; after an artefact the pump is started again.
    fn deed_for_own(&self) -> Deed {
        let too_low = self
            .own
            .iter()
            .any(|(told, open)| *open && told.words.0 == "settings");
        Deed {
            what: if too_low { Do::Relieve } else { Do::Restart },
            who: Who::Staff(None),
            channel: None,
            value: None,
            minutes: None,
            detail: String::new(),
            logged: true,
        }
    }

    fn held_by(&self, hold: Hold) -> Vec<usize> {
        let drives = &self.world.drives;
        (0..drives.len())
            .filter(|&c| drives[c].hold == hold)
            .collect()
    }

    fn resume(&mut self, c: usize) {
        self.world.drives[c].resume();
        self.set_s[c] = self.world.t_s;
        if self.world.drives[c].runs() {
            self.write(Some(c), "resume", "");
        }
    }

    fn set_rate(&mut self, c: usize, rate: f64) {
        let drive = &mut self.world.drives[c];
        let (before, runs) = (drive.rate_ml_h, drive.hold == Hold::No);
        drive.rate_ml_h = rate;
        self.set_s[c] = self.world.t_s;
        if before == 0.0 && 0.0 < rate && runs {
            self.world.drives[c].renew();
            self.write(Some(c), "start", &rate.to_string());
        } else if rate == 0.0 && runs {
            self.write(Some(c), "stop", "");
        } else {
            self.write(Some(c), "rate_change", &rate.to_string());
        }
    }

    fn set_limit(&mut self, c: usize, limit: f64) {
        self.world.drives[c].limit_mmhg = limit;
        self.set_s[c] = self.world.t_s;
        self.write(Some(c), "limit_change", &limit.to_string());
    }

    /// Somebody does something now.
    fn does(&mut self, deed: Deed) {
        let staff = match deed.who {
            Who::Plan => false,
            Who::Staff(index) => {
                // at a set time there is nothing to do where nothing is wrong any more
                let alarmed = self.held_by(Hold::Alarm);
                let over = index.is_some_and(|i| !self.world.running[i].active);
                if alarmed.is_empty() && over {
                    return;
                }
                for c in alarmed {
                    self.write(Some(c), "alarm_cleared", "");
                }
                self.coming = false;
                self.end_own();
                true
            }
        };
        let long = matches!(
            deed.what,
            Do::FilterChange | Do::SetChange | Do::CatheterChange | Do::Flush
        );
        if long {
            self.starts_work(deed);
            return;
        }
        self.does_at_once(&deed);
        if staff {
            self.agenda
                .add(self.world.t_s + RESTART_S, Item::RestartAlarmed);
        }
    }

    fn end_own(&mut self) {
        let now = self.world.t_s;
        for (told, open) in self.own.iter_mut().filter(|(_, open)| *open) {
            // the deed itself still has to see a limit that was too low: it closes in `raise_limits`
            if told.words.0 == "none" {
                told.stretch.end_s = Some(now);
                *open = false;
            }
        }
    }

    fn does_at_once(&mut self, deed: &Deed) {
        let named: Vec<usize> = match deed.channel {
            Some(c) => vec![c],
            None => (0..self.world.drives.len()).collect(),
        };
        match deed.what {
            Do::Pause => {
                for c in named {
                    if self.world.drives[c].runs() {
                        self.world.drives[c].hold = Hold::Act;
                        self.write(Some(c), "pause", &deed.detail);
                        if let Some(minutes) = deed.minutes {
                            let until = self.world.t_s + 60.0 * minutes;
                            self.agenda.add(until, Item::Resume(c));
                        }
                    }
                }
            }
            Do::Resume => {
                for c in named {
                    if self.world.drives[c].hold == Hold::Act {
                        self.resume(c);
                    }
                }
            }
            Do::RateChange => {
                let rate = deed.value.unwrap_or_default();
                named.into_iter().for_each(|c| self.set_rate(c, rate));
                self.ends_if(deed, |cause| matches!(cause, Cause::LimitTooLow { .. }));
            }
            Do::LimitChange => {
                let limit = deed.value.unwrap_or_default();
                named.into_iter().for_each(|c| self.set_limit(c, limit));
                self.ends_if(deed, |cause| matches!(cause, Cause::LimitTooLow { .. }));
            }
            Do::MedicationStart => self.note(deed, "medication_start"),
            Do::MedicationEnd => self.note(deed, "medication_end"),
            Do::PatientMoved => {
                self.note(deed, "patient_moved");
                self.ends_if(deed, |cause| {
                    matches!(cause, Cause::CatheterPositional { .. })
                });
            }
            Do::Note => self.note(deed, "note"),
            Do::Relieve => self.relieves(deed),
            _ => {} // a restart is all that is left
        }
    }

    fn note(&mut self, deed: &Deed, event: &'static str) {
        if deed.logged {
            self.write(deed.channel, event, &deed.detail);
        }
    }

    fn ends_if(&mut self, deed: &Deed, is: fn(&Cause) -> bool) {
        if let Who::Staff(Some(index)) = deed.who
            && is(&self.world.running[index].episode.cause)
        {
            self.relieve(index);
        }
    }

    fn relieves(&mut self, deed: &Deed) {
        let Who::Staff(Some(index)) = deed.who else {
            self.raise_limits();
            return;
        };
        let episode = self.world.running[index].episode;
        let event = match &episode.cause {
            Cause::TubingBlocked { .. } | Cause::CatheterBlocked { .. } => Some("clamp_opened"),
            Cause::CatheterPositional { .. } => Some("patient_moved"),
            Cause::SupplyStopped { .. } => Some("set_change"),
            _ => None,
        };
        if matches!(episode.cause, Cause::LimitTooLow { .. }) {
            self.raise_limits();
        }
        if matches!(episode.cause, Cause::SupplyStopped { .. })
            && let Some(c) = self.named(episode)
        {
            self.world.drives[c].renew();
        }
        self.relieve(index);
        if let Some(event) = event {
            // with words of its own it is a remark: a kink has no clamp
            let event = if deed.detail.is_empty() {
                event
            } else {
                "note"
            };
            self.note(deed, event);
        }
    }

    /// Limits that the working pressure would reach again are raised above it.
    fn raise_limits(&mut self) {
        for c in self.held_by(Hold::Alarm) {
            let needs = self.world.expected_mmhg(c);
            let limit = self.world.drives[c].limit_mmhg;
            let enough = ((1.25 * needs + 30.0) / 10.0).ceil() * 10.0;
            self.set_limit(c, enough.max(limit));
        }
        let now = self.world.t_s;
        for (told, open) in self.own.iter_mut().filter(|(_, open)| *open) {
            told.stretch.end_s = Some(now);
            *open = false;
        }
    }

    /// Work that takes time: what runs is stopped, and the line may be open.
    fn starts_work(&mut self, deed: Deed) {
        let scenario = self.world.scenario;
        let filter = scenario.line.filter.position;
        for c in 0..self.world.drives.len() {
            let touched = deed.what != Do::SetChange || deed.channel.is_none_or(|n| n == c);
            if touched && self.world.drives[c].runs() {
                self.world.drives[c].hold = Hold::Staff;
                self.write(Some(c), "pause", "");
            }
        }
        match deed.what {
            Do::FilterChange if filter != Position::None => {
                // what is held runs to waste: the filter is off before the line is opened
                let now = self.world.t_s;
                for index in 0..self.world.running.len() {
                    let held = self.world.held_ml(&self.world.running[index]);
                    self.world.running[index].new_filter(now, held);
                }
                self.world.opened = Some(match filter {
                    Position::AboveJoin => {
                        let id = scenario.line.filter.channel.as_deref();
                        let c = id.and_then(|id| scenario.channel_index(id));
                        Opened::Tubing(c.unwrap_or_default())
                    }
                    _ => Opened::Filter,
                });
            }
            Do::SetChange => {
                if let Some(c) = deed.channel {
                    self.world.opened = Some(Opened::Tubing(c));
                }
            }
            _ => {}
        }
        let minutes = deed.minutes.unwrap_or(3.0);
        let done = self.world.t_s + 60.0 * minutes;
        self.agenda.add(done, Item::Finishes(deed));
    }

    fn finishes(&mut self, deed: &Deed) {
        self.world.opened = None;
        let event = match deed.what {
            Do::FilterChange => "filter_change",
            Do::SetChange => {
                if let Some(c) = deed.channel {
                    self.world.drives[c].renew();
                }
                "set_change"
            }
            Do::CatheterChange => {
                for index in 0..self.world.running.len() {
                    if self.world.running[index].episode.cause.words().0 == "catheter" {
                        self.relieve(index);
                    }
                }
                "catheter_change"
            }
            _ => {
                self.flushes(deed.value.unwrap_or_default());
                "flush"
            }
        };
        self.note(deed, event);
        for c in self.held_by(Hold::Staff) {
            self.resume(c);
        }
        if deed.who != Who::Plan {
            for c in self.held_by(Hold::Alarm) {
                self.resume(c);
            }
        }
    }

    fn flushes(&mut self, share: f64) {
        let now = self.world.t_s;
        for index in 0..self.world.running.len() {
            let held = self.world.held_ml(&self.world.running[index]);
            let least = self
                .world
                .concerned(&self.world.running[index])
                .into_iter()
                .map(|c| self.world.baseline(c))
                .fold(f64::INFINITY, f64::min);
            let catheter = self.world.scenario.line.access.resistance_mmhg_h_per_ml;
            let ratio_after =
                |run: &super::episodes::Running| 1.0 + run.adds(0.0, catheter) / least;
            self.world.running[index].flush(now, share, held, ratio_after);
        }
    }
}
