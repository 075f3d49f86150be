//! Spreadsheets as rows of cells: `.xlsx`, `.xls`, `.ods`.
//!
//! In: the bytes of a workbook and the sheet that is meant. Out: [`Sheet`]. Dates are written year first, whatever the
//! workbook counts them from (1900 or 1904), to the millisecond: programs keep no more. Durations become seconds. Hidden
//! sheets, comments and the document's properties are not read but by the scan for what may identify somebody. Memory is bounded: what a zip unpacks to is counted first
//! ([`super::unzip`]), and cells are kept as they come, not as the rectangle that one stray cell would span.

use super::chains;
use super::grid::Grid;
use super::guard::guarded;
use super::sheet_cells::{Cells, Kind, Value};
use super::unzip::{self, Zipped};
use crate::error::{Error, Result};
use calamine::{Data, DataRef, Reader, SheetType, SheetVisible, Xls, Xlsb, Xlsx};
use csv::ByteRecord;
use std::io::Cursor;
use std::path::Path;

/// Most cells kept: a full sheet of nineteen columns.
const MOST_CELLS: usize = 20_000_000;
/// Most columns: a table of logs has dozens.
const MOST_COLUMNS: u32 = 1024;
/// Rows of a sheet: ECMA-376 part 1, 18.3.1.73; OpenDocument programs keep to it (seen in the reading library).
const ROWS: u64 = 1_048_576;
/// Rows of an old sheet, whose rows are numbered by 16 bits (from memory).
const ROWS_OLD: u64 = 65_536;

/// Which sheet is meant.
#[derive(Debug, Clone, Copy, Default)]
pub(super) struct Wanted<'w> {
    /// The one of this name.
    pub(super) sheet: Option<&'w str>,
    /// Else, of several, the one called like this.
    pub(super) role: &'w str,
    /// Whether hidden sheets count, too.
    pub(super) hidden: bool,
}

/// A sheet's cells, handed out row by row.
pub(super) struct Sheet {
    name: String,
    rows: <Cells as IntoIterator>::IntoIter,
    kinds: Vec<Kind>,
    full: Option<u64>,
    text: String,
}

impl Sheet {
    /// Reads one sheet of a workbook.
    pub(super) fn read(file: &Path, bytes: Vec<u8>, wanted: &Wanted) -> Result<Self> {
        let zipped = bytes.starts_with(b"PK").then(|| unzip::look(file, &bytes));
        let zipped = zipped.transpose()?;
        let book = Book { file, wanted };
        if zipped.is_none() && !chains::are_sound(&bytes) {
            return Err(book.broken("its parts contradict each other"));
        }
        let read = guarded(|| {
            let bytes = Cursor::new(bytes);
            match zipped {
                Some(Zipped::Xlsx) => book.xlsx(bytes),
                Some(Zipped::Ods) => book.other(calamine::Ods::new(bytes)),
                Some(Zipped::Xlsb) => book.other(Xlsb::new(bytes)),
                None => book.other(Xls::new(bytes)),
            }
        });
        let (name, cells) =
            read.unwrap_or_else(|| Err(book.broken("its parts contradict each other")))?;
        let most_rows = if zipped.is_none() { ROWS_OLD } else { ROWS };
        Ok(Self::of(name, cells, most_rows))
    }

    /// The names of all sheets of a workbook, and which of them are hidden.
    pub(super) fn listed(file: &Path, bytes: &[u8]) -> Result<Vec<(String, bool)>> {
        let zipped = bytes.starts_with(b"PK").then(|| unzip::look(file, bytes));
        let zipped = zipped.transpose()?;
        let wanted = Wanted::default();
        let book = Book {
            file,
            wanted: &wanted,
        };
        if zipped.is_none() && !chains::are_sound(bytes) {
            return Err(book.broken("its parts contradict each other"));
        }
        let read = guarded(|| {
            let bytes = Cursor::new(bytes.to_vec());
            match zipped {
                Some(Zipped::Xlsx) => book.names(Xlsx::new(bytes)),
                Some(Zipped::Ods) => book.names(calamine::Ods::new(bytes)),
                Some(Zipped::Xlsb) => book.names(Xlsb::new(bytes)),
                None => book.names(Xls::new(bytes)),
            }
        });
        read.unwrap_or_else(|| Err(book.broken("its parts contradict each other")))
    }

    fn of(name: String, cells: Cells, most_rows: u64) -> Self {
        let last_row = cells
            .keys()
            .next_back()
            .map_or(0, |row| u64::from(*row) + 1);
        Self {
            name,
            kinds: Kind::of_columns(&cells),
            rows: cells.into_iter(),
            full: (most_rows <= last_row).then_some(most_rows),
            text: String::new(),
        }
    }
}

impl Grid<'_> for Sheet {
    fn next(&mut self, cells: &mut ByteRecord, typed: &mut Vec<bool>) -> Result<Option<u64>> {
        cells.clear();
        typed.clear();
        let Some((row, mut filled)) = self.rows.next() else {
            return Ok(None);
        };
        filled.sort_by_key(|(column, _)| *column);
        let mut filled = filled.iter().peekable();
        for (column, kind) in (0_u32..).zip(&self.kinds) {
            self.text.clear();
            let mut is_value = false;
            while let Some((_, value)) = filled.next_if(|(at, _)| *at <= column) {
                self.text.clear();
                is_value = value.write(kind, &mut self.text);
            }
            cells.push_field(self.text.as_bytes());
            typed.push(is_value);
        }
        Ok(Some(u64::from(row) + 1))
    }

    fn sheet(&self) -> Option<&str> {
        Some(&self.name)
    }

    fn counts_seconds(&self, column: usize) -> bool {
        self.kinds.get(column).is_some_and(Kind::counts_seconds)
    }

    fn full(&self) -> Option<u64> {
        self.full
    }
}

/// A workbook being read.
struct Book<'b> {
    file: &'b Path,
    wanted: &'b Wanted<'b>,
}

impl Book<'_> {
    fn broken(&self, why: &str) -> Error {
        Error::in_file(self.file, format!("cannot be read as a spreadsheet: {why}"))
            .hint("save it again without a password, or export it as CSV")
    }

    fn too_large(&self, sheet: &str, what: String) -> Error {
        Error::in_file(self.file, format!("expected a table in sheet `{sheet}`, found {what}"))
            .hint("remove what stands beside and below the table, or export it as CSV: text of any length is read")
    }

    /// The names of the sheets that a reader of the workbook would see, or of all.
    fn visible<B: Reader<Cursor<Vec<u8>>>>(&self, book: &B) -> Vec<String> {
        let shown = sheets(book).filter(|(_, hidden)| self.wanted.hidden || !hidden);
        shown.map(|(name, _)| name.to_string()).collect()
    }

    fn names<B, E>(&self, opened: std::result::Result<B, E>) -> Result<Vec<(String, bool)>>
    where
        B: Reader<Cursor<Vec<u8>>, Error = E>,
        E: std::fmt::Display + std::fmt::Debug,
    {
        let book = opened.map_err(|e| self.broken(&e.to_string()))?;
        let all = sheets(&book).map(|(name, hidden)| (name.to_string(), hidden));
        Ok(all.collect())
    }

    fn xlsx(&self, bytes: Cursor<Vec<u8>>) -> Result<(String, Cells)> {
        let mut book = Xlsx::new(bytes).map_err(|e| self.broken(&e.to_string()))?;
        let visible = self.visible(&book);
        self.choose(&visible, |sheet| {
            let broken = |e: calamine::XlsxError| self.broken(&e.to_string());
            let mut reader = book.worksheet_cells_reader(sheet).map_err(broken)?;
            let (mut cells, mut count) = (Cells::new(), 0);
            while let Some(cell) = reader.next_cell().map_err(broken)? {
                let value = match cell.get_value() {
                    DataRef::SharedString(text) => Value::text(text),
                    other => Value::of(&Data::from(other.clone())),
                };
                self.keep(&mut cells, &mut count, sheet, cell.get_position(), value)?;
            }
            Ok(cells)
        })
    }

    fn other<B, E>(&self, opened: std::result::Result<B, E>) -> Result<(String, Cells)>
    where
        B: Reader<Cursor<Vec<u8>>, Error = E>,
        E: std::fmt::Display + std::fmt::Debug,
    {
        let mut book = opened.map_err(|e| self.broken(&e.to_string()))?;
        let visible = self.visible(&book);
        self.choose(&visible, |sheet| {
            let range = book.worksheet_range(sheet);
            let range = range.map_err(|e| self.broken(&e.to_string()))?;
            let (top, left) = range.start().unwrap_or((0, 0));
            let (mut cells, mut count) = (Cells::new(), 0);
            for (row, column, data) in range.used_cells() {
                let at = |offset: usize, from: u32| {
                    u32::try_from(offset).map_or(u32::MAX, |o| from.saturating_add(o))
                };
                let place = (at(row, top), at(column, left));
                self.keep(&mut cells, &mut count, sheet, place, Value::of(data))?;
            }
            Ok(cells)
        })
    }

    fn keep(
        &self,
        cells: &mut Cells,
        count: &mut usize,
        sheet: &str,
        (row, column): (u32, u32),
        value: Option<Value>,
    ) -> Result<()> {
        let Some(value) = value else {
            return Ok(());
        };
        *count += 1;
        if MOST_CELLS < *count {
            return Err(self.too_large(sheet, format!("more than {MOST_CELLS} cells")));
        }
        if MOST_COLUMNS <= column {
            return Err(self.too_large(sheet, format!("more than {MOST_COLUMNS} columns")));
        }
        cells.entry(row).or_default().push((column, value));
        Ok(())
    }

    /// The sheet that is meant: by its name, else by its role, else the only one that holds anything.
    fn choose(
        &self,
        visible: &[String],
        mut load: impl FnMut(&str) -> Result<Cells>,
    ) -> Result<(String, Cells)> {
        let listed = || {
            let names: Vec<String> = visible.iter().take(20).map(|n| format!("`{n}`")).collect();
            names.join(", ")
        };
        if let Some(wanted) = self.wanted.sheet {
            let found = visible.iter().find(|name| *name == wanted);
            let name = found.ok_or_else(|| {
                Error::in_file(
                    self.file,
                    format!("there is no sheet `{wanted}` to be seen"),
                )
                .hint(format!("the workbook shows {}", listed()))
            })?;
            return Ok((name.clone(), load(name)?));
        }
        let by_role = visible
            .iter()
            .find(|name| name.eq_ignore_ascii_case(self.wanted.role));
        if let Some(name) = by_role {
            return Ok((name.clone(), load(name)?));
        }
        let mut chosen: Option<(String, Cells)> = None;
        for name in visible {
            let cells = load(name)?;
            if cells.is_empty() {
                continue;
            }
            if chosen.is_some() {
                let role = self.wanted.role;
                return Err(Error::in_file(
                    self.file,
                    format!("expected one sheet, found several: {}", listed()),
                )
                .hint(format!(
                    "call the one with the {role} `{role}`, or name it: `patency map … --set {role}.sheet=NAME` writes a mapping that does"
                )));
            }
            chosen = Some((name.clone(), cells));
        }
        chosen.ok_or_else(|| {
            Error::in_file(
                self.file,
                "no sheet of the workbook holds anything to be seen",
            )
            .hint("hidden sheets are not read; show the one that is meant, or export it again")
        })
    }
}

/// The sheets of cells, and which of them are hidden.
fn sheets<B: Reader<Cursor<Vec<u8>>>>(book: &B) -> impl Iterator<Item = (&str, bool)> {
    let sheets = book.sheets_metadata().iter();
    let of_cells = sheets.filter(|s| matches!(s.typ, SheetType::WorkSheet));
    of_cells.map(|s| (s.name.as_str(), s.visible != SheetVisible::Visible))
}
