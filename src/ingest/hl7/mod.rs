//! HL7 v2 messages of the IHE device profiles as traces and events.
//!
//! In: a file of messages: observations (`ORU^R01`, PCD-01), alarms (`ORU^R40`, PCD-04), events (`ORU^R42`, PCD-10).
//! Out: records, or events in the records of a table. `messages` finds the messages, `er7` their fields, `codes`
//! what they mean, `containment` when and where; `observe`, `deliver` and `alarms` what it comes to; `log` gathers,
//! `settle` makes rows, `pumps` says which pump is which channel.
//!
//! Patients, staff and devices are dropped on reading: pumps get running names.

#[cfg(test)]
mod agree;
mod alarms;
mod codes;
mod containment;
mod deliver;
mod dtm;
mod er7;
mod log;
mod messages;
mod observe;
mod pumps;
mod settle;
#[cfg(test)]
mod tests;

pub(super) use messages::{begins_messages, other_form};

use super::assemble::{Infusion, MOST_CHANNELS, Series, crowded, record};
use super::clocks::BUDGET_S;
use super::moment::Kind;
use super::table::REJECTED_SHOWN;
use super::trace::Trace;
use super::when::Passage;
use super::{MOST_REJECTED, Settings, Source, zone};
use crate::error::{Error, Result};
use crate::record::{Event, Notice, Record, RejectedRow};
use crate::time::Clock;
use log::Log;
use messages::Messages;
use pumps::{Channels, Told};
use std::collections::{BTreeSet, HashMap};
use std::path::{Path, PathBuf};

const NO_RATE_YET: &str = "no rate is known yet at this time";

/// Reads all messages of a file.
fn read(source: Source, settings: &Settings) -> Result<(PathBuf, Log)> {
    let mut log = Log::default();
    if let Some(name) = &settings.zone {
        log.zones.given = Some(zone::find(name).ok_or_else(|| {
            Error::new(format!("there is no zone `{name}`"))
                .hint("give a name such as Europe/Berlin, or an offset such as +01:00")
        })?);
    }
    let mut messages = Messages::open(source);
    while let Some(message) = messages.next()? {
        log.take(&message).map_err(|asks| {
            Error::in_file(&messages.name, asks.reason)
                .at_line(asks.line)
                .in_column(asks.field)
                .hint("in which zone did the clocks stand? Answer with --zone, for example --zone Europe/Berlin")
                .asks(crate::ingest::ZONE, "in which zone did the clocks of the messages stand? A name such as Europe/Berlin, or an offset such as +01:00")
        })?;
    }
    Ok((messages.name, log))
}

/// Reads a trace, with whatever events stand among it.
pub(super) fn read_trace(source: Source, settings: &Settings) -> Result<Trace> {
    let (name, mut log) = read(source, settings)?;
    let channels = Channels::of(std::mem::take(&mut log.channels), &log.clocks);
    let names = channels.named(settings);
    let mut infusions: Vec<(usize, Infusion, Vec<Series>, Vec<Told>)> = Vec::new();
    // Messages of each patient that tell of a moment before any rate, and their rows.
    let mut before_rate: HashMap<usize, (BTreeSet<u64>, Vec<RejectedRow>)> = HashMap::new();
    let mut names_given = HashMap::new();
    for (channel, id) in channels.all.into_iter().zip(names) {
        let at = match infusions.iter().position(|i| i.0 == channel.patient) {
            Some(at) => at,
            None => {
                infusions.push((channel.patient, Infusion::default(), Vec::new(), Vec::new()));
                infusions.len() - 1
            }
        };
        let Some((_, infusion, series, told)) = infusions.get_mut(at) else {
            continue;
        };
        names_given.insert(channel.own_name(), id.clone());
        let settled = settle::settle(channel.log.parts);
        infusion.intake.repeats += settled.repeats;
        for (ticks, offset_s) in settled.moments {
            infusion.saw(super::moment::Moment {
                kind: Kind::Calendar,
                ticks,
                offset_s,
            });
        }
        let (messages, rows) = before_rate.entry(channel.patient).or_default();
        for (message, line) in settled.before_rate {
            if messages.insert(message) && rows.len() < REJECTED_SHOWN {
                rows.push(RejectedRow {
                    line,
                    column: "OBX-5".into(),
                    value: String::new(),
                    reason: NO_RATE_YET.into(),
                });
            }
        }
        let mut more = pumps::told(
            channel.log.deliveries,
            channel.log.alarms,
            channel.log.others,
        );
        if more.segments != 0 {
            infusion.intake.notices.push(more.notice(&id));
        }
        for event in &mut more.events {
            event.channel = Some(id.clone());
        }
        told.extend(more.events);
        if !settled.rows.ticks.is_empty() {
            series.push(Series {
                infusion: 0,
                infusion_cell: Box::default(),
                channel_cell: Box::default(),
                channel: id,
                rows: settled.rows,
                waiting: None,
                passage: Passage::default(),
                followed_by: 0,
            });
        }
    }
    let (infusions, without_rows): (Vec<_>, Vec<_>) = infusions
        .into_iter()
        .partition(|(_, _, series, _)| !series.is_empty());
    if infusions.iter().any(|i| MOST_CHANNELS < i.2.len()) {
        return Err(crowded().of_file(&name));
    }
    let late: u64 = before_rate.values().map(|(m, _)| m.len() as u64).sum();
    let mut shown = log.shown.clone();
    shown.extend(before_rate.values().flat_map(|(_, rows)| rows.clone()));
    shown.sort_by_key(|r| r.line);
    let rejected = log.refused + late;
    check(
        &name,
        &log,
        &shown,
        rejected,
        infusions.is_empty(),
        settings,
    )?;
    let several = 1 < infusions.len();
    let mut records: Vec<Record> = Vec::with_capacity(infusions.len());
    let mut of_nobody = log.messages;
    for (number, (patient, mut infusion, series, told)) in infusions.into_iter().enumerate() {
        if several {
            infusion.name = format!("infusion-{:03}", number + 1);
        }
        let mut record = record(infusion, series, Kind::Calendar);
        record.events_given = log.tells_events;
        attach(&mut record, told, 0.0);
        let rows = log.of_patient(patient);
        of_nobody -= rows;
        let intake = &mut record.intake;
        intake.rows += rows;
        if let Some((messages, rows)) = before_rate.remove(&patient) {
            intake.rows_rejected += messages.len() as u64;
            intake.rejected = rows;
        }
        records.push(record);
    }
    if let Some(first) = records.first_mut() {
        // Messages that were not used, or are of somebody without a row, stand with the first.
        let intake = &mut first.intake;
        intake.rows += of_nobody;
        for (messages, rows) in before_rate.into_values() {
            intake.rows_rejected += messages.len() as u64;
            intake.rejected.extend(rows);
        }
        intake.rows_rejected += log.refused;
        intake.repeats += log.repeats;
        intake.rejected.extend(log.shown.clone());
        intake.rejected.sort_by_key(|r| r.line);
        intake.rejected.truncate(REJECTED_SHOWN);
        intake.notices.extend(notices(&log, "trace"));
        let events: usize = without_rows.iter().map(|(_, _, _, told)| told.len()).sum();
        if 0 < events {
            intake.notices.push(Notice::EventsOfOtherPumps { events });
        }
        intake
            .notices
            .extend(
                channels
                    .clocks
                    .iter()
                    .map(|(channel, offset_s)| Notice::DeviceClock {
                        channel: channel.clone(),
                        offset_s: *offset_s,
                        applied: false,
                    }),
            );
    }
    Ok(Trace {
        records,
        kind: Kind::Calendar,
        has_infusions: several,
        aliases: Default::default(),
        pumps: names_given,
    })
}

/// Reads events and puts them into the records of a trace.
pub(super) fn read_events(source: Source, trace: &mut Trace, settings: &Settings) -> Result<()> {
    let (name, mut log) = read(source, settings)?;
    check(
        &name,
        &log,
        &log.shown,
        log.refused,
        log.messages == log.refused,
        settings,
    )?;
    if trace.kind == Kind::Seconds {
        let what = "the trace has seconds from the record's start, the messages have times with date and offset";
        return Err(Error::in_file(&name, what)
            .at_line(1)
            .hint("both files must tell time in the same way; nothing else says which event belongs to which sample"));
    }
    let [record] = trace.records.as_mut_slice() else {
        return Err(Error::in_file(
            &name,
            "the trace has several infusions, and messages do not name them",
        )
        .hint("give the trace of one infusion with its messages"));
    };
    let channels = Channels::of(std::mem::take(&mut log.channels), &log.clocks);
    let ids = channels.joined(record, &trace.aliases, &trace.pumps, settings, &name)?;
    record.events_given = true;
    record.intake.notices.extend(notices(&log, "events"));
    let mut left_aside = 0;
    for (channel, id) in channels.all.into_iter().zip(ids) {
        let told = pumps::told(
            channel.log.deliveries,
            channel.log.alarms,
            channel.log.others,
        );
        let Some(id) = id else {
            left_aside += told.events.len();
            continue;
        };
        if told.segments != 0 {
            record.intake.notices.push(told.notice(&id));
        }
        let ahead_s = channel.clock_ahead_s;
        let applied = ahead_s.is_some_and(|s| s.abs() <= BUDGET_S);
        let known = |n: &Notice| matches!(n, Notice::DeviceClock { channel, .. } if *channel == id);
        if let Some(offset_s) = ahead_s
            && !record.intake.notices.iter().any(known)
        {
            record.intake.notices.push(Notice::DeviceClock {
                channel: id.clone(),
                offset_s,
                applied,
            });
        }
        let mut events = told.events;
        for event in &mut events {
            event.channel = Some(id.clone());
        }
        // The trace has the pump's clock, the messages that of the gateway.
        attach(record, events, ahead_s.filter(|_| applied).unwrap_or(0.0));
    }
    if 0 < left_aside {
        record
            .intake
            .notices
            .push(Notice::EventsOfOtherPumps { events: left_aside });
    }
    let more = super::events::notices(record);
    record.intake.notices.extend(more);
    Ok(())
}

/// Puts events into a record, in order of time, moved by so many seconds.
fn attach(record: &mut Record, told: Vec<Told>, by_s: f64) {
    let origin = match record.clock {
        Clock::Calendar { origin_us, .. } => origin_us,
        Clock::Seconds => 0,
    };
    record.events.extend(told.into_iter().map(|one| Event {
        t_s: (one.tick - origin) as f64 / 1e6 + by_s,
        channel: one.channel,
        kind: one.kind,
        word: one.word,
        detail: one.detail,
    }));
    record.events.sort_by(|a, b| a.t_s.total_cmp(&b.t_s));
}

/// Stops where there is nothing to go on with, or too much could not be used. Messages that are no fault of the file
/// (demonstrations, other kinds) count as not used, but not against it.
fn check(
    name: &Path,
    log: &Log,
    shown: &[RejectedRow],
    rejected: u64,
    none_left: bool,
    settings: &Settings,
) -> Result<()> {
    let aside: u64 = log.aside.values().sum();
    let faulty = rejected - aside;
    let few = faulty as f64 <= MOST_REJECTED * log.messages as f64;
    if !none_left && (few || settings.keep_going) {
        return Ok(());
    }
    if log.messages == 0 {
        return Err(Error::in_file(name, "there is no message")
            .hint("export it again; a message begins with `MSH`"));
    }
    let what = format!("{rejected} of {} messages cannot be used", log.messages);
    let Some(first) = shown.first() else {
        return Err(Error::in_file(name, "no message tells a rate or a pressure of an infusion pump")
            .hint("as a trace the messages must be observations (ORU^R01); alarms and events alone go with --events"));
    };
    let found = match first.value.as_str() {
        "" => String::new(),
        value => format!(": `{value}`"),
    };
    let error = Error::in_file(name, format!("{}{found}; {what}", first.reason))
        .at_line(first.line)
        .in_column(first.column.clone());
    Err(error.hint(match none_left {
        true => "no message of the file can be used",
        false => "mend these messages, or leave them out with `--keep-going`",
    }))
}

/// What a reader must know of the messages.
fn notices(log: &Log, file: &'static str) -> Vec<Notice> {
    let mut notices = vec![Notice::NamesReplaced {
        columns: vec!["OBX-18".into()],
    }];
    if !log.about_people.is_empty() {
        notices.push(Notice::IdentityColumnsDropped {
            columns: log.about_people.iter().cloned().collect(),
        });
    }
    for (reason, messages) in &log.aside {
        notices.push(Notice::MessagesAside {
            reason: reason.clone(),
            messages: *messages,
        });
    }
    for (field, (words, cells)) in &log.missing {
        notices.push(Notice::CellsMissing {
            column: (*field).to_string(),
            words: words.iter().cloned().collect(),
            cells: *cells,
        });
    }
    if !log.mismatches.is_empty() {
        notices.push(Notice::CodesDisagree {
            codes: log.mismatches.iter().cloned().collect(),
        });
    }
    if 0 < log.elsewhere.1 {
        notices.push(Notice::PressuresElsewhere {
            codes: log.elsewhere.0.iter().cloned().collect(),
            observations: log.elsewhere.1,
        });
    }
    if 0 < log.retracted {
        notices.push(Notice::ObservationsRetracted {
            observations: log.retracted,
        });
    }
    if file == "events" && 0 < log.repeats {
        notices.push(Notice::MessagesTwice {
            messages: log.repeats,
        });
    }
    let zones = &log.zones;
    let lent = [
        ("the order’s time", zones.from_order),
        ("the time the message was built", zones.from_header),
        ("the zone given", zones.from_user),
    ];
    for (from, times) in lent {
        if 0 < times {
            notices.push(Notice::OffsetsLent { from, times });
        }
    }
    if 0 < zones.twice {
        notices.push(Notice::HourTwice {
            file,
            rows: zones.twice,
        });
    }
    if file == "events" && 0 < log.refused - log.aside.values().sum::<u64>() {
        notices.push(Notice::EventRowsRejected {
            rows: log.refused - log.aside.values().sum::<u64>(),
            rejected: log.shown.clone(),
        });
    }
    notices
}
