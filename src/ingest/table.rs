//! Delimited text as rows of cells that know their place.
//!
//! In: bytes. Out: [`Table`]: a header whose columns are found by the contract's names, and one [`Row`] after the
//! other. Memory is bounded whatever the file holds: no row may be longer than [`LONGEST_ROW`], be it one endless
//! line or a quote that is never closed. Columns that may identify a person are named in a notice and never read.

use super::Source;
use super::names::{identifies, nearest, shown_header};
use crate::error::{Error, Result};
use crate::record::{Notice, RejectedRow};
use csv::ByteRecord;
use std::io::{self, Read};
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
    csv: csv::Reader<Bounded<&'a mut dyn Read>>,
    record: ByteRecord,
    /// Columns dropped unread or unknown, once [`Table::find`] has been asked for all that are wanted.
    wanted: Vec<usize>,
}

/// One row of a table.
pub(super) struct Row<'t> {
    /// Line in the file, from 1, header included.
    pub(super) line: u64,
    header: &'t [String],
    record: &'t ByteRecord,
}

impl<'a> Table<'a> {
    /// Reads the header.
    pub(super) fn open(source: Source<'a>) -> Result<Self> {
        let name = source.name.to_path_buf();
        let csv = csv::ReaderBuilder::new()
            .has_headers(false)
            .flexible(true)
            .buffer_capacity(BUFFER)
            .from_reader(Bounded::new(source.reader));
        let mut table = Self {
            name,
            header: Vec::new(),
            header_as_written: Vec::new(),
            csv,
            record: ByteRecord::new(),
            wanted: Vec::new(),
        };
        if table.advance()?.is_none() {
            return Err(Error::in_file(&table.name, "the file is empty")
                .hint("export it again; a header line and rows are expected"));
        }
        table.header_as_written = table.read_header()?;
        let lower = table
            .header_as_written
            .iter()
            .map(|h| h.to_ascii_lowercase());
        table.header = lower.collect();
        table.check_header()?;
        Ok(table)
    }

    fn read_header(&self) -> Result<Vec<String>> {
        let at_header = |what: String| Error::in_file(&self.name, what).at_line(1);
        let mut header: Vec<String> = Vec::with_capacity(self.record.len());
        for cell in &self.record {
            if cell.contains(&0) {
                return Err(at_header("expected text, found a NUL byte".into())
                    .hint("this is no CSV, or one in UTF-16: save it as CSV in UTF-8"));
            }
            let text = std::str::from_utf8(cell).map_err(|_| {
                at_header("expected UTF-8 text, found other bytes".into())
                    .hint("this is no CSV, or one in another encoding: save it as CSV in UTF-8")
            })?;
            header.push(text.trim().to_string());
        }
        Ok(header)
    }

    fn check_header(&self) -> Result<()> {
        for (i, name) in self.header.iter().enumerate() {
            if !name.is_empty() && self.header.iter().take(i).any(|earlier| earlier == name) {
                let what = format!("the column {} stands twice", shown_header(name));
                let twice = Error::in_file(&self.name, what).at_line(1);
                return Err(twice.hint("rename or remove one of them"));
            }
        }
        Ok(())
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
        Ok(self.advance()?.map(|line| Row {
            line,
            header: &self.header,
            record: &self.record,
        }))
    }

    fn advance(&mut self) -> Result<Option<u64>> {
        self.csv.get_mut().since_row = 0;
        let begins = self.csv.position().line();
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
        ends.saturating_sub(within.count() as u64)
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
