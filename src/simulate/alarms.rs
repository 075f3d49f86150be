//! Alarms: which episode brought one, and who is called to do what about it.
//!
//! In: the channel that found its limit. Out: the alarm in the log and in the episode's truth, and a deed on the
//! agenda. An alarm is answered once, by the answers of the episode that brought it, in their order; where they run
//! out, staff do what takes the obstruction away.

use super::agenda::{Deed, Item, Who, answered};
use super::day::{Told, Ward};
use super::episodes::Stretch;
use super::pump::Hold;
use super::scenario::{Cause, Do};

impl Ward<'_> {
    pub(super) fn supply_alarm(&mut self, index: usize) {
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

    /// Which episode brought this channel to its limit; or, by itself, which cause and since when. Where a brief disturbance and
    /// an obstruction did it together, it is the one that the greater part of the pressure came from.
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
        let hinders = || {
            active()
                .filter(|i| 1.05 < world.ratio(&world.running[*i]))
                .max_by(|a, b| {
                    let ratio = |i: &usize| world.ratio(&world.running[*i]);
                    ratio(a).total_cmp(&ratio(b))
                })
        };
        if world.smooth_mmhg(c) - brief < limit {
            // A touch that tips a line which something holds up at its limit is not what the alarm is about.
            let held_mmhg = world.behind(c, world.t_s).moved_mmhg[c];
            let artefact = |x: &Cause| matches!(x, Cause::Artefact { .. });
            return hinders()
                .filter(|_| brief < held_mmhg)
                .or_else(|| active().find(|i| is(i, artefact)))
                .ok_or((("none", "artefact", None), world.t_s));
        }
        if 0.95 * limit <= world.would_read_mmhg(c) {
            let settings = |x: &Cause| matches!(x, Cause::LimitTooLow { .. });
            return active()
                .find(|i| is(i, settings))
                .ok_or((("settings", "limit-too-low", None), self.set_s[c]));
        }
        let height = |x: &Cause| matches!(x, Cause::HeightChange { .. });
        hinders()
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
}
