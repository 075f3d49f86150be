//! The trace: row by row, by the plan, into the gathering.
//!
//! In: the bytes of a trace and, where it is not in the contract's form, its mapping. Out: [`Trace`]: its records
//! (without companions), the kind of its times.

use super::assemble::crowded;
use super::cell::in_range;
use super::columns::{Block, Columns, Roles};
use super::frame::Unread;
use super::gather::{Aliases, Gathered, Gathering, NoName, Sample};
use super::mapping::{Holds, TraceMap, What};
use super::moment::{Kind, Moment};
use super::names::identifies;
use super::numbers::Figure;
use super::plan::{Field, Fields, Layout, Plan};
use super::shelf::Shelf;
use super::table::{Fault, Row, Table};
use super::unit::Unit;
use super::when::{Clockwork, NoMoment, Passage};
use super::{Settings, Source};
use crate::error::{Error, Result};
use crate::record::{Notice, Record};
use rayon::prelude::*;
use std::collections::{BTreeMap, BTreeSet, HashMap};

/// Share of the rows that may be rejected before the reading stops.
pub const MOST_REJECTED: f64 = 0.01;

/// Name of the channel where the trace has no channel column.
const ONLY_CHANNEL: &[u8] = b"pump";

/// Distinct words kept for a notice.
const WORDS_KEPT: usize = 50;

/// A trace as read.
pub(super) struct Trace {
    pub(super) records: Vec<Record>,
    pub(super) kind: Kind,
    pub(super) has_infusions: bool,
    /// Running names given in the place of identifying ones.
    pub(super) aliases: Aliases,
    /// Pumps of messages: their own names, and the channels that they are.
    pub(super) pumps: HashMap<Box<[u8]>, String>,
}

/// Reads a trace.
pub(super) fn read(source: Source, map: Option<&TraceMap>, settings: &Settings) -> Result<Trace> {
    let mut rows = rows(source, map, None)?;
    rows.gathering.join_parts(&rows.rate);
    rows.gathering.check(&rows.table, settings)?;
    let mut gathered = rows.gathering.sort_out(&rows.notices, rows.rate);
    gathered.to_join = None; // done before it was judged how much was left out
    Ok(Trace {
        kind: gathered.kind(),
        aliases: gathered.aliases.clone(),
        pumps: HashMap::new(),
        records: gathered.records(),
        has_infusions: rows.has_infusions,
    })
}

/// Reads a trace of many infusions; its rows wait on the shelf. Also, whether it has a column of infusions.
pub(super) fn gathered(
    source: Source,
    settings: &Settings,
    shelf: Shelf,
) -> Result<(Gathered, bool)> {
    let map = settings.mapping.as_deref().and_then(|m| m.trace.as_ref());
    let rows = rows(source, map, Some(shelf))?;
    rows.gathering.check(&rows.table, settings)?;
    let gathered = rows.gathering.sort_out(&rows.notices, rows.rate);
    Ok((gathered, rows.has_infusions))
}

/// All rows of a trace.
struct Rows<'a> {
    table: Table<'a>,
    gathering: Gathering,
    notices: Vec<Notice>,
    /// The name of the rate's column.
    rate: String,
    has_infusions: bool,
}

fn rows<'a>(source: Source<'a>, map: Option<&TraceMap>, shelf: Option<Shelf>) -> Result<Rows<'a>> {
    let (mut table, (plan, clockwork)) = match map {
        None => {
            let mut table = Table::open(source, "trace")?;
            let plan = Plan::contract(&mut table)?;
            (table, plan)
        }
        Some(map) => {
            let mut table = Table::open_dressed(source, &map.file.dress, "trace")?;
            let plan = Plan::mapped(&mut table, map)?;
            (table, plan)
        }
    };
    let mut notices = table.notices();
    let mut reader = Reader::new(plan, clockwork, &table, &mut notices);
    reader.gathering.shelf = shelf;
    match reader.roles().filter(|_| map.is_none()) {
        Some(roles) if table.frame().is_some() => reader.take_parts(&mut table, &roles)?,
        _ => reader.take_rows(&mut table, |_| true)?,
    }
    reader.notices(&table, &mut notices);
    let rate = match &reader.plan.layout {
        Layout::Row { fields, .. } => column_name(&table, fields.rate.column),
        Layout::Wide(_) => "rate".into(),
        Layout::Long { value, .. } => column_name(&table, *value),
    };
    let mut gathering = reader.gathering;
    gathering.may_have_footer = map.is_some();
    Ok(Rows {
        table,
        gathering,
        notices,
        rate,
        has_infusions: reader.plan.infusion.is_some(),
    })
}

fn column_name(table: &Table, column: usize) -> String {
    table.header.get(column).cloned().unwrap_or_default()
}

/// The column that names the channel.
fn channel_column(plan: &Plan) -> Option<usize> {
    match &plan.layout {
        Layout::Row { channel, .. } | Layout::Long { channel, .. } => *channel,
        Layout::Wide(_) => None,
    }
}

struct Reader {
    plan: Plan,
    clockwork: Clockwork,
    gathering: Gathering,
    /// For times that stand by themselves.
    standing: Passage,
    /// Per column: words read as "not measured", and how many cells.
    missing: BTreeMap<usize, (BTreeSet<String>, u64)>,
    /// Parameters of a long table that are none of the four figures.
    left_aside: (BTreeSet<String>, u64),
}

/// What one row comes to.
enum Taken {
    /// It was used for this series.
    Used(usize),
    /// It holds none of the four figures.
    Aside(usize),
}

enum Problem {
    Row(Fault),
    /// The file as a whole: what, and the column.
    File(Error, Option<usize>),
}

impl From<Fault> for Problem {
    fn from(fault: Fault) -> Self {
        Problem::Row(fault)
    }
}

impl Reader {
    fn new(plan: Plan, clockwork: Clockwork, table: &Table, notices: &mut Vec<Notice>) -> Self {
        let channel = channel_column(&plan);
        let mut gathering = Gathering::default();
        gathering.in_parts =
            plan.holds != Holds::Nothing || matches!(plan.layout, Layout::Long { .. });
        gathering.all_hold = plan.holds == Holds::All;
        gathering.folds_names = plan.is_mapped;
        let mut replaced = Vec::new();
        let mut alias = |column: Option<usize>| {
            let name = column_name(table, column?);
            identifies(&name).then(|| {
                replaced.push(name);
                Default::default()
            })
        };
        gathering.aliases = Aliases {
            infusions: alias(plan.infusion),
            channels: alias(channel),
        };
        if !replaced.is_empty() {
            notices.push(Notice::NamesReplaced { columns: replaced });
        }
        Self {
            plan,
            clockwork,
            gathering,
            standing: Passage::default(),
            missing: BTreeMap::new(),
            left_aside: Default::default(),
        }
    }

    /// Takes rows one by one, as long as there are any and `go_on` says so.
    fn take_rows(&mut self, table: &mut Table, go_on: impl Fn(&mut Table) -> bool) -> Result<()> {
        while go_on(table) {
            let Some(row) = table.next_row()? else {
                break;
            };
            let line = row.line;
            if let Err((error, column)) = self.take(&row) {
                return Err(placed(error, table, line, column));
            }
            self.gathering.make_room()?;
        }
        Ok(())
    }

    /// Which column is what, where a row holds a sample of one channel.
    fn roles(&self) -> Option<Roles> {
        let Layout::Row { channel, fields } = &self.plan.layout else {
            return None;
        };
        let figures = [
            Some(fields.pressure),
            Some(fields.rate),
            fields.volume,
            fields.limit,
        ];
        Some(Roles {
            infusion: self.plan.infusion,
            channel: *channel,
            time: self.clockwork.column(),
            figures: figures.map(|f| f.map(|f| f.column)),
        })
    }

    /// Takes a table that has types, some parts at a time: each is read and sorted on a thread of its own.
    fn take_parts(&mut self, table: &mut Table, roles: &Roles) -> Result<()> {
        while let Some(frame) = table.frame() {
            let unread = frame.unread(rayon::current_num_threads())?;
            if unread.is_empty() {
                break;
            }
            let read = |part: Unread| {
                let before = part.before;
                let part = part.read()?;
                let blocks = Columns::of(&part, roles).map(|c| c.blocks(before));
                Ok((part, blocks))
            };
            let parts: Vec<_> = frame.understood(|| unread.into_par_iter().map(read).collect())?;
            for (part, blocks) in parts {
                if let Some(frame) = table.frame() {
                    frame.hold(part);
                }
                self.take_blocks(table, blocks)?;
            }
        }
        Ok(())
    }

    /// Takes the part at hand.
    fn take_blocks(&mut self, table: &mut Table, blocks: Option<Vec<Block>>) -> Result<()> {
        let fits = |blocks: &Vec<Block>| {
            let first = blocks.iter().find_map(|block| match block {
                Block::Taken(pieces) => pieces.first(),
                Block::Odd(_) => None,
            });
            first.is_none_or(|piece| self.gathering.is_of_kind(piece.kind))
        };
        let Some(blocks) = blocks.filter(fits) else {
            return self.take_rows(table, |t| t.frame().is_some_and(|f| f.has_row()));
        };
        for block in blocks {
            match block {
                Block::Taken(pieces) => {
                    for piece in pieces {
                        let line = piece.rows.lines.first().copied().unwrap_or(0);
                        let taken = self.gathering.take(piece, ONLY_CHANNEL);
                        taken.map_err(|no| match no {
                            NoName::Infusion(reason) | NoName::Channel(reason) => {
                                Error::in_file(&table.name, reason)
                            }
                            NoName::Crowded => {
                                placed(crowded(), table, line.into(), channel_column(&self.plan))
                            }
                        })?;
                    }
                    self.gathering.make_room()?;
                }
                Block::Odd(row) => {
                    if let Some(frame) = table.frame() {
                        frame.go_to(row);
                    }
                    let once = std::cell::Cell::new(true);
                    self.take_rows(table, |_| once.replace(false))?;
                }
            }
        }
        // All rows of the part were taken.
        if let Some(frame) = table.frame() {
            frame.go_to(usize::MAX);
        }
        Ok(())
    }

    /// Takes one row. An error is one of the file as a whole, with its column.
    fn take(&mut self, row: &Row) -> std::result::Result<(), (Error, Option<usize>)> {
        match self.row(row) {
            Ok(Taken::Used(at) | Taken::Aside(at)) => {
                self.gathering.count(at);
                Ok(())
            }
            Err(Problem::File(error, column)) => Err((error, column)),
            Err(Problem::Row(fault)) => {
                if let Some(name) = row.another_header() {
                    let what =
                        format!("another header stands here, where the first one has `{name}`");
                    let error = Error::new(what).hint("what follows has other columns or units: cut the file here, and make a mapping of each part");
                    return Err((error, None));
                }
                let infusion = self.plan.infusion.map(|c| row.cell(c));
                self.gathering.reject(infusion, row, fault);
                Ok(())
            }
        }
    }

    fn row(&mut self, row: &Row) -> std::result::Result<Taken, Problem> {
        row.check_width()?;
        // The plan is lent out and put back, so that reading may note what it finds.
        match &self.plan.layout {
            Layout::Row { channel, fields } => {
                let at = self.gathering.place(row, self.plan.infusion, *channel)?;
                let moment = moment(
                    &mut self.clockwork,
                    &mut self.gathering,
                    &mut self.standing,
                    at,
                    row,
                )?;
                let sample = sample(&self.plan, fields, &mut self.missing, moment, row)?;
                self.gathering.keep(at, &sample, row.line);
                Ok(Taken::Used(at))
            }
            Layout::Wide(channels) => {
                let infusion = self.plan.infusion;
                let mut samples = Vec::with_capacity(channels.len());
                for (id, fields) in channels {
                    let at = self.gathering.named(row, infusion, id.as_bytes())?;
                    let moment = moment(
                        &mut self.clockwork,
                        &mut self.gathering,
                        &mut self.standing,
                        at,
                        row,
                    )?;
                    if fields.are_empty(row) {
                        continue; // this channel was not running, or not connected
                    }
                    samples.push((
                        at,
                        sample(&self.plan, fields, &mut self.missing, moment, row)?,
                    ));
                }
                // A row is used as a whole or not at all.
                let first = samples.first().map(|(at, _)| *at);
                for (at, sample) in &samples {
                    self.gathering.keep(*at, sample, row.line);
                }
                first.map(Taken::Used).ok_or_else(|| {
                    Problem::Row(Fault {
                        column: None,
                        reason: "no figure of any channel".into(),
                    })
                })
            }
            Layout::Long {
                channel,
                parameter,
                value,
                unit,
                names,
            } => {
                let at = self.gathering.place(row, self.plan.infusion, *channel)?;
                let moment = moment(
                    &mut self.clockwork,
                    &mut self.gathering,
                    &mut self.standing,
                    at,
                    row,
                )?;
                let name = String::from_utf8_lossy(row.cell(*parameter));
                let Some((what, factor)) = names.get(name.as_ref()) else {
                    self.left_aside.1 += 1;
                    if self.left_aside.0.len() < WORDS_KEPT {
                        self.left_aside.0.insert(name.into_owned());
                    }
                    return Ok(Taken::Aside(at));
                };
                let factor = match (factor, unit) {
                    (Some(factor), _) => *factor,
                    (None, Some(unit)) => unit_factor(row, *unit, *what)?,
                    (None, None) => 1.0,
                };
                let field = Field::plain(*value, factor);
                let figure = figure(&self.plan, field, *what, &mut self.missing, row)?;
                let mut sample = Sample::nothing(moment);
                match what {
                    What::Pressure => sample.pressure_mmhg = figure,
                    What::Rate => sample.rate_ml_h = figure,
                    What::Volume => sample.volume_ml = figure,
                    What::Limit => sample.limit_mmhg = figure,
                }
                self.gathering.keep(at, &sample, row.line);
                Ok(Taken::Used(at))
            }
        }
    }

    fn notices(&self, table: &Table, notices: &mut Vec<Notice>) {
        for (column, (words, cells)) in &self.missing {
            notices.push(Notice::CellsMissing {
                column: column_name(table, *column),
                words: words.iter().cloned().collect(),
                cells: *cells,
            });
        }
        let (names, rows) = &self.left_aside;
        if 0 < *rows {
            notices.push(Notice::ParametersIgnored {
                names: names.iter().cloned().collect(),
                rows: *rows,
            });
        }
        if 0 < self.clockwork.twice {
            notices.push(Notice::HourTwice {
                file: "trace",
                rows: self.clockwork.twice,
            });
        }
    }
}

impl Gathering {
    fn place(
        &mut self,
        row: &Row,
        infusion: Option<usize>,
        channel: Option<usize>,
    ) -> std::result::Result<usize, Problem> {
        let named = self.series(
            infusion.map(|c| row.cell(c)),
            channel.map_or(ONLY_CHANNEL, |c| row.cell(c)),
        );
        named.map_err(|no| self.problem(no, infusion, channel))
    }

    fn problem(&self, no: NoName, infusion: Option<usize>, channel: Option<usize>) -> Problem {
        match no {
            NoName::Infusion(reason) => in_column(infusion, reason).into(),
            NoName::Channel(reason) => in_column(channel, reason).into(),
            NoName::Crowded if self.leaves_out() => {
                in_column(channel, "its infusion has too many channels").into()
            }
            NoName::Crowded => Problem::File(crowded(), channel),
        }
    }

    fn named(
        &mut self,
        row: &Row,
        infusion: Option<usize>,
        channel: &[u8],
    ) -> std::result::Result<usize, Problem> {
        let named = self.series(infusion.map(|c| row.cell(c)), channel);
        named.map_err(|no| self.problem(no, infusion, None))
    }
}

impl Fields {
    fn are_empty(&self, row: &Row) -> bool {
        let optional = [self.volume, self.limit].into_iter().flatten();
        let mut all = [self.pressure, self.rate].into_iter().chain(optional);
        all.all(|field| row.cell(field.column).is_empty())
    }
}

/// An error of the file as a whole, with the place where it showed.
fn placed(error: Error, table: &Table, line: u64, column: Option<usize>) -> Error {
    let error = error.of_file(&table.name).at_line(line);
    match column {
        Some(column) => error.in_column(table.column_name(column)),
        None => error,
    }
}

fn in_column(column: Option<usize>, reason: &'static str) -> Fault {
    Fault {
        column,
        reason: reason.into(),
    }
}

fn moment(
    clockwork: &mut Clockwork,
    gathering: &mut Gathering,
    standing: &mut Passage,
    at: usize,
    row: &Row,
) -> std::result::Result<Moment, Problem> {
    let time = clockwork.column();
    let passage = match clockwork.needs_passage() {
        true => gathering.passage(at).unwrap_or(standing),
        false => standing,
    };
    let moment = clockwork.read(row, passage).map_err(|no| match no {
        NoMoment::Row(reason) => Problem::Row(in_column(Some(time), reason)),
        NoMoment::File(what, hint) => Problem::File(Error::new(what).hint(hint), Some(time)),
    })?;
    gathering
        .same_kind(moment)
        .map_err(|reason| in_column(Some(time), reason))?;
    Ok(moment)
}

fn sample(
    plan: &Plan,
    fields: &Fields,
    missing: &mut BTreeMap<usize, (BTreeSet<String>, u64)>,
    moment: Moment,
    row: &Row,
) -> std::result::Result<Sample, Fault> {
    let mut optional = |field: Option<Field>, what| match field {
        Some(field) => figure(plan, field, what, missing, row),
        None => Ok(f64::NAN),
    };
    let rate_ml_h = optional(Some(fields.rate), What::Rate)?;
    let rate_ml_h = match runs(plan, row) {
        true => rate_ml_h,
        false => 0.0,
    };
    if rate_ml_h.is_nan() && plan.holds == Holds::Nothing {
        let cell = row.cell(fields.rate.column);
        let reason = if cell.is_empty() { "empty" } else { "no rate" };
        return Err(in_column(Some(fields.rate.column), reason));
    }
    Ok(Sample {
        moment,
        pressure_mmhg: optional(Some(fields.pressure), What::Pressure)?,
        rate_ml_h,
        volume_ml: optional(fields.volume, What::Volume)?,
        limit_mmhg: optional(fields.limit, What::Limit)?,
    })
}

/// Whether a channel ran, by the columns that say so.
fn runs(plan: &Plan, row: &Row) -> bool {
    plan.running.iter().all(|(column, words)| {
        let cell = row.cell(*column);
        cell.is_empty() || words.iter().any(|word| word.as_bytes() == cell)
    })
}

/// A figure in the contract's unit; NaN where nothing was measured.
fn figure(
    plan: &Plan,
    field: Field,
    what: What,
    missing: &mut BTreeMap<usize, (BTreeSet<String>, u64)>,
    row: &Row,
) -> std::result::Result<f64, Fault> {
    let wrong = |reason| in_column(Some(field.column), reason);
    let cell = row.cell(field.column);
    if what == What::Rate
        && let Some((_, rate)) = plan
            .rate_words
            .iter()
            .find(|(word, _)| word.as_bytes() == cell)
    {
        return Ok(*rate);
    }
    let (figure, unit) = match row.figure(field.column, &plan.numbers) {
        Ok(figure) => (figure, None),
        Err(reason) => match plan.numbers.odd(cell).filter(|_| plan.is_mapped) {
            Some((value, unit)) => (plan.numbers.measured(value), unit),
            None => return Err(wrong(reason)),
        },
    };
    let factor = match (unit, field.unit) {
        (Some(unit), _) if unit.quantity == what.quantity() => unit
            .factor
            .ok_or_else(|| wrong("a scale without a fixed size"))?,
        (Some(_), _) => return Err(wrong("not a unit of this figure")),
        (None, Some(column)) if matches!(figure, Figure::Is(_)) => unit_factor(row, column, what)?,
        (None, _) => field.factor,
    };
    match figure {
        // A pump that has no limit in force writes 0.
        Figure::Is(0.0) if what == What::Limit && plan.is_mapped => Ok(f64::NAN),
        Figure::Is(value) => in_range((value - field.zero) * factor, what.range()).map_err(wrong),
        Figure::Empty => Ok(f64::NAN),
        Figure::Missing => {
            let (words, cells) = missing.entry(field.column).or_default();
            *cells += 1;
            if words.len() < WORDS_KEPT {
                words.insert(String::from_utf8_lossy(cell).into_owned());
            }
            Ok(f64::NAN)
        }
    }
}

fn unit_factor(row: &Row, column: usize, what: What) -> std::result::Result<f64, Fault> {
    let wrong = |reason| in_column(Some(column), reason);
    let text = std::str::from_utf8(row.cell(column)).map_err(|_| wrong("not a unit"))?;
    let unit = Unit::find(text).filter(|u| u.quantity == what.quantity());
    let unit = unit.ok_or_else(|| wrong("not a unit of this figure"))?;
    unit.factor
        .ok_or_else(|| wrong("a scale without a fixed size"))
}
