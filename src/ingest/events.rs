//! The events file: what people and pumps did.
//!
//! In: the bytes of an events file, and the records they belong to. Out: events in order of time in each record.
//! A row whose time cannot be read stops the reading unless [`Settings::keep_going`]: events are few, and one filter
//! change overlooked turns a verdict round. Words that the contract does not know are kept.

use super::cell;
use super::gather::Aliases;
use super::mapping::EventsMap;
use super::moment::{EXAMPLE, Kind};
use super::names::identifies;
use super::numbers::Numbers;
use super::plan;
use super::plausible::unit_suspected;
use super::table::{Fault, REJECTED_SHOWN, Row, Table, WHOLE_ROW};
use super::trace::Trace;
use super::when::{Clockwork, NoMoment, Passage, When, WhenCells};
use super::{Settings, Source};
use crate::error::{Error, Result};
use crate::record::{Event, EventKind, Notice, Record, RejectedRow};
use crate::time::Clock;
use std::collections::{BTreeMap, BTreeSet};
use std::path::PathBuf;

/// An events file as read.
pub(super) struct Events {
    name: PathBuf,
    kind: Kind,
    has_infusions: bool,
    rows: Vec<EventRow>,
    rows_rejected: u64,
    rejected: Vec<RejectedRow>,
    header_notices: Vec<Notice>,
}

#[derive(Clone)]
pub(super) struct EventRow {
    line: u64,
    pub(super) infusion: String,
    ticks: i64,
    channel: Option<String>,
    kind: EventKind,
    word: String,
    detail: String,
}

pub(super) struct Columns {
    infusion: Option<usize>,
    channel: Option<usize>,
    event: usize,
    detail: Option<usize>,
}

/// How an events file is read: the contract's columns, or those that a mapping names.
pub(super) struct Plan {
    columns: Columns,
    pub(super) clockwork: Clockwork,
    /// The file's words and the contract's.
    words: BTreeMap<String, EventKind>,
    /// What words are that are not listed.
    unlisted: Option<EventKind>,
}

impl Plan {
    /// Opens an events file.
    pub(super) fn open<'a>(
        source: Source<'a>,
        map: Option<&EventsMap>,
    ) -> Result<(Table<'a>, Self)> {
        let Some(map) = map else {
            let mut table = Table::open(source, "events")?;
            let plan = Self::contract(&mut table)?;
            return Ok((table, plan));
        };
        let mut table = Table::open_dressed(source, &map.file.dress, "events")?;
        let plan = Self::mapped(&mut table, map)?;
        Ok((table, plan))
    }

    /// The infusion that a row names, where the file has such a column.
    pub(super) fn infusion(&self) -> Option<usize> {
        self.columns.infusion
    }

    /// Where the column of channels may identify a device and that of the trace did not, every name that the trace does not
    /// show is replaced.
    pub(super) fn hide_channels<'c>(
        &self,
        table: &Table,
        aliases: &mut Aliases,
        shown: impl Iterator<Item = &'c str>,
    ) -> Option<Notice> {
        let name = table.header.get(self.columns.channel?)?;
        if !identifies(name) || aliases.channels.is_some() {
            return None;
        }
        let kept = shown.map(|id| (id.as_bytes().into(), id.to_string()));
        aliases.channels = Some(kept.collect());
        Some(Notice::NamesReplaced {
            columns: vec![name.clone()],
        })
    }

    /// The name of the time's column.
    pub(super) fn time(&self, table: &Table) -> String {
        table.column_name(self.clockwork.column())
    }

    fn contract(table: &mut Table) -> Result<Self> {
        let time = WhenCells::One(table.require("time")?);
        Ok(Self {
            columns: Columns {
                infusion: table.find("infusion")?,
                channel: table.find("channel")?,
                event: table.require("event")?,
                detail: table.find("detail")?,
            },
            clockwork: Clockwork::new(When::Contract, time, Numbers::contract()),
            words: BTreeMap::new(),
            unlisted: None,
        })
    }

    fn mapped(table: &mut Table, map: &EventsMap) -> Result<Self> {
        Ok(Self {
            columns: Columns {
                infusion: plan::find(table, map.file.infusion.as_deref())?,
                channel: plan::find(table, map.file.channel.as_deref())?,
                event: table.require(&map.event)?,
                detail: plan::find(table, map.detail.as_deref())?,
            },
            clockwork: plan::clockwork(table, &map.file)?,
            words: map.words.clone(),
            unlisted: map.unlisted,
        })
    }
}

/// Reads an events file; its times must be of the trace's kind.
pub(super) fn read(
    source: Source,
    map: Option<&EventsMap>,
    trace: &mut Trace,
    settings: &Settings,
) -> Result<Events> {
    let (mut table, mut plan) = Plan::open(source, map)?;
    let name = table.name.clone();
    let time = plan.time(&table);
    let mut events = Events {
        name: name.clone(),
        kind: trace.kind,
        has_infusions: plan.columns.infusion.is_some(),
        rows: Vec::new(),
        rows_rejected: 0,
        rejected: Vec::new(),
        header_notices: table.notices(),
    };
    let shown = trace.records.iter().flat_map(|r| &r.channels);
    let shown = shown.map(|c| c.id.as_str());
    let hidden = plan.hide_channels(&table, &mut trace.aliases, shown);
    events.header_notices.extend(hidden);
    let mut passage = Passage::default();
    while let Some(row) = table.next_row()? {
        let line = row.line;
        match event(
            &row,
            &mut plan,
            trace.kind,
            &mut trace.aliases,
            &mut passage,
        ) {
            Ok(event) => events.rows.push(event),
            Err(Problem::OtherKind) => return Err(other_kind(&name, line, &time, trace.kind)),
            Err(Problem::File(what, hint)) => {
                let error = Error::in_file(&name, what).at_line(line).in_column(time);
                return Err(error.hint(hint));
            }
            Err(Problem::Row(fault)) => {
                let rejected = row.rejected(fault);
                if !settings.keep_going {
                    return Err(unplaceable(&name, &rejected));
                }
                events.rows_rejected += 1;
                if events.rejected.len() < REJECTED_SHOWN {
                    events.rejected.push(rejected);
                }
            }
        }
    }
    if 0 < plan.clockwork.twice {
        events.header_notices.push(Notice::HourTwice {
            file: "events",
            rows: plan.clockwork.twice,
        });
    }
    if !trace.has_infusions {
        events.check_one_infusion()?;
    }
    Ok(events)
}

pub(super) enum Problem {
    OtherKind,
    Row(Fault),
    File(String, String),
}

pub(super) fn event(
    row: &Row,
    plan: &mut Plan,
    kind: Kind,
    aliases: &mut Aliases,
    passage: &mut Passage,
) -> std::result::Result<EventRow, Problem> {
    row.check_width().map_err(Problem::Row)?;
    let fault = |column: usize, reason: &'static str| {
        Problem::Row(Fault {
            column: Some(column),
            reason: reason.into(),
        })
    };
    let time = plan.clockwork.column();
    let moment = plan.clockwork.read(row, passage).map_err(|no| match no {
        NoMoment::Row(reason) => fault(time, reason),
        NoMoment::File(what, hint) => Problem::File(what, hint),
    })?;
    if moment.kind != kind {
        return Err(Problem::OtherKind);
    }
    let columns = &plan.columns;
    // Names that were replaced in the trace are replaced by the same ones here.
    let infusion = columns.infusion.map(|c| {
        Aliases::name(&mut aliases.infusions, "infusion", row.cell(c)).map_err(|r| fault(c, r))
    });
    let channel = columns
        .channel
        .filter(|&c| !row.cell(c).is_empty())
        .map(|c| {
            Aliases::name(&mut aliases.channels, "channel", row.cell(c)).map_err(|r| fault(c, r))
        });
    let word = cell::name(row.cell(columns.event)).map_err(|r| fault(columns.event, r))?;
    let known = plan.words.get(word).copied();
    Ok(EventRow {
        line: row.line,
        infusion: infusion.transpose()?.unwrap_or_default(),
        ticks: moment.ticks,
        channel: channel.transpose()?,
        kind: known.unwrap_or_else(|| match EventKind::from_word(&word.to_ascii_lowercase()) {
            EventKind::Unknown => plan.unlisted.unwrap_or(EventKind::Unknown),
            known => known,
        }),
        word: word.to_string(),
        detail: columns
            .detail
            .map_or_else(String::new, |c| cell::text(row.cell(c))),
    })
}

pub(super) fn other_kind(name: &std::path::Path, line: u64, column: &str, kind: Kind) -> Error {
    let found = match kind {
        Kind::Calendar => Kind::Seconds,
        Kind::Seconds => Kind::Calendar,
    };
    let what = format!(
        "the trace has {}, the events have {}",
        kind.words(),
        found.words()
    );
    let error = Error::in_file(name, what).at_line(line).in_column(column);
    error.hint("both files must tell time in the same way; nothing else says which event belongs to which sample")
}

pub(super) fn unplaceable(name: &std::path::Path, rejected: &RejectedRow) -> Error {
    let found = match rejected.value.as_str() {
        "" => String::new(),
        value => format!(": `{value}`"),
    };
    let mut hint = "mend this row, or leave out such rows with `--keep-going`".to_string();
    if rejected.column == "time" && !rejected.value.is_empty() {
        hint = format!("write times as {EXAMPLE}, or as seconds from the record's start; {hint}");
    }
    let error = Error::in_file(name, format!("{}{found}", rejected.reason)).at_line(rejected.line);
    match rejected.column.as_str() {
        WHOLE_ROW => error.hint(hint),
        column => error.in_column(column).hint(hint),
    }
}

impl Events {
    /// A trace of one infusion cannot tell whose the events of several are.
    fn check_one_infusion(&self) -> Result<()> {
        let Some(first) = self.rows.first() else {
            return Ok(());
        };
        match self.rows.iter().find(|row| row.infusion != first.infusion) {
            None => Ok(()),
            Some(other) => Err(Error::in_file(
                &self.name,
                "the events belong to several infusions, but the trace has no column `infusion`",
            )
            .at_line(other.line)
            .in_column("infusion")
            .hint("give the events of this trace alone, or add the column to the trace")),
        }
    }
}

/// Puts the events into their records.
pub(super) fn attach(records: &mut [Record], events: Events) -> Result<()> {
    let by_name = events.has_infusions && records.iter().any(|r| r.infusion.is_some());
    if !events.has_infusions && 1 < records.len() {
        return Err(Error::in_file(
            &events.name,
            "there is no column `infusion`, but the trace has several infusions",
        )
        .at_line(1)
        .hint("add the column, so that each event has its infusion"));
    }
    let mut of_others = 0;
    for record in records.iter_mut() {
        record.events_given = true;
        record
            .intake
            .notices
            .extend_from_slice(&events.header_notices);
    }
    for row in events.rows {
        let at = match by_name {
            true => records
                .binary_search_by(|r| r.infusion.as_deref().unwrap_or_default().cmp(&row.infusion))
                .ok(),
            false => Some(0),
        };
        match at.and_then(|at| records.get_mut(at)) {
            Some(record) => {
                let event = placed(row, &record.clock, events.kind);
                record.events.push(event);
            }
            None => of_others += 1,
        }
    }
    for record in records.iter_mut() {
        record.events.sort_by(|a, b| a.t_s.total_cmp(&b.t_s));
        let notices = notices(record);
        record.intake.notices.extend(notices);
    }
    if let Some(first) = records.first_mut() {
        if 0 < of_others {
            let others = Notice::EventsOfOtherInfusions { events: of_others };
            first.intake.notices.push(others);
        }
        if 0 < events.rows_rejected {
            first.intake.notices.push(Notice::EventRowsRejected {
                rows: events.rows_rejected,
                rejected: events.rejected,
            });
        }
    }
    Ok(())
}

pub(super) fn placed(row: EventRow, clock: &Clock, kind: Kind) -> Event {
    let origin = match clock {
        Clock::Calendar { origin_us, .. } => *origin_us,
        Clock::Seconds => 0,
    };
    Event {
        t_s: (row.ticks - origin) as f64 / kind.ticks_per_s(),
        channel: row.channel,
        kind: row.kind,
        word: row.word,
        detail: row.detail,
    }
}

/// Of what several files of events made known, keeps the last word: it is about all of them.
pub(super) fn say_once(notices: &mut Vec<Notice>) {
    let mut kept: Vec<Notice> = Vec::with_capacity(notices.len());
    for notice in notices.drain(..).rev() {
        let about_all = matches!(
            notice,
            Notice::EventsOutsideTrace { .. }
                | Notice::SomeEventsOutsideTrace { .. }
                | Notice::UnknownEvents { .. }
        );
        let said = |n: &Notice| std::mem::discriminant(n) == std::mem::discriminant(&notice);
        let again = kept.contains(&notice) || (about_all && kept.iter().any(said));
        if !again {
            kept.push(notice);
        }
    }
    kept.reverse();
    *notices = kept;
}

pub(super) fn notices(record: &Record) -> Vec<Notice> {
    // An event stamped a minute before the first sample, or after the last one, still belongs to the trace.
    let periods = record.channels.iter().filter_map(|c| c.period_s);
    let slack_s = periods.fold(60.0, f64::max);
    let inside = (record.start_s() - slack_s)..=(record.end_s() + slack_s);
    let outside = record
        .events
        .iter()
        .filter(|e| !inside.contains(&e.t_s))
        .count();
    let mut notices = Vec::new();
    if 0 < outside {
        notices.push(if outside == record.events.len() {
            Notice::EventsOutsideTrace { events: outside }
        } else {
            Notice::SomeEventsOutsideTrace { outside }
        });
    }
    let unknown = record
        .events
        .iter()
        .filter(|e| e.kind == EventKind::Unknown);
    let words: BTreeSet<&str> = unknown.map(|e| e.word.as_str()).collect();
    if !words.is_empty() {
        let words = words.into_iter().map(str::to_string).collect();
        notices.push(Notice::UnknownEvents { words });
    }
    let named: BTreeSet<&str> = record
        .events
        .iter()
        .filter_map(|e| e.channel.as_deref())
        .collect();
    for channel in named {
        if !record.channels.iter().any(|c| c.id == channel) {
            notices.push(Notice::UnknownChannel {
                file: "events",
                channel: channel.to_string(),
            });
        }
    }
    notices.extend(unit_suspected(record));
    notices
}
