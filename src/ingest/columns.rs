//! The contract's columns of a table that has types: rows without the way over text.
//!
//! In: a [`Part`] of a table and which column is what. Out: [`Block`]s: rows sorted to their infusion and channel, run by run, and
//! between them the rows that have anything to find fault with: such a row is read as text like any other, and rejected there with
//! the same words. Turning every number into text and back makes the whole reading take many times as long, and so does going
//! row by row.

use super::cell;
use super::frame::Part;
use super::mapping::What;
use super::moment::{Kind, Moment, MomentReader};
use super::order::Rows;
use polars::prelude::{
    ChunkedArray, Column, DataType, Float64Type, Int64Type, StringChunked, TimeUnit,
};
use polars_arrow::array::{Array, Utf8ViewArray};
use std::borrow::Cow;
use std::collections::HashMap;
use std::ops::Range;

/// Which column is what, by its place in the header. Figures are pressure, rate, volume, limit.
pub(super) struct Roles {
    pub(super) infusion: Option<usize>,
    pub(super) channel: Option<usize>,
    pub(super) time: usize,
    pub(super) figures: [Option<usize>; 4],
}

/// Columns of one part of a trace.
pub(super) struct Columns {
    rows: usize,
    infusion: Option<Names>,
    channel: Option<Names>,
    time: Time,
    figures: [Option<ChunkedArray<Float64Type>>; 4],
}

enum Time {
    Text(StringChunked),
    Seconds(ChunkedArray<Float64Type>),
    /// Ticks and how many microseconds each has; of a zone, so that they are moments.
    Moments(ChunkedArray<Int64Type>, i64),
}

/// Rows of a part in the file's order.
pub(super) enum Block {
    /// Rows that were taken, by infusion and channel.
    Taken(Vec<Piece>),
    /// The number of a row that is to be read as text.
    Odd(usize),
}

/// Rows of one channel of one infusion.
pub(super) struct Piece {
    /// The cell that names the infusion; `None` where there is no such column.
    pub(super) infusion: Option<Box<[u8]>>,
    /// The same of the channel.
    pub(super) channel: Option<Box<[u8]>>,
    pub(super) kind: Kind,
    pub(super) rows: Rows,
    /// The first and last moment of each run of rows of one offset.
    pub(super) seen: Vec<Moment>,
    followed_by: usize,
}

/// Moments beyond these, microseconds, are left to the reading as text: the years 1 to 9999 lie within.
const MOST_US: i64 = 250_000_000_000_000_000;

/// The place of the rate among the figures: the one that no row may leave out.
const RATE: usize = 1;
const FIGURES: [What; 4] = [What::Pressure, What::Rate, What::Volume, What::Limit];

impl Columns {
    /// The columns, if all are of a kind that needs no text.
    pub(super) fn of(part: &Part, roles: &Roles) -> Option<Self> {
        let text = |at: usize| part.column(at)?.str().ok().cloned();
        let named = |at: Option<usize>| match at {
            Some(at) => Some(Some(Names::of(text(at)?)?)),
            None => Some(None),
        };
        let time = match part.column(roles.time)?.dtype() {
            DataType::String => Time::Text(text(roles.time)?),
            DataType::Datetime(unit, Some(_)) => {
                let each = match unit {
                    TimeUnit::Microseconds => 1,
                    TimeUnit::Milliseconds => 1000,
                    TimeUnit::Nanoseconds => return None, // finer than the record's clock
                };
                let ticks = part.column(roles.time)?.cast(&DataType::Int64).ok()?;
                Time::Moments(ticks.i64().ok()?.clone(), each)
            }
            _ => Time::Seconds(numbers(part.column(roles.time)?)?),
        };
        let mut figures = [const { None }; 4];
        for (column, at) in figures.iter_mut().zip(roles.figures) {
            *column = match at {
                Some(at) => Some(numbers(part.column(at)?)?),
                None => None,
            };
        }
        Some(Self {
            rows: part.height(),
            infusion: named(roles.infusion)?,
            channel: named(roles.channel)?,
            time,
            figures,
        })
    }

    /// All rows; `before` is how many stand in the parts before.
    pub(super) fn blocks(&self, before: usize) -> Vec<Block> {
        let figures = self.figures.each_ref().map(|c| c.as_ref().map(plain));
        let mut taking = Taking {
            columns: self,
            figures,
            before,
            moments: MomentReader::default(),
            kind: None,
            pieces: Vec::new(),
            places: HashMap::new(),
            last: usize::MAX,
        };
        let mut blocks = Vec::new();
        let mut row = 0;
        while row < self.rows {
            let end = self.end_of_run(row);
            row += taking.take(row..end);
            if row < end {
                blocks.extend(taking.taken());
                blocks.push(Block::Odd(row));
                row += 1;
            }
        }
        blocks.extend(taking.taken());
        blocks
    }

    /// The row after the last of those that follow with the same names.
    fn end_of_run(&self, row: usize) -> usize {
        let same = |names: &Option<Names>, row| names.as_ref().is_none_or(|n| n.same(row));
        let mut end = row + 1;
        while end < self.rows && same(&self.channel, end) && same(&self.infusion, end) {
            end += 1;
        }
        end
    }
}

/// Rows on their way from columns to pieces.
struct Taking<'c> {
    columns: &'c Columns,
    figures: [Option<Cow<'c, [f64]>>; 4],
    before: usize,
    moments: MomentReader,
    /// The kind of the first moment: a row of the other kind is odd.
    kind: Option<Kind>,
    pieces: Vec<Piece>,
    places: HashMap<Cells<'c>, usize>,
    /// The piece that rows were last added to.
    last: usize,
}

/// The cells that name a row's infusion and channel, as far as there are such columns.
type Cells<'c> = [Option<&'c [u8]>; 2];

impl<'c> Taking<'c> {
    /// The pieces so far.
    fn taken(&mut self) -> Option<Block> {
        self.places.clear();
        self.last = usize::MAX;
        let pieces = std::mem::take(&mut self.pieces);
        (!pieces.is_empty()).then_some(Block::Taken(pieces))
    }

    /// Takes rows of the same names, until one is odd; gives back how many.
    fn take(&mut self, rows: Range<usize>) -> usize {
        let columns = self.columns;
        let mut cells = [None; 2];
        for (cell, names) in cells.iter_mut().zip([&columns.infusion, &columns.channel]) {
            if let Some(names) = names {
                match names.get(rows.start).filter(|n| cell::name(n).is_ok()) {
                    Some(name) => *cell = Some(name),
                    None => return 0,
                }
            }
        }
        let sound = self.sound_figures(rows.clone());
        let rows = rows.start..rows.start + sound;
        // Nothing is made of a run that has no usable row.
        let Some(kind) = self.kind_at(rows.start).filter(|_| !rows.is_empty()) else {
            return 0;
        };
        let at = self.place(cells, kind);
        let Some(piece) = self.pieces.get_mut(at) else {
            return 0;
        };
        let taken = match &columns.time {
            Time::Moments(ticks, each) => {
                let moments = rows
                    .clone()
                    .map_while(|row| calendar(ticks.get(row)?, *each));
                piece.follow(moments)
            }
            Time::Seconds(seconds) => {
                let moments = rows
                    .clone()
                    .map_while(|row| Moment::seconds(seconds.get(row)?));
                piece.follow(moments)
            }
            Time::Text(text) => {
                let read = |row| {
                    let moment = self.moments.read(text.get(row)?.as_bytes().trim_ascii());
                    moment.ok().filter(|m| m.kind == kind)
                };
                piece.follow(rows.clone().map_while(read))
            }
        };
        let range = rows.start..rows.start + taken;
        let into = &mut piece.rows;
        let columns = [
            &mut into.pressure_mmhg,
            &mut into.rate_ml_h,
            &mut into.volume_ml,
            &mut into.limit_mmhg,
        ];
        for (column, figures) in columns.into_iter().zip(&self.figures) {
            match figures.as_ref().and_then(|f| f.get(range.clone())) {
                Some(figures) => column.extend(figures.iter().map(|x| x + 0.0)), // `-0` becomes 0
                None => column.extend(std::iter::repeat_n(f64::NAN, taken)),
            }
        }
        // From 1, the header included.
        let first = self.before + range.start + 2;
        let lines = (first..first + taken).map(|line| u32::try_from(line).unwrap_or(u32::MAX));
        into.lines.extend(lines);
        taken
    }

    /// How many rows from the first on have only figures that their columns may hold.
    fn sound_figures(&self, rows: Range<usize>) -> usize {
        let mut sound = rows.len();
        for ((i, what), figures) in FIGURES.iter().enumerate().zip(&self.figures) {
            let range = what.range();
            let is_sound =
                |x: &f64| !(*x < range.low || range.high < *x || (i == RATE && x.is_nan()));
            let Some(figures) = figures.as_ref().and_then(|f| f.get(rows.clone())) else {
                continue;
            };
            // All at once first: that goes many at a time.
            if !figures.iter().fold(true, |all, x| all & is_sound(x)) {
                let odd = figures.iter().position(|x| !is_sound(x));
                sound = sound.min(odd.unwrap_or(sound));
            }
        }
        sound
    }

    /// The kind of the moments, if the row has one of the same kind as those before.
    fn kind_at(&mut self, row: usize) -> Option<Kind> {
        let moment = match &self.columns.time {
            Time::Moments(ticks, each) => calendar(ticks.get(row)?, *each)?,
            Time::Seconds(seconds) => Moment::seconds(seconds.get(row)?)?,
            Time::Text(text) => {
                let cell = text.get(row)?.as_bytes().trim_ascii();
                self.moments.read(cell).ok()?
            }
        };
        (*self.kind.get_or_insert(moment.kind) == moment.kind).then_some(moment.kind)
    }

    /// The piece of these names.
    fn place(&mut self, cells: Cells<'c>, kind: Kind) -> usize {
        let before = self.last;
        let likely = self.pieces.get(before).map(|p| p.followed_by);
        let is_it = |at: &usize| self.pieces.get(*at).is_some_and(|p| p.is_of(cells));
        let at = likely.filter(is_it).unwrap_or_else(|| {
            *self.places.entry(cells).or_insert_with(|| {
                self.pieces.push(Piece {
                    infusion: cells[0].map(Box::from),
                    channel: cells[1].map(Box::from),
                    kind,
                    rows: Rows::default(),
                    seen: Vec::new(),
                    followed_by: self.pieces.len(),
                });
                self.pieces.len() - 1
            })
        });
        if let Some(before) = self.pieces.get_mut(before) {
            before.followed_by = at;
        }
        self.last = at;
        at
    }
}

impl Piece {
    fn is_of(&self, cells: Cells) -> bool {
        self.infusion.as_deref() == cells[0] && self.channel.as_deref() == cells[1]
    }

    /// Adds the moments of rows; gives back how many there were.
    fn follow(&mut self, moments: impl Iterator<Item = Moment>) -> usize {
        let before = self.rows.ticks.len();
        let mut last: Option<Moment> = None;
        for moment in moments {
            if last.is_none_or(|l| l.offset_s != moment.offset_s) {
                self.seen.extend(last);
                self.seen.push(moment);
            }
            last = Some(moment);
            self.rows.ticks.push(moment.ticks);
        }
        self.seen.extend(last);
        self.rows.ticks.len() - before
    }
}

fn calendar(ticks: i64, each: i64) -> Option<Moment> {
    let ticks = ticks.checked_mul(each)?;
    (-MOST_US..MOST_US).contains(&ticks).then_some(Moment {
        kind: Kind::Calendar,
        ticks,
        offset_s: 0,
    })
}

fn numbers(column: &Column) -> Option<ChunkedArray<Float64Type>> {
    let is_number = column.dtype().is_primitive_numeric();
    let cast = is_number.then(|| column.cast(&DataType::Float64).ok())??;
    cast.f64().ok().cloned()
}

/// Numbers one after the other; NaN stands for one that is missing.
fn plain(column: &ChunkedArray<Float64Type>) -> Cow<'_, [f64]> {
    match column.cont_slice() {
        Ok(all) => Cow::Borrowed(all),
        Err(_) => Cow::Owned(column.iter().map(|x| x.unwrap_or(f64::NAN)).collect()),
    }
}

/// A column of names.
struct Names {
    array: Utf8ViewArray,
    all_given: bool,
}

impl Names {
    fn of(column: StringChunked) -> Option<Self> {
        let column = column.rechunk();
        let array = column.downcast_iter().next()?.clone();
        Some(Self {
            all_given: array.null_count() == 0,
            array,
        })
    }

    fn get(&self, row: usize) -> Option<&[u8]> {
        let name = self.array.get(row)?;
        Some(name.as_bytes().trim_ascii())
    }

    /// Whether a row, which must not be the first, has the name of the row before.
    #[inline]
    fn same(&self, row: usize) -> bool {
        let views = self.array.views();
        let at = |row: usize| views.get(row).map(|v| v.as_u128());
        // Of a short name the view is all there is, of a long one it is its place.
        if self.all_given && at(row) == at(row - 1) {
            return true;
        }
        let one = |row: usize| self.array.get(row);
        one(row) == one(row - 1)
    }
}

#[cfg(test)]
mod tests {
    use crate::ingest::{Settings, Source, read_records};
    use crate::record::Record;
    use polars::prelude::*;
    use rstest::rstest;

    fn read(name: &'static str, mut bytes: &[u8]) -> Vec<Record> {
        let source = Source {
            name: name.as_ref(),
            reader: &mut bytes,
        };
        let settings = Settings {
            keep_going: true,
            ..Settings::default()
        };
        read_records(source, None, None, &settings).unwrap()
    }

    fn parquet(columns: Vec<Column>) -> Vec<u8> {
        let mut bytes = Vec::new();
        let height = columns.first().map_or(0, Column::len);
        let mut table = DataFrame::new(height, columns).unwrap();
        ParquetWriter::new(&mut bytes).finish(&mut table).unwrap();
        bytes
    }

    const SECONDS: [f64; 6] = [0.0, 1.5, 3.0, 3.0, 2.0, 1e11];

    /// Repeats, disorder, a rate below zero, nothing measured, a blank around a name, seconds that no record has.
    fn table(time: Column) -> Vec<u8> {
        parquet(vec![
            Series::new("infusion".into(), ["a", "b", "a ", "a", "a", "b"]).into_column(),
            time,
            Series::new(
                "channel".into(),
                [
                    Some("pn"),
                    Some("pn"),
                    Some("pn"),
                    Some("pn"),
                    None,
                    Some("pn"),
                ],
            )
            .into_column(),
            Series::new(
                "pressure_mmhg".into(),
                [
                    Some(30.5_f32),
                    None,
                    Some(f32::NAN),
                    Some(31.0),
                    Some(1.0),
                    Some(2.0),
                ],
            )
            .into_column(),
            Series::new("rate_ml_h".into(), [4_i64, -1, 4, 0, 4, 4]).into_column(),
            Series::new(
                "volume_ml".into(),
                [0.1, 0.2, 0.30000000000000004, 0.4, 0.5, 0.6],
            )
            .into_column(),
        ])
    }

    fn csv(times: [&str; 6]) -> String {
        let rest = [
            ("a", "pn,30.5,4,0.1"),
            ("b", "pn,,-1,0.2"),
            ("a ", "pn,,4,0.30000000000000004"),
            ("a", "pn,31,0,0.4"),
            ("a", ",1,4,0.5"),
            ("b", "pn,2,4,0.6"),
        ];
        let rows = times
            .iter()
            .zip(rest)
            .map(|(time, (infusion, rest))| format!("{infusion},{time},{rest}\n"));
        format!(
            "infusion,time,channel,pressure_mmhg,rate_ml_h,volume_ml\n{}",
            rows.collect::<String>()
        )
    }

    const DATES: [&str; 6] = [
        "2031-03-04T08:00:00Z",
        "2031-03-04T08:00:01.500Z",
        "2031-03-04T08:00:03Z",
        "2031-03-04T08:00:03Z",
        "2031-03-04T08:00:02Z",
        "2031-03-04T08:00:09Z",
    ];

    fn moments(unit: TimeUnit) -> Column {
        let micros = DATES.map(|d| d.parse::<jiff::Timestamp>().unwrap().as_microsecond());
        let per = if unit == TimeUnit::Milliseconds {
            1000
        } else {
            1
        };
        let zone = TimeZone::opt_try_new(Some("UTC")).unwrap();
        let ticks =
            Int64Chunked::from_iter_values("time".into(), micros.map(|us| us / per).into_iter());
        ticks.into_datetime(unit, zone).into_column()
    }

    #[rstest]
    #[case::seconds(Series::new("time".into(), SECONDS).into_column(), ["0", "1.5", "3", "3", "2", "1e11"])]
    #[case::text(Series::new("time".into(), DATES).into_column(), DATES)]
    #[case::microseconds(moments(TimeUnit::Microseconds), DATES)]
    #[case::milliseconds(moments(TimeUnit::Milliseconds), DATES)]
    fn typed_rows_make_the_records_that_their_text_makes(
        #[case] time: Column,
        #[case] texts: [&str; 6],
    ) {
        let typed = read("t.parquet", &table(time));
        let text = read("t.parquet", csv(texts).as_bytes());
        assert_eq!(format!("{typed:#?}"), format!("{text:#?}"));
        let intake = &typed[0].intake;
        assert_eq!(
            (intake.rows, intake.rows_rejected, intake.repeats),
            (4, 1, 1)
        );
    }
}
