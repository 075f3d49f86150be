//! Delimited text as rows of cells that know their place.
//!
//! In: bytes. Out: [`Table`]: a header whose columns are found by the contract's names, and one [`Row`] after the
//! other. Memory is bounded whatever the file holds: no row may be longer than [`LONGEST_ROW`], be it one endless
//! line or a quote that is never closed. Columns that may identify a person are named in a notice and never read.

use super::Source;
use super::dress::Dress;
use super::names::{identifies, nearest, shown_header};
use crate::error::{Error, Result};
use crate::record::{Notice, RejectedRow};
use csv::ByteRecord;
use std::collections::{HashMap, HashSet};
use std::io::{self, BufRead, Read};
use std::path::{Path, PathBuf};

/// Longest row accepted, bytes: a row of the contract's columns has about a hundred.
pub(super) const LONGEST_ROW: usize = 1 << 20;

/// Most rejected rows kept for the report; all are counted.
pub(super) const REJECTED_SHOWN: usize = 100;

/// Stands for the column of a fault that lies in no single one.
pub(super) const WHOLE_ROW: &str = "(whole row)";

const BUFFER: usize = 1 << 16;

/// Hands bytes on until one row has had too many, and remembers the last ones.
struct Bounded<R> {
    inner: R,
    since_row: usize,
    /// Bytes handed on before `latest`.
    before: u64,
    latest: Vec<u8>,
}

impl<R> Bounded<R> {
    fn new(inner: R) -> Self {
        Self {
            inner,
            since_row: 0,
            before: 0,
            latest: Vec::new(),
        }
    }

    /// The byte before this offset, if it is among the last.
    fn before(&self, offset: u64) -> Option<u8> {
        let place = offset.checked_sub(self.before)?.checked_sub(1)?;
        self.latest.get(usize::try_from(place).ok()?).copied()
    }
}

impl<R: Read> Read for Bounded<R> {
    fn read(&mut self, into: &mut [u8]) -> io::Result<usize> {
        if LONGEST_ROW + BUFFER < self.since_row {
            return Err(io::Error::new(io::ErrorKind::FileTooLarge, "row too long"));
        }
        let got = self.inner.read(into)?;
        self.since_row += got;
        self.before += self.latest.len() as u64;
        self.latest.clear();
        self.latest.extend(into.iter().take(got));
        Ok(got)
    }
}

/// A table being read.
pub(super) struct Table<'a> {
    pub(super) name: PathBuf,
    pub(super) header: Vec<String>,
    /// The same with its own capitals.
    pub(super) header_as_written: Vec<String>,
    csv: csv::Reader<Bounded<Box<dyn Read + 'a>>>,
    record: ByteRecord,
    /// Columns that were asked for: the others are dropped unread or unknown.
    wanted: Vec<usize>,
    /// Lines above the header.
    above: u64,
    /// Rows that are no data where they come again: the header, and the units below it.
    again: Vec<ByteRecord>,
}

/// One row of a table.
pub(super) struct Row<'t> {
    /// Line in the file, from 1, header included.
    pub(super) line: u64,
    header: &'t [String],
    record: &'t ByteRecord,
}

impl<'a> Table<'a> {
    /// Reads the header of a table in the contract's dress. Names are compared without regard to case.
    pub(super) fn open(source: Source<'a>) -> Result<Self> {
        let mut table = Self::begin(source, &Dress::contract())?;
        table.header_as_written = table.header_texts()?;
        let written = table.header_as_written.iter();
        table.header = written.map(|h| h.to_ascii_lowercase()).collect();
        let mut seen = HashSet::new();
        let mut named = table.header.iter().filter(|name| !name.is_empty());
        if let Some(name) = named.find(|name| !seen.insert(name.as_str())) {
            let what = format!("the column {} stands twice", shown_header(name));
            let twice = Error::in_file(&table.name, what).at_line(1);
            return Err(twice.hint("rename or remove one of them"));
        }
        Ok(table)
    }

    /// Reads the header of a table in another dress. Names stand as written; one that stands twice becomes `name #2`,
    /// an empty one `#5` by its place. Where the header comes again among the rows it is passed over.
    pub(super) fn open_dressed(source: Source<'a>, dress: &Dress) -> Result<Self> {
        let mut table = Self::begin(source, dress)?;
        table.header_as_written = table.header_texts()?;
        table.header = distinct(&table.header_as_written);
        table.again.push(table.record.clone());
        if dress.unit_row && table.advance()?.is_some() {
            table.again.push(table.record.clone());
        }
        Ok(table)
    }

    fn begin(source: Source<'a>, dress: &Dress) -> Result<Self> {
        let name = source.name.to_path_buf();
        let mut reader = dress.encoding.decoded(Box::new(source.reader));
        let above = dress.header_line.saturating_sub(1);
        if 0 < above {
            reader = below_lines(reader, above, &name)?;
        }
        let csv = csv::ReaderBuilder::new()
            .has_headers(false)
            .flexible(true)
            .delimiter(dress.delimiter)
            .buffer_capacity(BUFFER)
            .from_reader(Bounded::new(reader));
        let mut table = Self {
            name,
            header: Vec::new(),
            header_as_written: Vec::new(),
            csv,
            record: ByteRecord::new(),
            wanted: Vec::new(),
            above,
            again: Vec::new(),
        };
        if table.advance()?.is_none() {
            let (what, hint) = match above {
                0 => (
                    "the file is empty".to_string(),
                    "export it again; a header line and rows are expected",
                ),
                n => (
                    format!(
                        "the file ends before line {}, where its header should stand",
                        n + 1
                    ),
                    "correct `header_line` in the mapping file",
                ),
            };
            return Err(Error::in_file(&table.name, what).hint(hint));
        }
        Ok(table)
    }

    fn header_texts(&self) -> Result<Vec<String>> {
        let at_header = |what: &str| Error::in_file(&self.name, what).at_line(self.above + 1);
        let text = |cell: &[u8]| {
            if cell.contains(&0) {
                return Err(at_header("expected text, found a NUL byte")
                    .hint("this is no CSV, or one in UTF-16: save it as CSV in UTF-8"));
            }
            let text = std::str::from_utf8(cell).map_err(|_| {
                at_header("expected UTF-8 text, found other bytes")
                    .hint("this is no CSV, or one in another encoding: save it as CSV in UTF-8")
            })?;
            Ok(text.trim().to_string())
        };
        self.record.iter().map(text).collect()
    }

    /// The place of a column, if the table has it.
    pub(super) fn find(&mut self, column: &str) -> Option<usize> {
        let found = self.header.iter().position(|h| h == column);
        self.wanted.extend(found);
        found
    }

    /// The place of a column that must be there.
    pub(super) fn require(&mut self, column: &str) -> Result<usize> {
        self.find(column).ok_or_else(|| self.no_column(column))
    }

    fn no_column(&self, column: &str) -> Error {
        let error = Error::in_file(&self.name, format!("there is no column `{column}`")).at_line(1);
        let other = [(";", "semicolons"), ("\t", "tabs"), ("|", "bars")];
        if let [only] = self.header.as_slice()
            && let Some((_, what)) = other.iter().find(|(sign, _)| only.contains(sign))
        {
            return error.hint(format!(
                "the cells seem to be separated by {what}; separate them by commas"
            ));
        }
        let named = self.header.iter().filter(|h| !h.is_empty());
        let list: Vec<String> = named.clone().take(20).map(|h| shown_header(h)).collect();
        let more = named.clone().count().saturating_sub(list.len());
        let more = match more {
            0 => String::new(),
            n => format!(" and {n} more"),
        };
        let meant = nearest(column, named.map(String::as_str))
            .map_or_else(String::new, |near| format!("; rename `{near}`?"));
        error.hint(format!("the header has {}{more}{meant}", list.join(", ")))
    }

    /// What a reader must know about the columns that nobody asked for.
    pub(super) fn notices(&self) -> Vec<Notice> {
        let left = self.header.iter().enumerate();
        let left = left.filter(|(i, name)| !self.wanted.contains(i) && !name.is_empty());
        let (dropped, ignored): (Vec<String>, Vec<String>) = left
            .map(|(_, name)| name.clone())
            .partition(|n| identifies(n));
        let mut notices = Vec::new();
        if !dropped.is_empty() {
            notices.push(Notice::IdentityColumnsDropped { columns: dropped });
        }
        if !ignored.is_empty() {
            notices.push(Notice::ColumnsIgnored { columns: ignored });
        }
        notices
    }

    /// The next row; blank lines are skipped.
    pub(super) fn next_row(&mut self) -> Result<Option<Row<'_>>> {
        let mut line = self.advance()?;
        while line.is_some() && self.again.contains(&self.record) {
            line = self.advance()?;
        }
        Ok(line.map(|line| Row {
            line,
            header: &self.header,
            record: &self.record,
        }))
    }

    fn advance(&mut self) -> Result<Option<u64>> {
        self.csv.get_mut().since_row = 0;
        let begins = self.above + self.csv.position().line();
        match self.csv.read_byte_record(&mut self.record) {
            Ok(false) => Ok(None),
            Ok(true) => Ok(Some(self.line_of_record())),
            Err(error) => Err(self.cannot(&error, begins)),
        }
    }

    /// The line in which the record just read begins. The reader's own count stands at the blank lines before it, and one
    /// short where lines end in CR LF, whose LF it has not yet taken.
    fn line_of_record(&self) -> u64 {
        let after = self.csv.position();
        let took_line_end = self.csv.get_ref().before(after.byte()) == Some(b'\n');
        let ends = after.line() - u64::from(took_line_end && 1 < after.line());
        let within = self.record.as_slice().iter().filter(|b| **b == b'\n');
        self.above + ends.saturating_sub(within.count() as u64)
    }

    fn cannot(&self, error: &csv::Error, line: u64) -> Error {
        match error.kind() {
            csv::ErrorKind::Io(io) if io.kind() == io::ErrorKind::FileTooLarge => Error::in_file(
                &self.name,
                format!("expected a row, found more than {LONGEST_ROW} bytes without its end"),
            )
            .at_line(line)
            .hint("the file is no CSV, or a quote (\") is never closed"),
            csv::ErrorKind::Io(io) => cannot_read(&self.name, io),
            _ => Error::in_file(&self.name, format!("cannot be read: {error}")).at_line(line),
        }
    }
}

/// What follows so many lines.
fn below_lines<'a>(
    reader: Box<dyn Read + 'a>,
    lines: u64,
    name: &Path,
) -> Result<Box<dyn Read + 'a>> {
    let mut reader = io::BufReader::with_capacity(BUFFER, reader);
    for line in 1..=lines {
        let mut limited = (&mut reader).take(LONGEST_ROW as u64);
        let got = limited
            .skip_until(b'\n')
            .map_err(|e| cannot_read(name, &e))?;
        if got == LONGEST_ROW {
            let what =
                format!("expected a line, found more than {LONGEST_ROW} bytes without its end");
            return Err(Error::in_file(name, what)
                .at_line(line)
                .hint("the file is no table"));
        }
    }
    Ok(Box::new(reader))
}

/// Names that can be told apart.
pub(super) fn distinct(texts: &[String]) -> Vec<String> {
    let mut seen: HashMap<&str, usize> = HashMap::new();
    let named = texts.iter().enumerate();
    named
        .map(|(i, text)| {
            if text.is_empty() {
                return format!("#{}", i + 1);
            }
            let times = seen.entry(text.as_str()).or_default();
            *times += 1;
            match *times {
                1 => text.clone(),
                n => format!("{text} #{n}"),
            }
        })
        .collect()
}

/// The error for bytes that the system does not hand over.
pub(super) fn cannot_read(name: &Path, error: &io::Error) -> Error {
    Error::in_file(name, format!("cannot be read: {error}"))
        .hint("copy the file to this machine and try again")
}

impl Row<'_> {
    /// A cell without the blanks around it.
    pub(super) fn cell(&self, column: usize) -> &[u8] {
        self.record.get(column).unwrap_or_default().trim_ascii()
    }

    /// A row must have the header's cells: a row cut short may have lost the end of a number, and one too long may
    /// have a number torn in two by its comma. Empty cells at the end do no harm.
    pub(super) fn check_width(&self) -> std::result::Result<(), Fault> {
        let (has, wants) = (self.record.len(), self.header.len());
        if has == wants {
            return Ok(());
        }
        let spare_is_empty = self
            .record
            .iter()
            .skip(wants)
            .all(|c| c.trim_ascii().is_empty());
        if wants < has && spare_is_empty {
            return Ok(());
        }
        let reason = format!("{has} cells where the header has {wants}");
        Err(Fault {
            column: None,
            reason: reason.into(),
        })
    }

    /// What to show of a row that cannot be used.
    pub(super) fn rejected(&self, fault: Fault) -> RejectedRow {
        let name = fault.column.and_then(|c| self.header.get(c));
        let cell = fault.column.map_or(&[][..], |c| self.cell(c));
        RejectedRow {
            line: self.line,
            column: name.map_or_else(|| WHOLE_ROW.into(), String::clone),
            value: shown_cell(cell),
            reason: fault.reason.into_owned(),
        }
    }
}

/// Why a row cannot be used.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Fault {
    /// The column at fault; `None` = the row as a whole.
    pub(super) column: Option<usize>,
    /// Why, in a few words.
    pub(super) reason: std::borrow::Cow<'static, str>,
}

/// A cell for people to read: its first characters, with anything that a terminal might obey written out.
fn shown_cell(cell: &[u8]) -> String {
    const MOST: usize = 60;
    let text = String::from_utf8_lossy(cell.get(..4 * MOST).unwrap_or(cell));
    let mut shown = String::new();
    for (i, c) in text.chars().enumerate() {
        if i == MOST {
            shown.push('…');
            break;
        }
        if c.is_control() {
            shown.extend(c.escape_default());
        } else {
            shown.push(c);
        }
    }
    shown
}
