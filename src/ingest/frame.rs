//! Parquet and Arrow tables as rows of cells.
//!
//! In: the bytes of a Parquet file, an Arrow IPC file or an Arrow IPC stream. Out: [`Frame`], part by part, so that what is held does
//! not grow with the table (of a file its packed bytes, of a stream a message): numbers in the shortest form
//! that reads back the same, moments in RFC 3339 (those of a zone in UTC), a missing cell empty. A column of another kind
//! (lists, structures, decimals) is not read; that is an error only where somebody asks for it.

use super::arrow;
use super::bodies;
use super::grid::Grid;
use super::guard::guarded;
use super::messages::Messages;
use super::pages;
use crate::error::{Error, Result};
use csv::ByteRecord;
use jiff::Timestamp;
use polars::prelude::*;
use polars_arrow::array::Array;
use polars_arrow::datatypes::Metadata;
use polars_arrow::io::ipc::read::{
    FileReader, StreamReader, StreamState, read_file_metadata, read_stream_metadata,
};
use polars_parquet::parquet::metadata::{FileMetadata, SchemaDescriptor};
use polars_parquet::parquet::read::read_metadata;
use polars_parquet::parquet::schema::types::{
    IntegerType, ParquetType, PhysicalType, PrimitiveConvertedType, PrimitiveLogicalType,
};
use std::fmt::Write;
use std::io::{Cursor, Read};
use std::path::{Path, PathBuf};
use std::sync::Arc;

/// Longest cell handed out, bytes: names and words are shorter, and one long word may stand in millions of rows.
const LONGEST_CELL: usize = 1 << 12;

/// Keys and values that a file's writer left beside its rows.
type Notes = Vec<(String, String)>;

fn noted(notes: &Metadata) -> Notes {
    let notes = notes.iter();
    notes
        .map(|(key, value)| (key.to_string(), value.to_string()))
        .collect()
}

/// A table of columns, which comes in parts: a row group or a batch at a time.
pub(super) struct Frame<'a> {
    name: PathBuf,
    kind: &'static str,
    /// All columns, with the kind of those that are not read.
    header: Arc<Header>,
    coming: Coming<'a>,
    notes: Notes,
    /// Rows of the parts that were asked for.
    asked: usize,
    /// The part at hand, and the rows of those before it.
    part: Part,
    before: usize,
    /// Rows of the part that were handed out.
    handed: usize,
    /// Whether the header was handed out.
    begun: bool,
    text: String,
}

/// Parts that were not asked for yet.
enum Coming<'a> {
    /// Row groups of a Parquet file: each can be read by itself.
    Groups(ParquetFile, std::vec::IntoIter<usize>),
    /// Batches, which come one after the other.
    Batches(Box<dyn Iterator<Item = PolarsResult<DataFrame>> + 'a>),
}

#[derive(Clone)]
struct ParquetFile {
    bytes: Bytes,
    metadata: Arc<FileMetadata>,
}

#[derive(Clone)]
struct Bytes(Arc<Vec<u8>>);

impl AsRef<[u8]> for Bytes {
    fn as_ref(&self) -> &[u8] {
        &self.0
    }
}

/// Rows that were read.
pub(super) struct Part {
    table: DataFrame,
    header: Arc<Header>,
}

/// A part that is still to be read: may be done on any thread.
pub(super) struct Unread {
    /// Rows of the parts before it.
    pub(super) before: usize,
    header: Arc<Header>,
    what: What,
}

enum What {
    Batch(DataFrame),
    Group {
        file: ParquetFile,
        rows: usize,
        /// Whether no other part is read meanwhile.
        alone: bool,
    },
}

impl Part {
    /// A column that is read, by its place in the header.
    pub(super) fn column(&self, at: usize) -> Option<&Column> {
        let (name, unread) = self.header.get(at)?;
        let read = || self.table.column(name).ok();
        unread.is_none().then(read)?
    }

    /// Number of rows.
    pub(super) fn height(&self) -> usize {
        self.table.height()
    }
}

impl Unread {
    /// Reads it. May panic where its parts contradict each other: to be called through [`guarded`].
    pub(super) fn read(self) -> PolarsResult<Part> {
        let mut table = match self.what {
            What::Batch(table) => table,
            What::Group { file, rows, alone } => {
                let mut reader = ParquetReader::new(Cursor::new(file.bytes));
                reader.set_metadata(file.metadata);
                let reader = reader
                    .with_projection(Some(readable(&self.header)))
                    .with_slice(Some((self.before, rows)))
                    .read_parallel(match alone {
                        true => ParallelStrategy::Columns,
                        false => ParallelStrategy::None,
                    });
                reader.finish()?
            }
        };
        // A damaged file may give columns of unlike lengths, which the library does not look at.
        if table.columns().iter().any(|c| c.len() != table.height()) {
            polars_bail!(ComputeError: "its parts contradict each other");
        }
        if table.columns().iter().any(|c| 1 < c.n_chunks()) {
            table.rechunk_mut();
        }
        Ok(Part {
            table,
            header: self.header,
        })
    }
}

impl<'a> Frame<'a> {
    /// Reads a Parquet file.
    pub(super) fn parquet(name: &Path, bytes: Vec<u8>) -> Result<Self> {
        Self::open(name, "Parquet", || {
            if !pages::is_shallow(&bytes) {
                polars_bail!(ComputeError: "its description is damaged or nested too deeply");
            }
            let mut metadata = read_metadata(&mut Cursor::new(&bytes))?;
            if !pages::are_sound(&bytes, &metadata) {
                polars_bail!(ComputeError: "its pages name more than can be held");
            }
            // Without the writer's own notes on its types, names kept as a dictionary are text, as the standard has it.
            let notes = metadata.key_value_metadata.take().into_iter().flatten();
            let notes = notes
                .map(|n| (n.key, n.value.unwrap_or_default()))
                .collect();
            let schema = &metadata.schema_descr;
            let fields = schema.fields().iter().cloned().map(of_full_width).collect();
            metadata.schema_descr = SchemaDescriptor::new(schema.name().into(), fields);
            let columns = metadata.schema_descr.fields().len();
            if !pages::can_hold(bytes.len(), &metadata, columns) {
                let rows = metadata.num_rows;
                polars_bail!(ComputeError: "{rows} rows of {columns} columns are more than can be held");
            }
            let groups = metadata.row_groups.iter().map(|g| g.num_rows());
            let groups: Vec<usize> = groups.collect();
            let file = ParquetFile {
                bytes: Bytes(Arc::new(bytes)),
                metadata: Arc::new(metadata),
            };
            let mut reader = ParquetReader::new(Cursor::new(file.bytes.clone()));
            reader.set_metadata(file.metadata.clone());
            let header = header(reader.schema()?.as_ref());
            Ok((header, Coming::Groups(file, groups.into_iter()), notes))
        })
    }

    /// Reads an Arrow IPC file (also called Feather 2).
    pub(super) fn arrow_file(name: &Path, bytes: Vec<u8>) -> Result<Self> {
        Self::open(name, "an Arrow file", || {
            if !bodies::schema_of_file(&bytes).is_some_and(|s| s.is_shallow()) {
                polars_bail!(ComputeError: "its description is damaged or nested too deeply");
            }
            let metadata = read_file_metadata(&mut Cursor::new(&bytes))?;
            let dictionaries = metadata.dictionaries.iter().flatten();
            let blocks = metadata.blocks.iter().chain(dictionaries);
            let listed = blocks.map(|b| (b.offset, b.meta_data_length));
            if !bodies::are_sound(&bytes, &bodies::of_file(&bytes, listed)) {
                polars_bail!(ComputeError: "a part names a size that cannot be meant");
            }
            let reader = Cursor::new(bytes);
            let header = header(&metadata.schema);
            let notes = [&metadata.custom_schema_metadata, &metadata.custom_metadata];
            let notes = notes
                .into_iter()
                .flatten()
                .flat_map(|notes| noted(notes))
                .collect();
            let batches = FileReader::new(reader, metadata, Some(readable(&header)), None);
            let names = header.clone();
            let tables = batches.map(move |batch| table(&names, Ok(batch?.into_arrays())));
            Ok((header, Coming::Batches(Box::new(tables)), notes))
        })
    }

    /// Reads an Arrow IPC stream, of any length.
    pub(super) fn arrow_stream(name: &Path, stream: impl Read + 'a) -> Result<Self> {
        Self::open(name, "an Arrow stream", || {
            let mut messages = Messages::new(stream);
            let metadata = read_stream_metadata(&mut messages)?;
            let header = header(&metadata.schema);
            let notes = metadata
                .custom_schema_metadata
                .iter()
                .flat_map(noted)
                .collect();
            let parts = StreamReader::new(messages, metadata, Some(readable(&header)));
            // A stream that waits for more is, in a file, one that ends.
            let batches = parts.map_while(|part| match part {
                Ok(StreamState::Some(batch)) => Some(Ok(batch.into_arrays())),
                Ok(StreamState::Waiting) => None,
                Err(error) => Some(Err(error)),
            });
            let names = header.clone();
            let tables = batches.map(move |batch| table(&names, batch));
            Ok((header, Coming::Batches(Box::new(tables)), notes))
        })
    }

    fn open(
        name: &Path,
        kind: &'static str,
        open: impl FnOnce() -> PolarsResult<(Header, Coming<'a>, Notes)>,
    ) -> Result<Self> {
        let (header, coming, notes) = understood(name, kind, open)?;
        let header = Arc::new(header);
        Ok(Self {
            name: name.to_path_buf(),
            kind,
            coming,
            notes,
            asked: 0,
            part: Part {
                table: DataFrame::empty(),
                header: header.clone(),
            },
            header,
            before: 0,
            handed: 0,
            begun: false,
            text: String::new(),
        })
    }

    /// The next parts, at most so many; none at the end.
    pub(super) fn unread(&mut self, most: usize) -> Result<Vec<Unread>> {
        let mut parts = Vec::new();
        while parts.len() < most {
            let what = match &mut self.coming {
                Coming::Groups(file, rows) => rows.next().map(|rows| What::Group {
                    file: file.clone(),
                    rows,
                    alone: most == 1,
                }),
                Coming::Batches(batches) => {
                    let next = || batches.next().transpose();
                    understood(&self.name, self.kind, next)?.map(What::Batch)
                }
            };
            let Some(what) = what else {
                break;
            };
            let rows = match &what {
                What::Batch(table) => table.height(),
                What::Group { rows, .. } => *rows,
            };
            parts.push(Unread {
                before: self.asked,
                header: self.header.clone(),
                what,
            });
            self.asked += rows;
        }
        Ok(parts)
    }

    /// What a library that may panic gives, or why it cannot be had.
    pub(super) fn understood<T>(&self, read: impl FnOnce() -> PolarsResult<T>) -> Result<T> {
        understood(&self.name, self.kind, read)
    }

    /// Makes this part the one at hand: it must follow the one that was.
    pub(super) fn hold(&mut self, part: Part) {
        self.before += self.part.height();
        self.part = part;
        self.handed = 0;
    }

    /// Makes the row of this number of the part, from 0, the next one to be handed out.
    pub(super) fn go_to(&mut self, row: usize) {
        self.handed = row;
    }

    /// Whether the part has a row that was not handed out.
    pub(super) fn has_row(&self) -> bool {
        self.handed < self.part.height()
    }
}

/// The table of one batch.
fn table(header: &Header, batch: PolarsResult<Vec<Box<dyn Array>>>) -> PolarsResult<DataFrame> {
    arrow::table(header, std::iter::once(batch))
}

fn understood<T>(name: &Path, kind: &str, read: impl FnOnce() -> PolarsResult<T>) -> Result<T> {
    let cannot = |why: String| {
        Error::in_file(name, format!("cannot be read as {kind}: {why}"))
            .hint("write the table again, or as CSV")
    };
    guarded(read)
        .ok_or_else(|| cannot("its parts contradict each other".into()))?
        .map_err(|e| cannot(first_line(&e.to_string())))
}

/// Names of columns, with the kind of those that are not read.
pub(super) type Header = Vec<(String, Option<String>)>;

fn header(schema: &ArrowSchema) -> Header {
    let fields = schema.iter_values();
    let kinds = fields.map(|field| {
        let kind = (!arrow::is_read(&field.dtype)).then(|| format!("{:?}", field.dtype));
        (field.name.to_string(), kind)
    });
    kinds.collect()
}

/// An integer of 8 or 16 bits stands in a Parquet file as one of 32, with a note; without the note it is read as it stands.
fn of_full_width(mut field: ParquetType) -> ParquetType {
    use IntegerType::{Int8, Int16, UInt8, UInt16};
    use PrimitiveConvertedType as Converted;
    if let ParquetType::PrimitiveType(column) = &mut field
        && column.physical_type == PhysicalType::Int32
    {
        let logical = column.logical_type;
        let narrow = matches!(
            logical,
            Some(PrimitiveLogicalType::Integer(Int8 | Int16 | UInt8 | UInt16))
        );
        let older = matches!(
            column.converted_type,
            Some(Converted::Int8 | Converted::Int16 | Converted::Uint8 | Converted::Uint16)
        );
        if narrow || older {
            column.logical_type = None;
            column.converted_type = None;
        }
    }
    field
}

fn readable(header: &Header) -> Vec<usize> {
    let columns = header.iter().enumerate();
    columns
        .filter(|(_, (_, kind))| kind.is_none())
        .map(|(at, _)| at)
        .collect()
}

fn first_line(text: &str) -> String {
    text.lines().next().unwrap_or_default().to_string()
}

impl<'a> Grid<'a> for Frame<'a> {
    fn notes(&self) -> &[(String, String)] {
        &self.notes
    }

    fn next(&mut self, cells: &mut ByteRecord, typed: &mut Vec<bool>) -> Result<Option<u64>> {
        cells.clear();
        typed.clear();
        if !self.begun {
            self.begun = true;
            for (name, _) in self.header.iter() {
                cells.push_field(name.as_bytes());
                typed.push(false);
            }
            return Ok(Some(1));
        }
        while !self.has_row() {
            let Some(unread) = self.unread(1)?.pop() else {
                return Ok(None);
            };
            let part = self.understood(|| unread.read())?;
            self.hold(part);
        }
        let mut columns = self.part.table.columns().iter();
        for (_, unread) in self.header.iter() {
            let column = match unread {
                None => columns.next(),
                Some(_) => None,
            };
            self.text.clear();
            let value = column.and_then(|c| c.get(self.handed).ok());
            let is_value = value.and_then(|v| cell(&v, &mut self.text));
            let cell = self.text.as_bytes();
            cells.push_field(cell.get(..LONGEST_CELL).unwrap_or(cell));
            typed.push(is_value.unwrap_or(false));
        }
        self.handed += 1;
        Ok(Some((self.before + self.handed) as u64 + 1))
    }

    fn frame(&mut self) -> Option<&mut Frame<'a>> {
        Some(self)
    }

    fn unread(&self, column: usize) -> Option<&str> {
        self.header.get(column)?.1.as_deref()
    }
}

/// Writes a cell; whether it is a value, or text. `None` for a kind that the contract's tables do not have.
fn cell(value: &AnyValue, into: &mut String) -> Option<bool> {
    let _ = match value {
        AnyValue::Null => return Some(false),
        AnyValue::String(text) => {
            into.push_str(text);
            return Some(false);
        }
        AnyValue::StringOwned(text) => {
            into.push_str(text);
            return Some(false);
        }
        AnyValue::Boolean(b) => write!(into, "{b}"),
        AnyValue::Float64(x) => finite(*x, into),
        AnyValue::Float32(x) => finite(f64::from(*x), into),
        AnyValue::UInt8(n) => write!(into, "{n}"),
        AnyValue::UInt16(n) => write!(into, "{n}"),
        AnyValue::UInt32(n) => write!(into, "{n}"),
        AnyValue::UInt64(n) => write!(into, "{n}"),
        AnyValue::Int8(n) => write!(into, "{n}"),
        AnyValue::Int16(n) => write!(into, "{n}"),
        AnyValue::Int32(n) => write!(into, "{n}"),
        AnyValue::Int64(n) => write!(into, "{n}"),
        AnyValue::Date(days) => {
            let day = Timestamp::from_second(i64::from(*days) * 86_400).ok()?;
            write!(into, "{}", day.strftime("%Y-%m-%d"))
        }
        AnyValue::Datetime(count, unit, zone) => moment(*count, *unit, zone.is_some(), into)?,
        AnyValue::DatetimeOwned(count, unit, zone) => moment(*count, *unit, zone.is_some(), into)?,
        _ => return None,
    };
    Some(true)
}

/// NaN stands for a missing number in such tables.
fn finite(x: f64, into: &mut String) -> std::fmt::Result {
    match x.is_nan() {
        true => Ok(()),
        false => write!(into, "{x}"),
    }
}

/// A moment without a zone stays without offset, and is refused as such where the contract's times are read.
fn moment(count: i64, unit: TimeUnit, zoned: bool, into: &mut String) -> Option<std::fmt::Result> {
    let nanoseconds = match unit {
        TimeUnit::Nanoseconds => i128::from(count),
        TimeUnit::Microseconds => i128::from(count) * 1_000,
        TimeUnit::Milliseconds => i128::from(count) * 1_000_000,
    };
    let text = Timestamp::from_nanosecond(nanoseconds).ok()?.to_string(); // ends in `Z`
    let text = if zoned {
        &text
    } else {
        text.trim_end_matches('Z')
    };
    Some(write!(into, "{text}"))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn parquet(columns: Vec<Column>) -> Vec<u8> {
        let mut bytes = Vec::new();
        let height = columns.first().map_or(0, Column::len);
        let mut table = DataFrame::new(height, columns).unwrap();
        ParquetWriter::new(&mut bytes).finish(&mut table).unwrap();
        bytes
    }

    /// Rows as text, cells that are values in angle brackets.
    fn rows(columns: Vec<Column>) -> Vec<String> {
        let mut frame = Frame::parquet("t.parquet".as_ref(), parquet(columns)).unwrap();
        let (mut cells, mut typed) = (ByteRecord::new(), Vec::new());
        let mut rows = Vec::new();
        while let Some(line) = frame.next(&mut cells, &mut typed).unwrap() {
            assert_eq!(line as usize, rows.len() + 1);
            let shown = cells.iter().zip(&typed).map(|(cell, typed)| {
                let text = String::from_utf8_lossy(cell).into_owned();
                if *typed { format!("<{text}>") } else { text }
            });
            rows.push(shown.collect::<Vec<_>>().join("|"));
        }
        rows
    }

    #[test]
    fn numbers_text_and_missing_cells_read_back_the_same() {
        let columns = vec![
            Series::new("infusion".into(), ["a", "b,\"c\""]).into_column(),
            Series::new("pressure_mmhg".into(), [Some(0.1 + 0.2), None]).into_column(),
            Series::new("rate_ml_h".into(), [4_i64, 0]).into_column(),
            Series::new("limit_mmhg".into(), [f64::NAN, 300.0]).into_column(),
        ];
        assert_eq!(
            rows(columns),
            [
                "infusion|pressure_mmhg|rate_ml_h|limit_mmhg",
                "a|<0.30000000000000004>|<4>|<>",
                "b,\"c\"||<0>|<300>"
            ]
        );
    }

    #[test]
    fn a_moment_without_zone_gets_no_offset_made_up() {
        let column = Series::new("time".into(), [1_930_000_000_000_000_i64]);
        let kind = DataType::Datetime(TimeUnit::Microseconds, None);
        let column = column.cast(&kind).unwrap().into_column();
        // date -u -d @1930000000
        assert_eq!(rows(vec![column]), ["time", "<2031-02-27T23:06:40>"]);
    }

    #[test]
    fn what_is_no_such_table_is_an_error() {
        let name = Path::new("t.parquet");
        assert!(Frame::parquet(name, b"PAR1 and no more".to_vec()).is_err());
        assert!(Frame::parquet(name, Vec::new()).is_err());
        assert!(Frame::arrow_file(name, b"ARROW1\0\0\0\0".to_vec()).is_err());
        assert!(Frame::arrow_stream(name, &[0xff; 64][..]).is_err());
    }
}
