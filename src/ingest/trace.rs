//! The trace: rows go to their infusion and channel, bad ones aside with their place.
//!
//! In: the bytes of a trace. Out: [`Trace`]: its records (without companions), the kind of its times.

use super::assemble::{Infusion, Series, record};
use super::cell::{self, LIMIT, PRESSURE, RATE, VOLUME};
use super::moment::{EXAMPLE, Kind, Moment, MomentReader};
use super::order::Rows;
use super::table::{Fault, REJECTED_SHOWN, Row, Table, WHOLE_ROW};
use super::{Settings, Source};
use crate::error::{Error, Result};
use crate::record::{Notice, Record, RejectedRow};
use std::collections::HashMap;

/// Share of the rows that may be rejected before the reading stops.
pub const MOST_REJECTED: f64 = 0.01;

/// Name of the channel where the trace has no channel column.
const ONLY_CHANNEL: &str = "pump";

/// A trace as read.
pub(super) struct Trace {
    pub(super) records: Vec<Record>,
    pub(super) kind: Kind,
    pub(super) has_infusions: bool,
}

/// Reads a trace.
pub(super) fn read(source: Source, settings: &Settings) -> Result<Trace> {
    let mut table = Table::open(source)?;
    let columns = Columns::find(&mut table)?;
    let header_notices = table.notices();
    let mut sorter = Sorter::default();
    while let Some(row) = table.next_row()? {
        sorter.take(&row, &columns);
    }
    sorter.check(&table, settings)?;
    let kind = sorter.kind.unwrap_or(Kind::Seconds);
    Ok(Trace {
        records: sorter.records(&header_notices),
        kind,
        has_infusions: columns.infusion.is_some(),
    })
}

struct Columns {
    infusion: Option<usize>,
    time: usize,
    channel: Option<usize>,
    pressure: usize,
    rate: usize,
    volume: Option<usize>,
    limit: Option<usize>,
}

impl Columns {
    fn find(table: &mut Table) -> Result<Self> {
        Ok(Self {
            infusion: table.find("infusion"),
            time: table.require("time")?,
            channel: table.find("channel"),
            pressure: table.require("pressure_mmhg")?,
            rate: table.require("rate_ml_h")?,
            volume: table.find("volume_ml"),
            limit: table.find("limit_mmhg"),
        })
    }
}

/// What one row says.
struct Sample {
    moment: Moment,
    pressure_mmhg: f64,
    rate_ml_h: f64,
    volume_ml: f64,
    limit_mmhg: f64,
}

#[derive(Default)]
struct Sorter {
    kind: Option<Kind>,
    moments: MomentReader,
    infusions: Vec<Infusion>,
    infusion_by_name: HashMap<Box<[u8]>, usize>,
    series: Vec<Series>,
    series_by_name: HashMap<(usize, Box<[u8]>), usize>,
    /// The series of the last row used.
    last: Option<usize>,
    /// Rows that name no infusion, before any row did.
    nobodys: Infusion,
}

impl Sorter {
    fn take(&mut self, row: &Row, columns: &Columns) {
        let read = row
            .check_width()
            .and_then(|()| self.place(row, columns))
            .and_then(|at| Ok((at, self.sample(row, columns)?)));
        match read {
            Ok((at, sample)) => self.keep(at, &sample, row.line),
            Err(fault) => {
                let infusion = self.infusion_to_blame(row, columns);
                infusion.intake.rows += 1;
                infusion.reject(row, fault);
            }
        }
    }

    /// The series that the row belongs to.
    fn place(&mut self, row: &Row, columns: &Columns) -> std::result::Result<usize, Fault> {
        let infusion_cell = columns.infusion.map_or(&[][..], |c| row.cell(c));
        let channel_cell = columns
            .channel
            .map_or(ONLY_CHANNEL.as_bytes(), |c| row.cell(c));
        let guess = self
            .last
            .and_then(|l| self.series.get(l))
            .map(|s| s.followed_by);
        if let Some(at) = guess
            && let Some(series) = self.series.get(at)
            && same(&series.channel_cell, channel_cell)
            && same(&series.infusion_cell, infusion_cell)
        {
            return Ok(at);
        }
        let infusion = match columns.infusion {
            Some(column) => self.infusion(infusion_cell).map_err(in_column(column))?,
            None => self.infusion_named(Box::default(), String::new()),
        };
        let key = (infusion, Box::from(channel_cell));
        if let Some(&at) = self.series_by_name.get(&key) {
            return Ok(at);
        }
        let channel = match columns.channel {
            Some(column) => cell::name(channel_cell).map_err(in_column(column))?,
            None => ONLY_CHANNEL,
        };
        let at = self.series.len();
        self.series.push(Series {
            infusion,
            infusion_cell: infusion_cell.into(),
            channel_cell: channel_cell.into(),
            channel: channel.into(),
            rows: Rows::default(),
            followed_by: at,
        });
        self.series_by_name.insert(key, at);
        Ok(at)
    }

    fn infusion(&mut self, cell: &[u8]) -> std::result::Result<usize, &'static str> {
        if let Some(&at) = self.infusion_by_name.get(cell) {
            return Ok(at);
        }
        let name = cell::name(cell)?.to_string();
        Ok(self.infusion_named(cell.into(), name))
    }

    fn infusion_named(&mut self, cell: Box<[u8]>, name: String) -> usize {
        *self.infusion_by_name.entry(cell).or_insert_with(|| {
            self.infusions.push(Infusion {
                name,
                ..Infusion::default()
            });
            self.infusions.len() - 1
        })
    }

    /// Where a bad row is counted: at the infusion it names, else at that of the row before it.
    fn infusion_to_blame(&mut self, row: &Row, columns: &Columns) -> &mut Infusion {
        let named = match columns.infusion {
            Some(column) => self.infusion(row.cell(column)).ok(),
            None => Some(self.infusion_named(Box::default(), String::new())),
        };
        let before = self
            .last
            .and_then(|l| self.series.get(l))
            .map(|s| s.infusion);
        let at = named.or(before).unwrap_or(usize::MAX);
        self.infusions.get_mut(at).unwrap_or(&mut self.nobodys)
    }

    fn sample(&mut self, row: &Row, columns: &Columns) -> std::result::Result<Sample, Fault> {
        let moment = self
            .moments
            .read(row.cell(columns.time))
            .map_err(in_column(columns.time))?;
        let kind = *self.kind.get_or_insert(moment.kind);
        if kind != moment.kind {
            let reason = match kind {
                Kind::Calendar => "seconds, where the trace has dates",
                Kind::Seconds => "a date, where the trace has seconds",
            };
            return Err(in_column(columns.time)(reason));
        }
        let number =
            |column: usize, range| cell::number(row.cell(column), range).map_err(in_column(column));
        let optional = |column: Option<usize>, range| match column {
            Some(column) => Ok(number(column, range)?.unwrap_or(f64::NAN)),
            None => Ok(f64::NAN),
        };
        Ok(Sample {
            moment,
            pressure_mmhg: number(columns.pressure, PRESSURE)?.unwrap_or(f64::NAN),
            rate_ml_h: number(columns.rate, RATE)?
                .ok_or_else(|| in_column(columns.rate)("empty"))?,
            volume_ml: optional(columns.volume, VOLUME)?,
            limit_mmhg: optional(columns.limit, LIMIT)?,
        })
    }

    fn keep(&mut self, at: usize, sample: &Sample, line: u64) {
        if let Some(before) = self.last.and_then(|l| self.series.get_mut(l)) {
            before.followed_by = at;
        }
        self.last = Some(at);
        let Some(series) = self.series.get_mut(at) else {
            return;
        };
        let rows = &mut series.rows;
        rows.ticks.push(sample.moment.ticks);
        rows.pressure_mmhg.push(sample.pressure_mmhg);
        rows.rate_ml_h.push(sample.rate_ml_h);
        rows.volume_ml.push(sample.volume_ml);
        rows.limit_mmhg.push(sample.limit_mmhg);
        rows.lines.push(u32::try_from(line).unwrap_or(u32::MAX));
        if let Some(infusion) = self.infusions.get_mut(series.infusion) {
            infusion.intake.rows += 1;
            infusion.saw(sample.moment);
        }
    }

    /// Stops where there is nothing to go on with, or too much was left out.
    fn check(&self, table: &Table, settings: &Settings) -> Result<()> {
        let all = || self.infusions.iter().chain([&self.nobodys]);
        let rows: u64 = all().map(|i| i.intake.rows).sum();
        let rejected: u64 = all().map(|i| i.intake.rows_rejected).sum();
        if rows == 0 {
            return Err(Error::in_file(&table.name, "there is a header but no row")
                .hint("export it again; at least one row is expected"));
        }
        let none_left = rejected == rows;
        if rejected as f64 <= MOST_REJECTED * rows as f64 || (settings.keep_going && !none_left) {
            return Ok(());
        }
        let mut shown: Vec<&RejectedRow> = all().flat_map(|i| &i.intake.rejected).collect();
        shown.sort_by_key(|r| r.line);
        Err(too_many(table, rows, rejected, &shown))
    }

    fn records(mut self, header_notices: &[Notice]) -> Vec<Record> {
        let kind = self.kind.unwrap_or(Kind::Seconds);
        let mut by_infusion: Vec<Vec<Series>> = Vec::new();
        by_infusion.resize_with(self.infusions.len(), Vec::new);
        for series in self.series {
            if let Some(of_infusion) = by_infusion.get_mut(series.infusion)
                && !series.rows.ticks.is_empty()
            {
                of_infusion.push(series);
            }
        }
        let mut records: Vec<Record> = Vec::new();
        let mut unread = Vec::new();
        for (mut infusion, series) in self.infusions.into_iter().zip(by_infusion) {
            infusion.intake.notices.extend_from_slice(header_notices);
            if series.is_empty() {
                unread.push(Notice::InfusionUnread {
                    rows: infusion.intake.rows,
                    infusion: infusion.name,
                });
            } else {
                records.push(record(infusion, series, kind));
            }
        }
        records.sort_by(|a, b| a.infusion.cmp(&b.infusion));
        if let Some(first) = records.first_mut() {
            first.intake.notices.extend(unread);
            // In front: they stood before every other row of the file.
            first.intake.rows += self.nobodys.intake.rows;
            first.intake.rows_rejected += self.nobodys.intake.rows_rejected;
            self.nobodys
                .intake
                .rejected
                .append(&mut first.intake.rejected);
            self.nobodys.intake.rejected.truncate(REJECTED_SHOWN);
            first.intake.rejected = self.nobodys.intake.rejected;
        }
        records
    }
}

/// Whether two short names are the same, byte by byte: the cell has just been written byte by byte, and a wide
/// comparison would wait for the last of them (a quarter of the whole reading time, measured).
fn same(a: &[u8], b: &[u8]) -> bool {
    a.len() == b.len() && a.iter().zip(b).all(|(a, b)| a == b)
}

fn in_column(column: usize) -> impl Fn(&'static str) -> Fault {
    move |reason| Fault {
        column: Some(column),
        reason: reason.into(),
    }
}

fn too_many(table: &Table, rows: u64, rejected: u64, shown: &[&RejectedRow]) -> Error {
    let percent = 100.0 * rejected as f64 / rows as f64;
    let said = |r: &RejectedRow| match r.value.as_str() {
        "" => r.reason.clone(),
        value => format!("{}: `{value}`", r.reason),
    };
    let mut what = format!("{rejected} of {rows} rows cannot be used ({percent:.1} %)");
    let Some(first) = shown.first() else {
        return Error::in_file(&table.name, what);
    };
    what = format!("{}; {what}", said(first));
    for row in shown.iter().skip(1).take(4) {
        let also = format!("\n  also {}:{}: ", table.name.display(), row.line);
        what += &match row.column.as_str() {
            WHOLE_ROW => format!("{also}{}", said(row)),
            column => format!("{also}column `{column}`: {}", said(row)),
        };
    }
    let mut error = Error::in_file(&table.name, what).at_line(first.line);
    if first.column != WHOLE_ROW {
        error = error.in_column(first.column.clone());
    }
    let mut hint = String::new();
    if first.column == "time" && first.value.contains(|c: char| c.is_ascii_digit()) {
        hint += &format!("write times as {EXAMPLE}, or as seconds from the record's start; ");
    }
    if first.value.contains(',') {
        hint += "write decimals with a point; ";
    }
    if rejected == rows {
        error.hint(format!("{hint}no row of the file can be used"))
    } else {
        error.hint(format!(
            "{hint}mend these rows, or leave them out with `--keep-going`"
        ))
    }
}
