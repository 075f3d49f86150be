//! What a file of messages says of each pump, message by message.
//!
//! In: [`Message`]s. Out: [`Log`]: per pump and channel the parts of its samples, its deliveries, its alarms. A message is used
//! as a whole or not at all. Who the patient is serves to keep two apart, and is dropped with the reading.

use super::alarms::{Phase, Side, Update, priority};
use super::codes::{Term, coded};
use super::containment::{Order, Refused, Row, Zones, orders, path};
use super::deliver::{After, Delivery, Reason, Told, Turn, is_bolus};
use super::dtm::dtm;
use super::er7::Segment;
use super::messages::Message;
use super::observe::{Missing, Part, observed, running, word};
use crate::ingest::mapping::What;
use crate::ingest::moment::Moment;
use crate::ingest::table::REJECTED_SHOWN;
use crate::record::{EventKind, RejectedRow};
use std::collections::{BTreeMap, BTreeSet, HashMap, HashSet};
use std::hash::{DefaultHasher, Hash, Hasher};

/// Distinct words kept for a notice.
const WORDS_KEPT: usize = 50;

/// Segments that tell of patients and staff, or may.
const ABOUT_PEOPLE: &[&str] = &["PID", "PD1", "NK1", "PV1", "PV2", "PRT", "NTE"];

/// Flags (OBX-8) of observations that no patient stands behind.
const NOT_REAL: &[&str] = &["TEST", "DEMO"];

/// Whose and which channel: patient by running number, the pump's own name, the channel's label.
#[derive(Debug, Clone, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub(super) struct Key {
    pub(super) patient: usize,
    pub(super) pump: String,
    pub(super) label: Option<String>,
}

/// What the messages said of one channel.
#[derive(Debug, Default)]
pub(super) struct ChannelLog {
    pub(super) parts: Vec<Part>,
    pub(super) deliveries: Vec<Delivery>,
    pub(super) alarms: Vec<Update>,
    /// Other events, kept by their names.
    pub(super) others: Vec<Told>,
}

/// What a file of messages says.
#[derive(Debug, Default)]
pub(super) struct Log {
    pub(super) zones: Zones,
    /// In the order in which they were first seen.
    pub(super) channels: Vec<(Key, ChannelLog)>,
    by_key: HashMap<Key, usize>,
    patients: HashMap<String, usize>,
    /// How many messages of each were used.
    of_patient: HashMap<usize, u64>,
    seen: HashSet<u64>,
    pub(super) messages: u64,
    /// Messages that came twice.
    pub(super) repeats: u64,
    /// Messages not used.
    pub(super) refused: u64,
    /// The first hundred of them.
    pub(super) shown: Vec<RejectedRow>,
    /// Of these, messages that are no fault of the file, by reason.
    pub(super) aside: BTreeMap<String, u64>,
    /// Figures that were none, by field.
    pub(super) missing: BTreeMap<&'static str, (BTreeSet<String>, u64)>,
    /// Codes whose number and name disagree.
    pub(super) mismatches: BTreeSet<String>,
    /// Pressures of other places than the pump's outlet: their codes, and how many there were.
    pub(super) elsewhere: (BTreeSet<String>, u64),
    /// Observations taken back.
    pub(super) retracted: u64,
    /// Pump's clock less the gateway's, seconds, by pump.
    pub(super) clocks: BTreeMap<String, Vec<f64>>,
    /// Whether there is a message about an alarm or an event.
    pub(super) tells_events: bool,
    /// Segments about people that were there and dropped.
    pub(super) about_people: BTreeSet<String>,
}

/// What one message comes to, before it is taken over.
#[derive(Default)]
struct Taken {
    said: Vec<(Key, ChannelLog)>,
    patient: usize,
    missing: Missing,
    mismatches: Vec<String>,
    elsewhere: Vec<String>,
    retracted: u64,
    clocks: Vec<(String, f64)>,
    tells_events: bool,
}

impl Log {
    /// Takes a message. An error is one that asks for the zone.
    pub(super) fn take(&mut self, message: &Message) -> Result<(), Refused> {
        self.messages += 1;
        match self.read(message) {
            Ok(Some(taken)) => self.keep(taken),
            Ok(None) => self.repeats += 1,
            Err(refused) if refused.asks_zone => return Err(refused),
            Err(refused) => self.refuse(refused),
        }
        Ok(())
    }

    fn refuse(&mut self, refused: Refused) {
        self.refused += 1;
        if refused.is_aside {
            *self.aside.entry(refused.reason.clone()).or_default() += 1;
        }
        self.show(refused.line, refused.field, refused.value, refused.reason);
    }

    /// How many messages of a patient were used.
    pub(super) fn of_patient(&self, patient: usize) -> u64 {
        self.of_patient.get(&patient).copied().unwrap_or_default()
    }

    /// Shows what could not be used.
    fn show(&mut self, line: u64, field: &str, value: String, reason: String) {
        if self.shown.len() < REJECTED_SHOWN {
            self.shown.push(RejectedRow {
                line,
                column: field.to_string(),
                value,
                reason,
            });
        }
    }

    fn keep(&mut self, taken: Taken) {
        for (key, mut more) in taken.said {
            for part in &mut more.parts {
                part.message = self.messages;
            }
            let at = *self.by_key.entry(key.clone()).or_insert_with(|| {
                self.channels.push((key, ChannelLog::default()));
                self.channels.len() - 1
            });
            if let Some((_, log)) = self.channels.get_mut(at) {
                log.parts.extend(more.parts);
                log.deliveries.extend(more.deliveries);
                log.alarms.extend(more.alarms);
                log.others.extend(more.others);
            }
        }
        *self.of_patient.entry(taken.patient).or_default() += 1;
        for code in taken.elsewhere {
            self.elsewhere.1 += 1;
            if self.elsewhere.0.len() < WORDS_KEPT {
                self.elsewhere.0.insert(code);
            }
        }
        for (field, word) in taken.missing {
            let (words, cells) = self.missing.entry(field).or_default();
            *cells += 1;
            if words.len() < WORDS_KEPT {
                words.insert(word);
            }
        }
        for code in taken.mismatches {
            if self.mismatches.len() < WORDS_KEPT {
                self.mismatches.insert(code);
            }
        }
        for (pump, seconds) in taken.clocks {
            self.clocks.entry(pump).or_default().push(seconds);
        }
        self.retracted += taken.retracted;
        self.tells_events |= taken.tells_events;
    }

    /// `None` for a message that came before.
    fn read(&mut self, message: &Message) -> Result<Option<Taken>, Refused> {
        let Some(header) = message.header() else {
            return Ok(None);
        };
        let refuse = |field, reason: &str| Refused::new(header, field, reason.to_string());
        match header.component(11, 1) {
            "T" => return Err(refuse("MSH-11", "a message of a training").aside()),
            "D" => return Err(refuse("MSH-11", "a message of a test").aside()),
            _ => {}
        }
        let kind = header.component(9, 2);
        if !matches!(kind, "R01" | "R40" | "R42") {
            let other = refuse("MSH-9", "no observation, alarm or event of a device");
            return Err(other.showing(kind).aside());
        }
        if let Some(last) = message.segments.last().filter(|_| message.is_cut) {
            let reason = "the file ends within this message";
            return Err(Refused::new(last, "(whole message)", reason).aside());
        }
        let header_offset = match dtm(header.component(7, 1)) {
            Ok(time) => time.and_then(|t| t.offset_s),
            Err(_) => None, // it is no time of an observation: nothing is lost
        };
        let orders = orders(&message.segments, header_offset, &mut self.zones)?;
        let mut rows = orders.iter().flat_map(|o| &o.rows);
        if let Some(row) = rows.clone().find(|r| r.flagged(NOT_REAL).is_some()) {
            let reason = "a demonstration or test of the device";
            return Err(Refused::new(row.segment, "OBX-8", reason).aside());
        }
        if !rows.any(|r| is_of_a_pump(r)) {
            return Err(refuse("OBX-3", "no infusion pump").aside());
        }
        if !self.is_new(header) {
            return Ok(None);
        }
        let patient = self.patient(&message.segments);
        for segment in &message.segments {
            if ABOUT_PEOPLE.contains(&segment.id()) && !self.about_people.contains(segment.id()) {
                self.about_people.insert(segment.id().to_string());
            }
        }
        let mut taken = Taken {
            patient,
            ..Taken::default()
        };
        for order in &orders {
            taken.general(order);
            match kind {
                "R40" => taken.alarm(order, patient)?,
                "R42" => taken.event(order, patient)?,
                _ => taken.observations(order, patient)?,
            }
        }
        Ok(Some(taken))
    }

    /// A message is known by its sender, its number and the time it was built.
    fn is_new(&mut self, header: &Segment) -> bool {
        if header.field(10).is_empty() {
            return true;
        }
        let mut hasher = DefaultHasher::new();
        [3, 7, 10].map(|f| header.field(f)).hash(&mut hasher);
        self.seen.insert(hasher.finish())
    }

    fn patient(&mut self, segments: &[Segment]) -> usize {
        let pid = segments.iter().find(|s| s.id() == "PID");
        let id = pid.map_or("", |s| s.repetitions(3).next().unwrap_or_default());
        let next = self.patients.len();
        *self.patients.entry(id.to_string()).or_insert(next)
    }
}

fn is_of_a_pump(row: &Row) -> bool {
    matches!(
        row.code.term,
        Some(
            Term::Device(_)
                | Term::Pressure
                | Term::CurrentRate
                | Term::SetRate
                | Term::TotalVolume
                | Term::Status
                | Term::EventCondition
                | Term::AlarmCondition
        )
    )
}

impl Taken {
    /// What is noted of any message: codes that disagree with themselves, observations taken back, the pump's clock.
    fn general(&mut self, order: &Order) {
        for row in &order.rows {
            if row.code.mismatch {
                self.mismatches.push(row.code.shown.clone());
            }
            self.retracted += u64::from(row.is_retracted());
            if row.code.term != Some(Term::DeviceClock) || row.is_retracted() {
                continue;
            }
            if let (Ok(Some(shown)), Some((gateway, _))) =
                (dtm(row.segment.component(5, 1)), row.moment)
            {
                let offset = shown.offset_s.unwrap_or(gateway.offset_s);
                let ahead_us = shown.at_offset(offset).ticks - gateway.ticks;
                self.clocks.push((row.pump.clone(), ahead_us as f64 / 1e6));
            }
        }
    }

    fn observations(&mut self, order: &Order, patient: usize) -> Result<(), Refused> {
        for said in observed(order, &mut self.missing)?.into_values() {
            self.elsewhere.extend(said.elsewhere);
            if said.parts.is_empty() && said.label.is_none() {
                continue;
            }
            let key = Key {
                patient,
                pump: said.pump,
                label: said.label,
            };
            let log = ChannelLog {
                parts: said.parts,
                ..ChannelLog::default()
            };
            self.said.push((key, log));
        }
        Ok(())
    }

    fn event(&mut self, order: &Order, patient: usize) -> Result<(), Refused> {
        self.tells_events = true;
        let is_it = |r: &&Row| r.code.term == Some(Term::EventCondition);
        let Some(row) = order.rows.iter().find(is_it) else {
            return Err(Refused::new(
                order.head,
                "OBX-3",
                "no event in a message about one",
            ));
        };
        let (moment, _) = moment_of(row)?;
        let what = coded(row.segment, 5);
        if what.mismatch {
            self.mismatches.push(what.shown.clone());
        }
        let source = order
            .rows
            .iter()
            .find(|r| r.code.term == Some(Term::EventSource));
        let source = source.and_then(|r| path(r.segment.component(5, 1)).ok());
        let mut modules = observed(order, &mut self.missing)?;
        let module = match source {
            Some(path) => (path[0], path[1]),
            None => {
                let deepest = modules.keys().copied().max();
                deepest.unwrap_or_else(|| row.module())
            }
        };
        let said = modules.remove(&module).unwrap_or_default();
        let pump = match said.pump.is_empty() {
            true => row.pump.clone(),
            false => said.pump.clone(),
        };
        let key = Key {
            patient,
            pump,
            label: said.label.clone(),
        };
        let mut log = ChannelLog::default();
        let turn = match what.term {
            Some(Term::Start) => Some(Turn::Start),
            Some(Term::Stop) => Some(Turn::Stop),
            Some(Term::Complete) => Some(Turn::Complete),
            _ => None,
        };
        match turn {
            None if row.is_retracted() => {}
            None => log.others.push(Told {
                tick: moment.ticks,
                line: row.segment.line,
                kind: EventKind::Unknown,
                word: shown_word(&what.shown),
                detail: String::new(),
            }),
            Some(turn) => {
                let of_module: Vec<&Row> =
                    order.rows.iter().filter(|r| r.module() == module).collect();
                let after = after(&of_module, source);
                let rate = said.parts.iter().rev().find(|p| p.what == What::Rate);
                log.deliveries.push(Delivery {
                    tick: moment.ticks,
                    line: row.segment.line,
                    turn,
                    after,
                    reason: reason(&of_module),
                    rate_ml_h: rate.and_then(|p| p.figure).filter(|r| !r.is_nan()),
                    is_bolus: of_module
                        .iter()
                        .any(|r| r.code.term == Some(Term::Sources) && is_bolus(r.segment)),
                    word: shown_word(&what.shown),
                    is_retracted: row.is_retracted(),
                });
                // Where another segment follows at once, its own message has the rate.
                let goes_on = turn != Turn::Start && after == After::More;
                let parts = said.parts.into_iter();
                log.parts = parts
                    .filter(|p| !(goes_on && p.what == What::Rate))
                    .collect();
            }
        }
        self.said.push((key, log));
        Ok(())
    }

    fn alarm(&mut self, order: &Order, patient: usize) -> Result<(), Refused> {
        self.tells_events = true;
        let is_it = |r: &&Row| r.code.term == Some(Term::AlarmCondition);
        let Some(row) = order.rows.iter().find(is_it) else {
            return Err(Refused::new(
                order.head,
                "OBX-3",
                "no alarm in a message about one",
            ));
        };
        let (moment, own) = moment_of(row)?;
        let what = coded(row.segment, 5);
        if what.mismatch {
            self.mismatches.push(what.shown.clone());
        }
        let text = |term| {
            let found = order.rows.iter().find(|r| r.code.term == Some(term));
            found.map_or_else(String::new, |r| word(r.segment))
        };
        let rank = match text(Term::Priority).to_ascii_uppercase() {
            own if own.is_empty() => row.flagged(&["PH", "PM", "PL", "PN"]).map(str::to_string),
            own => Some(own),
        };
        // The alarm itself, for all its life; else this update of it; else the pump and what it alarms for.
        let key = [29, 3].map(|f| order.head.field(f).trim().to_string());
        let key = key
            .into_iter()
            .find(|k| order.head.id() == "OBR" && !k.is_empty());
        let key = key.unwrap_or_else(|| format!("{} {}", row.pump, what.shown));
        let is_occlusion = what.term == Some(Term::Occlusion);
        let beside = row.segment.text(5, 9);
        let update = Update {
            key,
            tick: moment.ticks,
            line: row.segment.line,
            phase: Phase::read(&text(Term::Phase), &text(Term::AlarmState)),
            is_occlusion,
            side: Side::read(&[&what.shown, &beside]),
            meaning: match what.term {
                Some(Term::Other(meaning)) => meaning,
                _ if is_occlusion => "occlusion",
                _ => "",
            },
            priority: priority(&rank.unwrap_or_default()),
            time_of_sending: !own,
            word: shown_word(&what.shown),
            is_retracted: row.is_retracted(),
        };
        let key = Key {
            patient,
            pump: row.pump.clone(),
            label: None,
        };
        let log = ChannelLog {
            alarms: vec![update],
            ..ChannelLog::default()
        };
        self.said.push((key, log));
        Ok(())
    }
}

fn moment_of(row: &Row) -> Result<(Moment, bool), Refused> {
    row.moment
        .ok_or_else(|| Refused::new(row.segment, "OBX-14", "no time of the event"))
}

fn shown_word(name: &str) -> String {
    match name {
        "" => "(no code)".into(),
        name => name.into(),
    }
}

/// What is delivered after an event: by the status of its source, else by that of the module.
fn after(rows: &[&Row], source: Option<[u32; 5]>) -> After {
    let of_source = rows
        .iter()
        .filter(|r| source.is_some_and(|s| r.path[..3] == s[..3]));
    let by_status = |row: &&&Row| match (row.code.term, word(row.segment).as_str()) {
        (Some(Term::Status), "pump-delivery-status-transitioning") => Some(After::More),
        _ => running(row).map(|runs| if runs { After::More } else { After::Nothing }),
    };
    let mut ordered = of_source.chain(rows.iter());
    ordered.find_map(|r| by_status(&r)).unwrap_or(After::Unsaid)
}

fn reason(rows: &[&Row]) -> Reason {
    let given = rows.iter().find(|r| r.code.term == Some(Term::Reason));
    given.map_or(Reason::NotSaid, |r| Reason::read(&word(r.segment)))
}
