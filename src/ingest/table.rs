//! Tables of any kind as rows of cells that know their place.
//!
//! In: bytes of delimited text, a workbook, Parquet or Arrow. Out: [`Table`]: a header whose columns are found by the
//! contract's names, and one [`Row`] after the other. Memory is bounded whatever the file holds: no row of text may be longer
//! than [`LONGEST_ROW`], be it one endless line or a quote that is never closed; [`grid`] bounds the others. Columns that may
//! identify a person are named in a notice and never read.

use super::Source;
use super::cell;
use super::civil::{Civil, Order, civil};
use super::dress::{Dress, UnitRow};
use super::frame::Frame;
use super::grid::{self, Grid, Opened};
use super::names::{identifies, nearest, shown_header};
use super::numbers::{Figure, Numbers};
use super::sheet::Wanted;
use super::unit::Unit;
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
    rows: Rows<'a>,
    record: ByteRecord,
    /// For each cell whether it is a value, rather than text in the file's way of writing; empty where all are text.
    typed: Vec<bool>,
    /// Columns that were asked for: the others are dropped unread or unknown.
    wanted: Vec<usize>,
    /// Lines above the header.
    above: u64,
    /// Line of the header.
    header_at: u64,
    /// Rows that are no data where they come again: the header, and the units below it.
    again: Vec<ByteRecord>,
    /// The row of units, where it is to be believed.
    units: Option<Vec<String>>,
    /// What separates cells of a text.
    delimiter: u8,
    /// Line of the row at hand.
    at: u64,
    /// Line of a row that may begin a quote that is never closed.
    open_quote: Option<u64>,
    /// Whether rows without anything are passed over.
    skips_empty: bool,
}

/// Where rows come from.
enum Rows<'a> {
    Text(Box<csv::Reader<Bounded<Box<dyn Read + 'a>>>>),
    Grid(Box<dyn Grid<'a> + 'a>),
}

/// One row of a table.
pub(super) struct Row<'t> {
    /// Line in the file, from 1, header included.
    pub(super) line: u64,
    header: &'t [String],
    record: &'t ByteRecord,
    typed: &'t [bool],
    /// Whether cells go by letters, as in a sheet.
    by_letters: bool,
}

impl<'a> Table<'a> {
    /// Reads the header of a table in the contract's dress. Names are compared without regard to case. Of a workbook with
    /// several sheets, the one called like the file's role is meant.
    pub(super) fn open(source: Source<'a>, role: &str) -> Result<Self> {
        let mut table = Self::begin(source, &Dress::contract(), role)?;
        table.header_as_written = table.header_texts()?;
        let written = table.header_as_written.iter();
        table.header = written.map(|h| h.to_ascii_lowercase()).collect();
        let mut seen = HashSet::new();
        let mut named = table.header.iter().filter(|name| !name.is_empty());
        if let Some(name) = named.find(|name| !seen.insert(name.as_str())) {
            let what = format!("the column {} stands twice", shown_header(name));
            let twice = Error::in_file(&table.name, what).at_line(table.header_at);
            return Err(twice.hint("rename or remove one of them, or have `patency map` propose how the file is to be read"));
        }
        Ok(table)
    }

    /// Reads the header of a table in another dress. Names stand as written; one that stands twice becomes `name #2`,
    /// an empty one `#5` by its place. Where the header comes again among the rows it is passed over.
    pub(super) fn open_dressed(source: Source<'a>, dress: &Dress, role: &str) -> Result<Self> {
        let mut table = Self::begin(source, dress, role)?;
        table.header_as_written = table.header_texts()?;
        table.header = distinct(&table.header_as_written);
        table.again.push(table.record.clone());
        table.skips_empty = true;
        if !table.is_of_columns() {
            table.pass_units(dress)?;
        }
        Ok(table)
    }

    /// Passes over what stands between the header and the first row.
    fn pass_units(&mut self, dress: &Dress) -> Result<()> {
        let below = matches!(dress.unit_row, UnitRow::Below | UnitRow::Ignored);
        if below && let Some(line) = self.advance()? {
            let texts: Vec<String> = self.record.iter().map(cell::text).collect();
            let mut units = texts.iter().map(|cell| Unit::in_cell(cell.trim()));
            if units.all(|unit| unit.is_none()) {
                return Err(Error::in_file(&self.name, "expected the row of units, found a row without any")
                    .at_line(line)
                    .hint("this export is not like the one the mapping was made of: make it anew with `patency map`, or take `unit_row` out of it"));
            }
            if dress.unit_row == UnitRow::Below {
                self.units = Some(texts);
            }
            self.again.push(self.record.clone());
        }
        while dress.first_row.is_some_and(|first| self.at + 1 < first) && self.advance()?.is_some()
        {
        }
        Ok(())
    }

    /// The unit that the row of units or the header states for a column, and where it stands.
    pub(super) fn stated_unit(&self, column: usize) -> Option<(Unit, String, u64)> {
        let cell = self.units.as_ref().and_then(|units| units.get(column));
        if let Some(unit) = cell.and_then(|cell| Unit::in_cell(cell.trim())) {
            return Some((unit, "the row of units".into(), self.header_at + 1));
        }
        let (unit, _) = Unit::in_header(self.header.get(column)?)?;
        Some((unit, "the header".into(), self.header_at))
    }

    /// Whether a row of units is read and believed.
    pub(super) fn has_units(&self) -> bool {
        self.units.is_some()
    }

    /// Whether the table is one of columns with names (Parquet, Arrow), which has no row but data.
    fn is_of_columns(&self) -> bool {
        matches!(&self.rows, Rows::Grid(grid) if grid.sheet().is_none())
    }

    fn by_letters(&self) -> bool {
        matches!(&self.rows, Rows::Grid(grid) if grid.sheet().is_some())
    }

    /// A column as errors call it: its header and, in a sheet, its letters.
    pub(super) fn column_name(&self, column: usize) -> String {
        let header = self.header.get(column).cloned().unwrap_or_default();
        match self.by_letters() {
            true => format!("{header} ({})", grid::letters(column)),
            false => header,
        }
    }

    /// Whether the column counts time in seconds, as durations of a sheet do.
    pub(super) fn counts_seconds(&self, column: usize) -> bool {
        matches!(&self.rows, Rows::Grid(grid) if grid.counts_seconds(column))
    }

    fn begin(source: Source<'a>, dress: &Dress, role: &str) -> Result<Self> {
        let wanted = Wanted {
            sheet: dress.sheet.as_deref(),
            role,
            hidden: false,
        };
        let mut name = source.name.to_path_buf();
        let mut above = dress.header_line.saturating_sub(1);
        let mut units = None;
        let rows = match grid::open(source, &wanted)? {
            Opened::Text(reader) => {
                let mut reader = lone_returns(dress.encoding.decoded(reader));
                if let UnitRow::At(line) = dress.unit_row
                    && line <= above
                {
                    reader = below_lines(reader, line - 1, &name)?;
                    let (cells, rest) = first_line(reader, dress.delimiter, &name)?;
                    units = Some(cells);
                    reader = below_lines(rest, above - line, &name)?;
                } else if 0 < above {
                    reader = below_lines(reader, above, &name)?;
                }
                let csv = csv::ReaderBuilder::new()
                    .has_headers(false)
                    .flexible(true)
                    .delimiter(dress.delimiter)
                    .buffer_capacity(BUFFER)
                    .from_reader(Bounded::new(reader));
                Rows::Text(Box::new(csv))
            }
            Opened::Grid(grid) => {
                match grid.sheet() {
                    Some(sheet) => name.as_mut_os_string().push(format!(" (sheet {sheet})")),
                    // A table of columns has its names apart: nothing stands above them.
                    None => above = 0,
                }
                Rows::Grid(grid)
            }
        };
        let mut table = Self {
            name,
            header: Vec::new(),
            header_as_written: Vec::new(),
            rows,
            record: ByteRecord::new(),
            typed: Vec::new(),
            wanted: Vec::new(),
            above,
            header_at: above + 1,
            again: Vec::new(),
            units,
            delimiter: dress.delimiter,
            at: 0,
            open_quote: None,
            skips_empty: false,
        };
        let mut header = table.advance()?;
        if let Rows::Grid(_) = table.rows {
            while header.is_some_and(|line| line <= above) {
                header = table.advance()?;
            }
        }
        match header {
            Some(line) => {
                table.header_at = line;
                Ok(table)
            }
            None => {
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
                Err(Error::in_file(&table.name, what).hint(hint))
            }
        }
    }

    fn header_texts(&self) -> Result<Vec<String>> {
        let at_header = |what: &str| Error::in_file(&self.name, what).at_line(self.header_at);
        let text = |cell: &[u8]| {
            if cell.contains(&0) {
                return Err(at_header("expected text, found a NUL byte")
                    .hint("this is no CSV, or one in UTF-16: save it as CSV in UTF-8, or have `patency map` propose how it is to be read"));
            }
            let text = std::str::from_utf8(cell).map_err(|_| {
                at_header("expected UTF-8 text, found other bytes")
                    .hint("this is no CSV, or one in another encoding: save it as CSV in UTF-8, or have `patency map` propose how it is to be read")
            })?;
            Ok(text.trim().to_string())
        };
        self.record.iter().map(text).collect()
    }

    /// The place of a column, if the table has it.
    ///
    /// # Errors
    /// A column of a kind that cannot be read.
    pub(super) fn find(&mut self, column: &str) -> Result<Option<usize>> {
        let found = self.header.iter().position(|h| h == column);
        if let (Rows::Grid(grid), Some(at)) = (&self.rows, found)
            && let Some(kind) = grid.unread(at)
        {
            let what = format!("expected text, numbers or moments, found {kind}");
            return Err(Error::in_file(&self.name, what)
                .in_column(column)
                .hint("write the table again with this column as one of those, or as CSV"));
        }
        self.wanted.extend(found);
        Ok(found)
    }

    /// The place of a column that must be there.
    pub(super) fn require(&mut self, column: &str) -> Result<usize> {
        self.find(column)?.ok_or_else(|| self.no_column(column))
    }

    fn no_column(&self, column: &str) -> Error {
        let error = Error::in_file(&self.name, format!("there is no column `{column}`"))
            .at_line(self.header_at);
        let other = [(";", "semicolons"), ("\t", "tabs"), ("|", "bars")];
        if let [only] = self.header.as_slice()
            && let Some((_, what)) = other.iter().find(|(sign, _)| only.contains(sign))
        {
            return error.hint(format!(
                "the cells seem to be separated by {what}; separate them by commas, or have `patency map` propose how the file is to be read"
            ));
        }
        const KNOWN: [&str; 4] = ["time", "channel", "pressure_mmhg", "rate_ml_h"];
        let foreign = KNOWN.contains(&column);
        // A first line that is no header may say `Patient` and then who it is.
        let before = std::iter::once("").chain(self.header.iter().map(String::as_str));
        let harmless = self.header.iter().zip(before);
        let harmless = harmless.filter(|(h, before)| !identifies(h) && !identifies(before));
        let named = harmless.map(|(h, _)| h).filter(|h| !h.is_empty());
        let list: Vec<String> = named.clone().take(20).map(|h| shown_header(h)).collect();
        let all = self.header.iter().filter(|h| !h.is_empty()).count();
        let more = match list.len() {
            0 => 0,
            n => all.saturating_sub(n),
        };
        let more = match more {
            0 => String::new(),
            n => format!(" and {n} more"),
        };
        let meant = nearest(column, named.map(String::as_str)).map_or_else(String::new, |near| {
            format!("; rename {}?", shown_header(near))
        });
        let map = match foreign {
            true => "; `patency map` proposes how an export of another form is to be read",
            false => "",
        };
        let list = match list.is_empty() {
            true => "nothing that can be shown".to_string(),
            false => list.join(", "),
        };
        error.hint(format!("the header has {list}{more}{meant}{map}"))
    }

    /// What a reader must know about the columns that nobody asked for.
    pub(super) fn notices(&self) -> Vec<Notice> {
        let left = self.header.iter().enumerate();
        let left = left.filter(|(i, name)| !self.wanted.contains(i) && !name.is_empty());
        let (dropped, ignored): (Vec<String>, Vec<String>) = left
            .map(|(_, name)| name.clone())
            .partition(|n| identifies(n));
        let mut notices = Vec::new();
        if let Rows::Grid(grid) = &self.rows
            && let Some(rows) = grid.full()
        {
            notices.push(Notice::SheetFull { rows });
        }
        if !dropped.is_empty() {
            notices.push(Notice::IdentityColumnsDropped { columns: dropped });
        }
        if !ignored.is_empty() {
            notices.push(Notice::ColumnsIgnored { columns: ignored });
        }
        notices
    }

    /// The table of columns that this is, where it is one.
    pub(super) fn frame(&mut self) -> Option<&mut Frame<'a>> {
        match &mut self.rows {
            Rows::Grid(grid) => grid.frame(),
            Rows::Text(_) => None,
        }
    }

    /// The next row; blank lines are skipped.
    pub(super) fn next_row(&mut self) -> Result<Option<Row<'_>>> {
        let mut line = self.advance()?;
        while line.is_some() && (self.again.contains(&self.record) || self.is_empty_row()) {
            line = self.advance()?;
        }
        let by_letters = self.by_letters();
        Ok(line.map(|line| Row {
            line,
            header: &self.header,
            record: &self.record,
            typed: &self.typed,
            by_letters,
        }))
    }

    /// Whether the row has separators and nothing else, as spreadsheets leave them below a table.
    fn is_empty_row(&self) -> bool {
        self.skips_empty && self.record.iter().all(|c| c.trim_ascii().is_empty())
    }

    /// Finds a quote that was opened and never closed: it swallows lines of the table. `line` is that of the row at hand.
    fn check_quotes(&mut self, line: u64) -> Result<()> {
        self.open_quote = None;
        let wants = self.header.len();
        let breaks = self.record.as_slice().contains(&b'\n');
        if wants < 2 || !(breaks || self.record.len() < wants) {
            return Ok(());
        }
        let separators = |text: &[u8]| text.iter().filter(|b| **b == self.delimiter).count();
        for cell in &self.record {
            if cell.contains(&b'\n')
                && cell
                    .split(|b| *b == b'\n')
                    .skip(1)
                    .any(|text| wants - 1 <= separators(text))
            {
                return Err(self.never_closed(line));
            }
            if cell.last() == Some(&b'\n') || 0 < separators(cell) {
                self.open_quote = Some(line);
            }
        }
        Ok(())
    }

    fn never_closed(&self, line: u64) -> Error {
        let what = "a quote (\") is opened in this line and closed nowhere in it: the lines below it are lost within one cell";
        Error::in_file(&self.name, what)
            .at_line(line)
            .hint("take the quote out, or close it within its cell")
    }

    fn advance(&mut self) -> Result<Option<u64>> {
        let line = self.advance_unchecked()?;
        self.at = line.unwrap_or(self.at);
        if let (Some(line), Rows::Text(_)) = (line, &self.rows) {
            self.check_quotes(line)?;
        } else if let Some(line) = self.open_quote.take() {
            return Err(self.never_closed(line));
        }
        Ok(line)
    }

    fn advance_unchecked(&mut self) -> Result<Option<u64>> {
        match &mut self.rows {
            Rows::Grid(grid) => grid.next(&mut self.record, &mut self.typed),
            Rows::Text(csv) => {
                csv.get_mut().since_row = 0;
                let begins = self.above + csv.position().line();
                match csv.read_byte_record(&mut self.record) {
                    Ok(false) => Ok(None),
                    Ok(true) => Ok(Some(self.above + line_of(&self.record, csv))),
                    Err(error) => Err(self.cannot(&error, begins)),
                }
            }
        }
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

/// The line in which the record just read begins. The reader's own count stands at the blank lines before it, and one
/// short where lines end in CR LF, whose LF it has not yet taken.
fn line_of<R: Read>(record: &ByteRecord, csv: &csv::Reader<Bounded<R>>) -> u64 {
    let after = csv.position();
    let took_line_end = csv.get_ref().before(after.byte()) == Some(b'\n');
    let ends = after.line() - u64::from(took_line_end && 1 < after.line());
    let within = record.as_slice().iter().filter(|b| **b == b'\n');
    ends.saturating_sub(within.count() as u64)
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

/// The cells of the first line, and what follows it.
fn first_line<'a>(
    reader: Box<dyn Read + 'a>,
    delimiter: u8,
    name: &Path,
) -> Result<(Vec<String>, Box<dyn Read + 'a>)> {
    let mut reader = io::BufReader::with_capacity(BUFFER, reader);
    let mut line = Vec::new();
    let mut limited = (&mut reader).take(LONGEST_ROW as u64);
    limited
        .read_until(b'\n', &mut line)
        .map_err(|e| cannot_read(name, &e))?;
    let cells = line.split(|b| *b == delimiter).map(cell::text);
    let cells = cells.map(|c| c.trim().trim_matches('"').to_string());
    Ok((cells.collect(), Box::new(reader)))
}

/// Lines that end in CR alone, as old programs write them, end in LF; any other text stays as it is.
fn lone_returns<'a>(reader: Box<dyn Read + 'a>) -> Box<dyn Read + 'a> {
    Box::new(LoneReturns {
        inner: reader,
        are_ends: None,
    })
}

struct LoneReturns<R> {
    inner: R,
    /// Whether the text has CR and no LF, as far as its beginning tells.
    are_ends: Option<bool>,
}

impl<R: Read> Read for LoneReturns<R> {
    fn read(&mut self, into: &mut [u8]) -> io::Result<usize> {
        let got = self.inner.read(into)?;
        let read = into.get_mut(..got).unwrap_or_default();
        let are_ends = match self.are_ends {
            Some(known) => known,
            None => {
                let ends = read.iter().any(|b| matches!(b, b'\r' | b'\n'));
                let are_ends = !read.contains(&b'\n') && read.contains(&b'\r');
                // A CR at the very end may be half of a CR LF.
                let whole =
                    !are_ends || read.iter().rposition(|b| *b == b'\r') < read.len().checked_sub(1);
                if ends && whole {
                    self.are_ends = Some(are_ends);
                }
                are_ends && whole
            }
        };
        if are_ends {
            read.iter_mut()
                .filter(|b| **b == b'\r')
                .for_each(|b| *b = b'\n');
        }
        Ok(got)
    }
}

/// Names that can be told apart, each on one line: headers of workbooks are often broken into several.
pub(super) fn distinct(texts: &[String]) -> Vec<String> {
    let mut seen: HashMap<String, usize> = HashMap::new();
    let named = texts.iter().enumerate();
    named
        .map(|(i, text)| {
            let parts = text.split(char::is_control).map(str::trim);
            let parts: Vec<&str> = parts.filter(|part| !part.is_empty()).collect();
            let text = parts.join(" ");
            if text.is_empty() {
                return format!("#{}", i + 1);
            }
            let times = seen.entry(text.clone()).or_default();
            *times += 1;
            match *times {
                1 => text,
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

    /// Whether a cell is a value, which no knowledge of the file's way of writing is needed for.
    pub(super) fn is_value(&self, column: usize) -> bool {
        self.typed.get(column).copied().unwrap_or(false)
    }

    /// A cell as a number, in the file's way of writing.
    pub(super) fn figure(
        &self,
        column: usize,
        numbers: &Numbers,
    ) -> std::result::Result<Figure, &'static str> {
        match (self.is_value(column), self.cell(column)) {
            (false, cell) => numbers.figure(cell),
            (true, b"") => Ok(Figure::Empty),
            (true, cell) => super::numbers::as_value(cell).map(|x| numbers.measured(x)),
        }
    }

    /// A cell that must hold a number.
    pub(super) fn plain(
        &self,
        column: usize,
        numbers: &Numbers,
    ) -> std::result::Result<f64, &'static str> {
        match self.is_value(column) {
            false => numbers.plain(self.cell(column)),
            true => super::numbers::as_value(self.cell(column)),
        }
    }

    /// A cell as a length of time in hours, minutes and seconds: `26:00:30.5`.
    pub(super) fn lapse_s(&self, column: usize) -> Option<f64> {
        super::numbers::lapse_s(self.cell(column))
    }

    /// A cell as date, time of day or both, in the file's order of their parts.
    pub(super) fn civil(
        &self,
        column: usize,
        order: Order,
    ) -> std::result::Result<Civil, &'static str> {
        let order = if self.is_value(column) {
            Order::Ymd
        } else {
            order
        };
        civil(self.cell(column), order)
    }

    /// Where the row is a header once more, but another one: the first column whose name is not the same. Such a row has words
    /// where the others have times and figures.
    pub(super) fn another_header(&self) -> Option<&str> {
        let wants = self.header.len();
        let filled = || {
            self.record
                .iter()
                .map(<[u8]>::trim_ascii)
                .filter(|c| !c.is_empty())
        };
        let is_word = |cell: &[u8]| {
            let text = String::from_utf8_lossy(cell);
            let digits = text.chars().filter(char::is_ascii_digit).count();
            text.chars().any(char::is_alphabetic) && 2 * digits < text.chars().count()
        };
        let like_one = 2 <= wants
            && self.record.len().abs_diff(wants) <= 1
            && wants <= 2 * filled().count()
            && 2 <= filled().count()
            && filled().all(is_word);
        let known = |cell: &[u8]| {
            let text = String::from_utf8_lossy(cell);
            Unit::in_header(&text).is_some()
                || self.header.iter().any(|h| h.eq_ignore_ascii_case(&text))
        };
        if !like_one || !filled().any(known) {
            return None;
        }
        let mut pairs = self.header.iter().zip(self.record.iter());
        let other = |(name, cell): &(&String, &[u8])| {
            !name.as_bytes().eq_ignore_ascii_case(cell.trim_ascii())
        };
        pairs.find(other).map(|(name, _)| name.as_str())
    }

    /// A row must have the header's cells: a row cut short may have lost the end of a number, and one too long may
    /// have a number torn in two by its comma. Empty cells at the end do no harm.
    pub(super) fn check_width(&self) -> std::result::Result<(), Fault> {
        let (has, wants) = (self.record.len(), self.header.len());
        if self.by_letters {
            // Every row of a sheet is as wide as the sheet: a line of text above or below the table shows by its one cell.
            let filled = self.record.iter().filter(|c| !c.trim_ascii().is_empty());
            let has = filled.count();
            return match has == 1 && 2 < wants {
                true => Err(Fault::of_row(format!(
                    "1 cell where the header has {wants}"
                ))),
                false => Ok(()),
            };
        }
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
        Err(Fault::of_row(format!(
            "{has} cells where the header has {wants}"
        )))
    }

    /// What to show of a row that cannot be used.
    pub(super) fn rejected(&self, fault: Fault) -> RejectedRow {
        let name = fault.column.and_then(|c| self.header.get(c));
        let shows_nobody = |c: &usize| !self.header.get(*c).is_some_and(|name| identifies(name));
        let shown = fault.column.filter(shows_nobody);
        let cell = shown.map_or(&[][..], |c| self.cell(c));
        let place = fault.column.filter(|_| self.by_letters);
        let reason = place.map_or_else(
            || fault.reason.to_string(),
            |c| format!("{} (cell {}{})", fault.reason, grid::letters(c), self.line),
        );
        RejectedRow {
            line: self.line,
            column: name.map_or_else(|| WHOLE_ROW.into(), String::clone),
            value: shown_cell(cell),
            reason,
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

impl Fault {
    /// A fault of the row as a whole.
    fn of_row(reason: String) -> Self {
        Self {
            column: None,
            reason: reason.into(),
        }
    }
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
