//! What people do: pauses and rates, changes of filter, set and catheter, flushes, relief.
//!
//! In: a [`Deed`] of the agenda. Out: changes of the [`super::world`] and rows of the events file.

use super::agenda::{Deed, Item, Who};
use super::day::Ward;
use super::episodes::Running;
use super::pump::Hold;
use super::scenario::{Cause, Do, Position};
use super::world::Opened;

/// From an answer that takes no time to the restart, s.
const RESTART_S: f64 = 30.0;

impl Ward<'_> {
    pub(super) fn held_by(&self, hold: Hold) -> Vec<usize> {
        let drives = &self.world.drives;
        (0..drives.len())
            .filter(|&c| drives[c].hold == hold)
            .collect()
    }

    pub(super) fn resume(&mut self, c: usize) {
        self.world.drives[c].resume();
        self.set_s[c] = self.world.t_s;
        if self.world.drives[c].runs() {
            self.write(Some(c), "resume", "");
        }
    }

    pub(super) fn set_rate(&mut self, c: usize, rate: f64) {
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

    pub(super) fn set_limit(&mut self, c: usize, limit: f64) {
        self.world.drives[c].limit_mmhg = limit;
        self.set_s[c] = self.world.t_s;
        self.write(Some(c), "limit_change", &limit.to_string());
    }

    /// Somebody does something now.
    pub(super) fn does(&mut self, deed: Deed) {
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

    pub(super) fn finishes(&mut self, deed: &Deed) {
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
            let ratio_after = |run: &Running| 1.0 + run.adds(0.0, catheter) / least;
            self.world.running[index].flush(now, share, held, ratio_after);
        }
    }
}
