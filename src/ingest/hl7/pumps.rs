//! Which pump of the messages is which channel of the trace, and what its events come to.
//!
//! In: what the messages said, by pump and label. Out: [`Channels`], with running names or, where the events join a table,
//! with the table's. A pump is known in the table by its own name, by its label, by being the only one, or by the user's
//! word; it is never guessed.

use super::alarms;
use super::deliver::{self, Delivery};
use super::log::{ChannelLog, Key};
use crate::error::{Error, Result};
use crate::ingest::Settings;
use crate::ingest::gather::Aliases;
use crate::record::{EventKind, Notice, Record};
use std::collections::{BTreeMap, BTreeSet, HashMap};
use std::path::Path;

/// An alarm and the stop it makes may lie this far apart, microseconds: clocks set by hand are good to two minutes (IHE
/// Patient Care Device Technical Framework, revision 9.0, volume 2), as is the contract's link of alarm and pause.
const ALARM_LINK_US: i64 = 120_000_000;

/// One channel of a pump.
pub(super) struct PumpChannel {
    pub(super) patient: usize,
    /// The pump's own name, as it stands in the messages: to be compared, never shown.
    pump: String,
    label: Option<String>,
    /// Running name.
    name: String,
    /// The pump's clock less the gateway's, seconds.
    pub(super) clock_ahead_s: Option<f64>,
    pub(super) log: ChannelLog,
}

impl PumpChannel {
    /// What tells it from others, as it stands in the messages: to be compared, never shown.
    pub(super) fn own_name(&self) -> Box<[u8]> {
        let label = self.label.as_deref().unwrap_or_default();
        format!("{} {label}", self.pump).into_bytes().into()
    }
}

/// All channels of a file.
pub(super) struct Channels {
    pub(super) all: Vec<PumpChannel>,
    /// Running name and clock of each pump that discloses it.
    pub(super) clocks: Vec<(String, f64)>,
}

/// An event of a channel.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Told {
    pub(super) tick: i64,
    pub(super) channel: Option<String>,
    pub(super) kind: EventKind,
    pub(super) word: String,
    pub(super) detail: String,
}

/// The events of a channel, and its deliveries in figures.
pub(super) struct TheEvents {
    pub(super) events: Vec<Told>,
    pub(super) segments: u64,
    transitions: u64,
    stops: u64,
}

impl TheEvents {
    pub(super) fn notice(&self, channel: &str) -> Notice {
        Notice::Deliveries {
            channel: channel.to_string(),
            segments: self.segments,
            transitions: self.transitions,
            stops: self.stops,
        }
    }
}

impl Channels {
    /// Puts together what belongs to one channel. A pump whose messages bear one label, or none, has one channel, whether
    /// or not each message bears it; alarms of a pump with several labels are kept apart from them.
    pub(super) fn of(said: Vec<(Key, ChannelLog)>, clocks: &BTreeMap<String, Vec<f64>>) -> Self {
        let mut labels: BTreeMap<(usize, String), BTreeSet<String>> = BTreeMap::new();
        let mut pumps: Vec<String> = Vec::new();
        for (key, _) in &said {
            let of_pump = labels.entry((key.patient, key.pump.clone())).or_default();
            of_pump.extend(key.label.clone());
            if !pumps.contains(&key.pump) {
                pumps.push(key.pump.clone());
            }
        }
        let named = |pump: &str| {
            let number = pumps.iter().position(|p| p == pump).unwrap_or_default() + 1;
            format!("pump-{number:03}")
        };
        let middle = |seconds: &[f64]| {
            let mut sorted = seconds.to_vec();
            sorted.sort_by(f64::total_cmp);
            sorted.get(sorted.len() / 2).copied()
        };
        let mut all: Vec<PumpChannel> = Vec::new();
        for (key, log) in said {
            let of_pump = labels.get(&(key.patient, key.pump.clone()));
            let (label, name) = match (of_pump.map_or(0, BTreeSet::len), key.label) {
                (0, _) => (None, named(&key.pump)),
                (1, _) => (of_pump.and_then(|l| l.first().cloned()), named(&key.pump)),
                (_, None) => (None, named(&key.pump)),
                (_, Some(label)) => {
                    let name = format!("{} {}", named(&key.pump), clean(&label));
                    (Some(label), name)
                }
            };
            let same = |c: &&mut PumpChannel| {
                c.patient == key.patient && c.pump == key.pump && c.label == label
            };
            match all.iter_mut().find(same) {
                Some(channel) => {
                    channel.log.parts.extend(log.parts);
                    channel.log.deliveries.extend(log.deliveries);
                    channel.log.alarms.extend(log.alarms);
                    channel.log.others.extend(log.others);
                }
                None => all.push(PumpChannel {
                    patient: key.patient,
                    clock_ahead_s: clocks.get(&key.pump).and_then(|c| middle(c)),
                    name,
                    pump: key.pump,
                    label,
                    log,
                }),
            }
        }
        let clocks = pumps.iter().filter_map(|pump| {
            let ahead = clocks.get(pump).and_then(|c| middle(c))?;
            Some((named(pump), ahead))
        });
        let clocks = clocks.collect();
        Self { all, clocks }
    }

    /// The channels' names where the messages are the trace: the user's, else running ones.
    pub(super) fn named(&self, settings: &Settings) -> Vec<String> {
        let names = self.all.iter().map(|channel| {
            let given = settings
                .channels
                .iter()
                .find(|(pump, _)| *pump == channel.name);
            given.map_or_else(|| channel.name.clone(), |(_, name)| name.clone())
        });
        names.collect()
    }

    /// The channels of a table that they are; `None` for those that are none of it.
    pub(super) fn joined(
        &self,
        record: &Record,
        aliases: &Aliases,
        pumps: &HashMap<Box<[u8]>, String>,
        settings: &Settings,
        file: &Path,
    ) -> Result<Vec<Option<String>>> {
        let has = |id: &str| {
            record
                .channels
                .iter()
                .any(|c| c.id.eq_ignore_ascii_case(id))
        };
        let known = |name: &str| -> Option<String> {
            let alias = aliases.channels.as_ref().and_then(|names| {
                let found = names
                    .iter()
                    .find(|(cell, _)| cell.eq_ignore_ascii_case(name.as_bytes()));
                found.map(|(_, alias)| alias.clone())
            });
            let channel = record
                .channels
                .iter()
                .find(|c| c.id.eq_ignore_ascii_case(name));
            alias.or_else(|| channel.map(|c| c.id.clone()))
        };
        let mut ids: Vec<Option<String>> = Vec::with_capacity(self.all.len());
        let mut answered = vec![false; self.all.len()];
        for (channel, answered) in self.all.iter().zip(&mut answered) {
            let given = settings
                .channels
                .iter()
                .find(|(pump, _)| *pump == channel.name);
            if let Some((_, id)) = given {
                if !id.is_empty() && !has(id) {
                    let what = format!("the trace has no channel `{id}`");
                    return Err(open(file, what, question(self, record)));
                }
                *answered = true;
                ids.push(known(id));
                continue;
            }
            // The trace's own messages, or another file of them.
            let pump = channel.pump.as_bytes();
            let mut same_pump = pumps.iter().filter(|(own, _)| {
                **own == channel.own_name()
                    || own
                        .strip_prefix(pump)
                        .is_some_and(|rest| !pump.is_empty() && rest.starts_with(b" "))
            });
            if let (Some((_, id)), None) = (same_pump.next(), same_pump.next()) {
                ids.push(Some(id.clone()));
                continue;
            }
            let own = channel.pump.split('^');
            let names = own.chain(channel.label.as_deref()).map(str::trim);
            ids.push(names.filter(|n| !n.is_empty()).find_map(known));
        }
        let unanswered = ids
            .iter()
            .zip(&answered)
            .filter(|(id, a)| id.is_none() && !**a)
            .count();
        let nothing_known = ids.iter().all(Option::is_none);
        if let ([only], [id], true) = (
            record.channels.as_slice(),
            ids.as_mut_slice(),
            nothing_known && unanswered == 1,
        ) {
            *id = Some(only.id.clone());
            return Ok(ids);
        }
        if nothing_known && answered.iter().any(|a| !a) {
            let what = "nothing in the messages says which pump is which channel of the trace";
            return Err(open(file, what, question(self, record)));
        }
        Ok(ids)
    }
}

/// The question which pump is which.
fn open(file: &Path, what: impl Into<String>, [hint, asked]: [String; 2]) -> Error {
    let error = Error::in_file(file, what).hint(hint);
    error.asks(crate::ingest::CHANNELS, asked)
}

/// The question which pump is which channel: for the command line, and for a page.
fn question(channels: &Channels, record: &Record) -> [String; 2] {
    let pumps: Vec<String> = channels
        .all
        .iter()
        .take(10)
        .map(|c| match &c.label {
            Some(label) if !c.name.ends_with(&clean(label)) => {
                format!("{} (label {})", c.name, clean(label))
            }
            _ => c.name.clone(),
        })
        .collect();
    let names: Vec<String> = record
        .channels
        .iter()
        .take(10)
        .map(|c| format!("`{}`", c.id))
        .collect();
    let first = channels.all.first().map_or("pump-001", |c| c.name.as_str());
    let channel = record.channels.first().map_or("pn", |c| c.id.as_str());
    [
        format!("Answer with --channel, for example --channel '{first}={channel}'; a pump left empty is left aside"),
        format!("Write it like `{first}={channel}`, several with a comma between; a pump left empty is left aside"),
    ]
    .map(|how| {
        let (pumps, names) = (pumps.join(", "), names.join(", "));
        format!("which is which? The messages have {pumps}, by their order; the trace has {names}. {how}")
    })
}

/// A label for people to read.
fn clean(label: &str) -> String {
    label.chars().filter(|c| !c.is_control()).take(20).collect()
}

/// The events of a channel, in order of time.
pub(super) fn told(
    deliveries: Vec<Delivery>,
    alarms: Vec<alarms::Update>,
    others: Vec<deliver::Told>,
) -> TheEvents {
    let course = deliver::follow(deliveries);
    let mut events = alarms::follow(alarms);
    let raised: Vec<i64> = events
        .iter()
        .filter(|e| matches!(e.kind, EventKind::Alarm | EventKind::OcclusionAlarm))
        .map(|e| e.tick)
        .collect();
    for (tick, line) in course.alarm_stops {
        // The pump says that an alarm stopped it: that alarm must not be lost where its own message is.
        if !raised.iter().any(|r| (r - tick).abs() <= ALARM_LINK_US) {
            events.push(deliver::Told {
                tick,
                line,
                kind: EventKind::Alarm,
                word: "pump-stopped-alarming".into(),
                detail: "stopped by an alarm that no message names".into(),
            });
        }
    }
    events.extend(course.events);
    events.extend(others);
    events.sort_by_key(|e| (e.tick, e.line));
    TheEvents {
        events: events
            .into_iter()
            .map(|e| Told {
                tick: e.tick,
                channel: None,
                kind: e.kind,
                word: e.word,
                detail: e.detail,
            })
            .collect(),
        segments: course.segments,
        transitions: course.transitions,
        stops: course.stops,
    }
}
