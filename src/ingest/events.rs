//! The events file: what people and pumps did.
//!
//! In: the bytes of an events file, and the records they belong to. Out: events in order of time in each record.
//! A row whose time cannot be read stops the reading unless [`Settings::keep_going`]: events are few, and one filter
//! change overlooked turns a verdict round. Words that the contract does not know are kept.

use super::cell;
use super::moment::{EXAMPLE, Kind, MomentReader};
use super::table::{Fault, REJECTED_SHOWN, Row, Table, WHOLE_ROW};
use super::{Settings, Source};
use crate::error::{Error, Result};
use crate::record::{Event, EventKind, Notice, Record, RejectedRow};
use crate::time::Clock;
use std::collections::BTreeSet;
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

pub(super) struct EventRow {
    line: u64,
    pub(super) infusion: String,
    ticks: i64,
    channel: Option<String>,
    word: String,
    detail: String,
}

pub(super) struct Columns {
    pub(super) infusion: Option<usize>,
    time: usize,
    channel: Option<usize>,
    event: usize,
    detail: Option<usize>,
}

impl Columns {
    pub(super) fn find(table: &mut Table) -> Result<Self> {
        Ok(Self {
            infusion: table.find("infusion"),
            time: table.require("time")?,
            channel: table.find("channel"),
            event: table.require("event")?,
            detail: table.find("detail"),
        })
    }
}

/// Reads an events file; its times must be of the trace's kind.
pub(super) fn read(
    source: Source,
    kind: Kind,
    trace_has_infusions: bool,
    settings: &Settings,
) -> Result<Events> {
    let mut table = Table::open(source)?;
    let columns = Columns::find(&mut table)?;
    let mut events = Events {
        name: table.name.clone(),
        kind,
        has_infusions: columns.infusion.is_some(),
        rows: Vec::new(),
        rows_rejected: 0,
        rejected: Vec::new(),
        header_notices: table.notices(),
    };
    let mut moments = MomentReader::default();
    let name = events.name.clone();
    while let Some(row) = table.next_row()? {
        match event(&row, &columns, kind, &mut moments) {
            Ok(event) => events.rows.push(event),
            Err(Problem::OtherKind) => return Err(other_kind(&name, row.line, kind)),
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
    if !trace_has_infusions {
        events.check_one_infusion()?;
    }
    Ok(events)
}

pub(super) enum Problem {
    OtherKind,
    Row(Fault),
}

pub(super) fn event(
    row: &Row,
    columns: &Columns,
    kind: Kind,
    moments: &mut MomentReader,
) -> std::result::Result<EventRow, Problem> {
    row.check_width().map_err(Problem::Row)?;
    let fault = |column: usize, reason: &'static str| {
        Problem::Row(Fault {
            column: Some(column),
            reason: reason.into(),
        })
    };
    let moment = moments
        .read(row.cell(columns.time))
        .map_err(|reason| fault(columns.time, reason))?;
    if moment.kind != kind {
        return Err(Problem::OtherKind);
    }
    let name = |column: usize| cell::name(row.cell(column)).map_err(|reason| fault(column, reason));
    let channel = columns.channel.filter(|&c| !row.cell(c).is_empty());
    Ok(EventRow {
        line: row.line,
        infusion: columns.infusion.map_or(Ok(""), name)?.to_string(),
        ticks: moment.ticks,
        channel: channel.map(name).transpose()?.map(str::to_string),
        word: name(columns.event)?.to_string(),
        detail: columns
            .detail
            .map_or_else(String::new, |c| cell::text(row.cell(c))),
    })
}

pub(super) fn other_kind(name: &std::path::Path, line: u64, kind: Kind) -> Error {
    let found = match kind {
        Kind::Calendar => Kind::Seconds,
        Kind::Seconds => Kind::Calendar,
    };
    let what = format!(
        "the trace has {}, the events have {}",
        kind.words(),
        found.words()
    );
    let error = Error::in_file(name, what).at_line(line).in_column("time");
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
        kind: EventKind::from_word(&row.word.to_ascii_lowercase()),
        word: row.word,
        detail: row.detail,
    }
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
    notices
}
