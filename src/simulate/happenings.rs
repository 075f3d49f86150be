//! What happens by itself: episodes begin, come and go, end; pumps are raised and lowered.
//!
//! In: an [`Item`] of the agenda. Out: changes of the [`super::world`] and rows of the events file.

use super::agenda::Item;
use super::day::Ward;
use super::pump::Hold;
use super::scenario::{Cause, Episode};
use rand::Rng;

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

    pub(super) fn named(&self, episode: &Episode) -> Option<usize> {
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
    pub(super) fn relieve(&mut self, index: usize) {
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
}
