//! What is to come: the things that happen at set times, and the deeds that staff are on their way to.
//!
//! In: a scenario. Out: [`Item`]s in order of time. What each does is in [`super::happenings`] and [`super::staff`].

use super::scenario::{Act, Answer, Do, Episode, Scenario};
use std::collections::BTreeMap;

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
    pub what: Do,
    pub who: Who,
    pub channel: Option<usize>,
    pub value: Option<f64>,
    pub minutes: Option<f64>,
    pub detail: String,
    pub logged: bool,
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

/// What an answer of an episode comes to.
pub(super) fn answered(
    scenario: &Scenario,
    episode: &Episode,
    index: usize,
    answer: &Answer,
) -> Deed {
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
