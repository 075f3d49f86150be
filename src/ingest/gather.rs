//! Rows gather at their infusion and channel; bad ones aside, with their place.
//!
//! In: samples and rejected rows, one after the other. Out: records, or the error where too much was bad.

use super::assemble::{Infusion, Series, crowded, record};
use super::cell;
use super::clocks;
use super::columns::Piece;
use super::epochs::{self, Mended};
use super::letters;
use super::moment::{EXAMPLE, Kind, Moment};
use super::order::{Joined, Rows};
use super::set_back;
use super::shelf::{MOST_HELD, Shelf};
use super::table::{Fault, REJECTED_SHOWN, Row, Table, WHOLE_ROW};
use super::when::Passage;
use super::{MOST_REJECTED, Settings};
use crate::error::{Error, Result};
use crate::record::{Notice, Record, RejectedRow};
use rayon::prelude::*;
use std::collections::{BTreeMap, BTreeSet, HashMap};

/// Most lines of text that may end an export.
const MOST_FOOTER: u64 = 5;

/// What one row says of one channel; NaN stands where it says nothing.
pub(super) struct Sample {
    pub(super) moment: Moment,
    pub(super) pressure_mmhg: f64,
    pub(super) rate_ml_h: f64,
    pub(super) volume_ml: f64,
    pub(super) limit_mmhg: f64,
}

impl Sample {
    /// A moment at which nothing is known yet.
    pub(super) fn nothing(moment: Moment) -> Self {
        Self {
            moment,
            pressure_mmhg: f64::NAN,
            rate_ml_h: f64::NAN,
            volume_ml: f64::NAN,
            limit_mmhg: f64::NAN,
        }
    }
}

/// Why a row has no series.
pub(super) enum NoName {
    /// The infusion's cell is at fault.
    Infusion(&'static str),
    /// The channel's cell is at fault.
    Channel(&'static str),
    /// The infusion has too many channels.
    Crowded,
}

/// All that was gathered so far.
#[derive(Default)]
pub(super) struct Gathering {
    kind: Option<Kind>,
    infusions: Vec<Infusion>,
    infusion_by_name: HashMap<Box<[u8]>, usize>,
    series: Vec<Series>,
    series_by_name: HashMap<(usize, Box<[u8]>), usize>,
    /// The series of the last row used.
    last: Option<usize>,
    /// Rows that name no infusion, before any row did.
    nobodys: Infusion,
    /// Names to give in the place of those in the file, which may identify somebody.
    pub(super) aliases: Aliases,
    /// Whether the file is an export that may end in a few lines of text: those count as rejected, but not against it.
    pub(super) may_have_footer: bool,
    /// Rows of another width since the last good row.
    footer: u64,
    /// Whether a row may hold a part of a sample only: what it leaves out holds on from the row before.
    pub(super) in_parts: bool,
    /// Whether pressure and volume hold on as well.
    pub(super) all_hold: bool,
    /// Whether names that differ in capitals or in how their letters are composed are one.
    pub(super) folds_names: bool,
    /// Where rows wait that are too many to be held; `None` = all are held.
    pub(super) shelf: Option<Shelf>,
    /// Rows in memory.
    held: usize,
}

/// Running names in the place of such as may identify a person or a device.
#[derive(Debug, Clone, Default)]
pub(super) struct Aliases {
    pub(super) infusions: Option<HashMap<Box<[u8]>, String>>,
    pub(super) channels: Option<HashMap<Box<[u8]>, String>>,
}

impl Aliases {
    /// The name to give: the cell's own, or a running one.
    pub(super) fn name(
        aliases: &mut Option<HashMap<Box<[u8]>, String>>,
        word: &str,
        cell: &[u8],
    ) -> std::result::Result<String, &'static str> {
        let Some(known) = aliases else {
            return cell::name(cell).map(str::to_string);
        };
        if cell.is_empty() {
            return Err("empty");
        }
        let next = known.len() + 1;
        let name = known
            .entry(cell.into())
            .or_insert_with(|| format!("{word}-{next:03}"));
        Ok(name.clone())
    }
}

impl Gathering {
    /// The series of these names; made where it is new.
    pub(super) fn series(
        &mut self,
        infusion_cell: Option<&[u8]>,
        channel_cell: &[u8],
    ) -> std::result::Result<usize, NoName> {
        let cell = infusion_cell.unwrap_or_default();
        let guess = self
            .last
            .and_then(|l| self.series.get(l))
            .map(|s| s.followed_by);
        if let Some(at) = guess
            && let Some(series) = self.series.get(at)
            && same(&series.channel_cell, channel_cell)
            && same(&series.infusion_cell, cell)
        {
            return Ok(at);
        }
        let infusion = self.infusion(infusion_cell).map_err(NoName::Infusion)?;
        let key = (infusion, Box::from(channel_cell));
        if let Some(&at) = self.series_by_name.get(&key) {
            return Ok(at);
        }
        let composed = letters::composed(channel_cell);
        let channel = Aliases::name(&mut self.aliases.channels, "channel", &composed)
            .map_err(NoName::Channel)?;
        if self.folds_names
            && let Some(at) = self.alike(infusion, &channel)
        {
            self.series_by_name.insert(key, at);
            return Ok(at);
        }
        let of = self.infusions.get_mut(infusion);
        if of.is_some_and(|of| !of.takes_channel()) {
            return Err(NoName::Crowded);
        }
        let at = self.series.len();
        self.series.push(Series {
            infusion,
            infusion_cell: cell.into(),
            channel_cell: channel_cell.into(),
            channel,
            rows: Rows::default(),
            waiting: None,
            passage: Passage::default(),
            followed_by: at,
        });
        self.series_by_name.insert(key, at);
        Ok(at)
    }

    /// Whether an infusion with too many channels is left out by itself, and the file not refused: one of many.
    pub(super) fn leaves_out(&self) -> bool {
        self.shelf.is_some()
    }

    /// The series of an infusion whose channel is called the same but for its capitals.
    fn alike(&self, infusion: usize, channel: &str) -> Option<usize> {
        let lower = channel.to_lowercase();
        let is_it = |s: &Series| s.infusion == infusion && s.channel.to_lowercase() == lower;
        self.series.iter().position(is_it)
    }

    fn infusion(&mut self, cell: Option<&[u8]>) -> std::result::Result<usize, &'static str> {
        if let Some(&at) = self.infusion_by_name.get(cell.unwrap_or_default()) {
            return Ok(at);
        }
        let name = match cell {
            Some(cell) => Aliases::name(&mut self.aliases.infusions, "infusion", cell)?,
            None => String::new(),
        };
        let at = self.infusions.len();
        self.infusions.push(Infusion {
            name,
            ..Infusion::default()
        });
        self.infusion_by_name
            .insert(cell.unwrap_or_default().into(), at);
        Ok(at)
    }

    /// Where the clock of a series stands.
    pub(super) fn passage(&mut self, at: usize) -> Option<&mut Passage> {
        self.series.get_mut(at).map(|s| &mut s.passage)
    }

    /// Counts a row that was used, at the infusion of a series.
    pub(super) fn count(&mut self, at: usize) {
        let series = self.series.get(at);
        if let Some(infusion) = series.and_then(|s| self.infusions.get_mut(s.infusion)) {
            infusion.intake.rows += 1;
        }
        self.footer = 0;
    }

    /// Counts and shows a row that was not used: at the infusion it names, else at that of the row before it.
    pub(super) fn reject(&mut self, infusion_cell: Option<&[u8]>, row: &Row, fault: Fault) {
        self.footer += u64::from(fault.column.is_none());
        let named = self.infusion(infusion_cell).ok();
        let before = self
            .last
            .and_then(|l| self.series.get(l))
            .map(|s| s.infusion);
        let at = named.or(before).unwrap_or(usize::MAX);
        let infusion = self.infusions.get_mut(at).unwrap_or(&mut self.nobodys);
        infusion.intake.rows += 1;
        infusion.reject(row, fault);
    }

    /// Whether moments of this kind go with those before; the first ones say what kind the file has.
    pub(super) fn is_of_kind(&mut self, kind: Kind) -> bool {
        *self.kind.get_or_insert(kind) == kind
    }

    /// The file's kind of time is that of its first moment; one of the other kind is refused.
    pub(super) fn same_kind(&mut self, moment: Moment) -> std::result::Result<(), &'static str> {
        match (*self.kind.get_or_insert(moment.kind), moment.kind) {
            (Kind::Calendar, Kind::Seconds) => Err("seconds, where the trace has dates"),
            (Kind::Seconds, Kind::Calendar) => Err("a date, where the trace has seconds"),
            (Kind::Calendar, Kind::Calendar) | (Kind::Seconds, Kind::Seconds) => Ok(()),
        }
    }

    /// The kind of time of the file.
    pub(super) fn kind(&self) -> Kind {
        self.kind.unwrap_or(Kind::Seconds)
    }

    /// Puts a sample into its series.
    pub(super) fn keep(&mut self, at: usize, sample: &Sample, line: u64) {
        if let Some(before) = self.last.and_then(|l| self.series.get_mut(l)) {
            before.followed_by = at;
        }
        self.last = Some(at);
        let Some(series) = self.series.get_mut(at) else {
            return;
        };
        self.held += 1;
        let rows = &mut series.rows;
        rows.ticks.push(sample.moment.ticks);
        rows.pressure_mmhg.push(sample.pressure_mmhg);
        rows.rate_ml_h.push(sample.rate_ml_h);
        rows.volume_ml.push(sample.volume_ml);
        rows.limit_mmhg.push(sample.limit_mmhg);
        rows.lines.push(u32::try_from(line).unwrap_or(u32::MAX));
        if let Some(infusion) = self.infusions.get_mut(series.infusion) {
            infusion.saw(sample.moment);
        }
    }

    /// Puts rows of one channel into their series, and counts them; `only` is the channel where there is no column of them.
    pub(super) fn take(&mut self, piece: Piece, only: &[u8]) -> std::result::Result<(), NoName> {
        let channel = piece.channel.as_deref().unwrap_or(only);
        let at = match self.series(piece.infusion.as_deref(), channel) {
            Err(NoName::Crowded) if self.leaves_out() => return Ok(()),
            named => named?,
        };
        if let Some(before) = self.last.and_then(|l| self.series.get_mut(l)) {
            before.followed_by = at;
        }
        self.last = Some(at);
        self.footer = 0;
        let Some(series) = self.series.get_mut(at) else {
            return Ok(());
        };
        let rows = piece.rows.ticks.len();
        self.held += rows;
        series.rows.append(piece.rows);
        if let Some(infusion) = self.infusions.get_mut(series.infusion) {
            piece.seen.iter().for_each(|moment| infusion.saw(*moment));
            infusion.intake.rows += rows as u64;
        }
        Ok(())
    }

    /// Puts rows away where there are too many to be held. To be called between rows.
    pub(super) fn make_room(&mut self) -> Result<()> {
        if self.held < MOST_HELD {
            return Ok(());
        }
        let Some(shelf) = &mut self.shelf else {
            return Ok(());
        };
        for series in self.series.iter_mut().filter(|s| !s.rows.ticks.is_empty()) {
            series.waiting = Some(shelf.put(&mut series.rows, series.waiting));
            if shelf.is_full() {
                shelf.write()?;
            }
        }
        self.held = 0;
        shelf.write()
    }

    /// Joins the parts of samples, where rows hold parts. `rate` is the name of the rate's column.
    pub(super) fn join_parts(&mut self, rate: &str) {
        let kind = self.kind();
        let mut by_infusion: BTreeMap<usize, Vec<&mut Series>> = BTreeMap::new();
        for series in &mut self.series {
            by_infusion.entry(series.infusion).or_default().push(series);
        }
        for (at, series) in by_infusion {
            if let Some(infusion) = self.infusions.get_mut(at) {
                infusion.mend_clock(series, kind, self.in_parts);
            }
        }
        if !self.in_parts {
            return;
        }
        for series in &mut self.series {
            let joined = series.rows.join_parts(self.all_hold);
            if let Some(infusion) = self.infusions.get_mut(series.infusion) {
                infusion.joined(joined, rate);
            }
        }
    }

    /// Stops where there is nothing to go on with, or too much was left out.
    pub(super) fn check(&self, table: &Table, settings: &Settings) -> Result<()> {
        let all = || self.infusions.iter().chain([&self.nobodys]);
        let rows: u64 = all().map(|i| i.intake.rows).sum();
        let rejected: u64 = all().map(|i| i.intake.rows_rejected).sum();
        if rows == 0 {
            return Err(Error::in_file(&table.name, "there is a header but no row")
                .hint("export it again; at least one row is expected"));
        }
        let none_left = rejected == rows;
        let footer = match self.may_have_footer && self.footer <= MOST_FOOTER {
            true => self.footer,
            false => 0,
        };
        if (rejected - footer) as f64 <= MOST_REJECTED * rows as f64
            || (settings.keep_going && !none_left)
        {
            return Ok(());
        }
        let mut shown: Vec<&RejectedRow> = all().flat_map(|i| &i.intake.rejected).collect();
        shown.sort_by_key(|r| r.line);
        Err(too_many(table, rows, rejected, &shown))
    }

    /// Sorts series to their infusions.
    pub(super) fn sort_out(mut self, header_notices: &[Notice], rate: String) -> Gathered {
        let kind = self.kind();
        let mut by_infusion: Vec<Vec<Series>> = Vec::new();
        by_infusion.resize_with(self.infusions.len(), Vec::new);
        for series in self.series {
            if let Some(of_infusion) = by_infusion.get_mut(series.infusion)
                && (!series.rows.ticks.is_empty() || series.waiting.is_some())
            {
                of_infusion.push(series);
            }
        }
        let mut wholes: Vec<(Infusion, Vec<Series>)> = Vec::new();
        let mut unread = Vec::new();
        for (mut infusion, series) in self.infusions.into_iter().zip(by_infusion) {
            infusion.intake.notices.extend_from_slice(header_notices);
            if series.is_empty() {
                unread.push(Notice::InfusionUnread {
                    rows: infusion.intake.rows,
                    infusion: infusion.name,
                });
            } else {
                wholes.push((infusion, series));
            }
        }
        wholes.sort_by(|a, b| a.0.name.cmp(&b.0.name));
        if let Some((first, _)) = wholes.first_mut() {
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
        Gathered {
            kind,
            wholes: wholes.into_iter().map(Some).collect(),
            unread,
            shelf: self.shelf,
            to_join: self.in_parts.then_some(ToJoin {
                rate,
                all_hold: self.all_hold,
            }),
            aliases: self.aliases,
        }
    }
}

/// How parts of samples are to be joined.
pub(super) struct ToJoin {
    /// The name of the rate's column.
    rate: String,
    /// Whether pressure and volume hold on as well.
    all_hold: bool,
}

/// Infusions to be made records of, in order of name.
pub(super) struct Gathered {
    kind: Kind,
    wholes: Vec<Option<(Infusion, Vec<Series>)>>,
    /// Infusions without a usable row: said at the first one.
    unread: Vec<Notice>,
    shelf: Option<Shelf>,
    /// The rate's column, where parts of samples are still to be joined.
    pub(super) to_join: Option<ToJoin>,
    /// Running names given in the place of identifying ones.
    pub(super) aliases: Aliases,
}

impl Gathered {
    /// The kind of time of the file.
    pub(super) fn kind(&self) -> Kind {
        self.kind
    }

    /// The names of all channels.
    pub(super) fn channels(&self) -> impl Iterator<Item = &str> {
        let series = self.wholes.iter().flatten().flat_map(|(_, series)| series);
        series.map(|s| s.channel.as_str())
    }

    /// The names of those not taken yet.
    pub(super) fn names(&self) -> impl Iterator<Item = &str> {
        self.wholes.iter().flatten().map(|(i, _)| i.name.as_str())
    }

    /// How many channels have rows on the shelf.
    #[cfg(test)]
    pub(super) fn waiting(&self) -> usize {
        let series = self.wholes.iter().flatten().flat_map(|(_, series)| series);
        series.filter(|s| s.waiting.is_some()).count()
    }

    /// The record of the infusion at a place, once.
    pub(super) fn take(&mut self, at: usize) -> Result<Option<Record>> {
        let Some((infusion, mut series)) = self.wholes.get_mut(at).and_then(Option::take) else {
            return Ok(None);
        };
        if infusion.crowded {
            return Err(crowded());
        }
        for one in &mut series {
            let Some((waiting, shelf)) = one.waiting.take().zip(self.shelf.as_mut()) else {
                continue;
            };
            let last = std::mem::take(&mut one.rows);
            shelf.get(waiting, &mut one.rows)?;
            one.rows.append(last);
        }
        let mut record = whole(infusion, series, self.kind, self.to_join.as_ref());
        if at == 0
            && let Some(record) = &mut record
        {
            record.intake.notices.append(&mut self.unread);
        }
        Ok(record)
    }

    /// All records, in order of name; none of the rows may wait on a shelf.
    pub(super) fn records(self) -> Vec<Record> {
        let (kind, to_join) = (self.kind, self.to_join.as_ref());
        let wholes = self.wholes.into_par_iter().flatten();
        let records = wholes.map(|(infusion, series)| whole(infusion, series, kind, to_join));
        let mut records: Vec<Option<Record>> = records.collect();
        if let Some(Some(first)) = records.first_mut() {
            first.intake.notices.extend(self.unread);
        }
        records.into_iter().flatten().collect()
    }
}

/// The record of one infusion; `None` where no row of it is left.
fn whole(
    mut infusion: Infusion,
    mut series: Vec<Series>,
    kind: Kind,
    to_join: Option<&ToJoin>,
) -> Option<Record> {
    infusion.mend_clock(series.iter_mut(), kind, to_join.is_some());
    if let Some(to_join) = to_join {
        for one in &mut series {
            infusion.joined(one.rows.join_parts(to_join.all_hold), &to_join.rate);
        }
        series.retain(|s| !s.rows.ticks.is_empty());
        if series.is_empty() {
            return None;
        }
    }
    Some(record(infusion, series, kind))
}

impl Infusion {
    /// Mends the clocks of channels that were set back. Rows are in the file's order.
    fn mend_clock<'s>(
        &mut self,
        series: impl IntoIterator<Item = &'s mut Series>,
        kind: Kind,
        in_parts: bool,
    ) {
        if kind == Kind::Seconds {
            return; // no date to fall back to
        }
        let most_play_us = (clocks::BUDGET_S * kind.ticks_per_s()) as i64;
        // A row of several channels is one row.
        let mut lost = BTreeSet::new();
        for one in series {
            let mended = epochs::mend(&mut one.rows, most_play_us);
            for set in set_back::mend(&mut one.rows, in_parts) {
                self.intake.notices.push(Notice::ClockSetBack {
                    channel: one.channel.clone(),
                    line: set.line,
                    by_s: set.by_us as f64 / kind.ticks_per_s(),
                    rows: set.rows,
                });
            }
            if mended == Mended::default() {
                continue;
            }
            self.intake.notices.push(Notice::ClockReset {
                channel: one.channel.clone(),
                placed: mended.placed,
                within_s: mended.within_s,
                lost: mended.lost.len() as u64,
            });
            lost.extend(mended.lost);
        }
        for line in lost {
            self.reject_shown(RejectedRow {
                line,
                column: "time".into(),
                value: String::new(),
                reason: "the clock had begun anew, and nothing says when this was".into(),
            });
        }
    }

    /// Counts what joining the parts of samples showed. `rate` is the name of the rate's column.
    fn joined(&mut self, joined: Joined, rate: &str) {
        self.intake.repeats += joined.repeats;
        for line in joined.before_rate {
            self.reject_shown(RejectedRow {
                line,
                column: rate.to_string(),
                value: String::new(),
                reason: "no rate is known yet at this time".into(),
            });
        }
    }
}

/// Whether two short names are the same, byte by byte: the cell has just been written byte by byte, and a wide
/// comparison would wait for the last of them (a quarter of the whole reading time, measured).
fn same(a: &[u8], b: &[u8]) -> bool {
    a.len() == b.len() && a.iter().zip(b).all(|(a, b)| a == b)
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
