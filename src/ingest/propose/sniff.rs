//! What can be seen of a table without being told: encoding, delimiter, header, decimal sign.
//!
//! In: the first mebibytes of a text, or the first rows of a workbook or a table of columns. Out: [`Sample`]. Each finding
//! bears its reason; what two readings would both explain is left open.

use super::decimal::{Decimal, decimal};
use super::draft::Draft;
use super::shape::{
    HEADER_WITHIN, cells, delimiter, encoding, filled, header, header_of_sheet, is_unit_row,
};
use crate::error::{Error, Result};
use crate::ingest::Source;
use crate::ingest::civil::{Civil, Order, civil};
use crate::ingest::dress::Encoding;
use crate::ingest::grid::{self, Grid, Opened};
use crate::ingest::sheet::Wanted;
use crate::ingest::table::cannot_read;
use std::io::Read;
use std::ops::Deref;
use std::path::Path;

/// Bytes looked at.
const LOOKED_AT: u64 = 4 << 20;
/// Rows looked at.
const ROWS: usize = 5000;

/// The beginning of a table.
pub(super) struct Sample {
    pub(super) form: Form,
    /// From 1.
    pub(super) header_line: u64,
    pub(super) header: Vec<String>,
    pub(super) unit_row: Option<Vec<String>>,
    pub(super) rows: Vec<Vec<Cell>>,
    /// Columns that count time in seconds, as durations of a sheet do.
    pub(super) in_seconds: Vec<usize>,
    decimal: Decimal,
}

/// What the table comes in, and how that was seen.
pub(super) enum Form {
    /// Delimited text.
    Text {
        encoding: (Encoding, &'static str),
        delimiter: u8,
        delimiter_reason: String,
    },
    /// A workbook's sheet of this name.
    Sheet(String),
    /// Columns with names: Parquet, Arrow.
    Columns,
}

/// A cell's text, and whether it is a value, which no knowledge of the file's way of writing is needed for.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Cell {
    text: String,
    pub(super) is_value: bool,
}

impl Cell {
    pub(super) fn words(text: String) -> Self {
        Self {
            text,
            is_value: false,
        }
    }

    /// As date, time of day or both.
    pub(super) fn civil(&self, order: Order) -> std::result::Result<Civil, &'static str> {
        let order = if self.is_value { Order::Ymd } else { order };
        civil(self.text.as_bytes(), order)
    }

    /// Whether it reads the same in every order of day, month and year.
    pub(super) fn is_in_any_order(&self) -> bool {
        self.is_value
    }
}

impl Deref for Cell {
    type Target = str;

    fn deref(&self) -> &str {
        &self.text
    }
}

fn not_a_table(name: &Path, what: &str) -> Error {
    Error::in_file(name, what.to_string())
        .hint("a mapping is for tables: one row per line, cells separated alike, or a workbook")
}

fn no_header(name: &Path) -> Error {
    not_a_table(
        name,
        "no header is found: a line of names above rows with as many cells",
    )
}

impl Sample {
    /// Looks at a table; of a workbook with several sheets, the one named is meant, or else the one called like the role.
    pub(super) fn read(source: Source, wanted: &Wanted) -> Result<Self> {
        let name = source.name.to_path_buf();
        match grid::open(source, wanted)? {
            Opened::Text(reader) => Self::of_text(&name, reader),
            Opened::Grid(grid) => Self::of_grid(&name, grid),
        }
    }

    fn of_text(name: &Path, reader: Box<dyn Read + '_>) -> Result<Self> {
        let mut bytes = Vec::new();
        let taken = reader.take(LOOKED_AT).read_to_end(&mut bytes);
        taken.map_err(|e| cannot_read(name, &e))?;
        let encoding = encoding(&bytes);
        let mut text = String::new();
        let mut decoded = encoding.0.decoded(Box::new(bytes.as_slice()));
        let mut utf8 = Vec::new();
        decoded
            .read_to_end(&mut utf8)
            .map_err(|e| cannot_read(name, &e))?;
        text.push_str(String::from_utf8_lossy(&utf8).trim_start_matches('\u{feff}'));
        if LOOKED_AT <= bytes.len() as u64 {
            text.truncate(text.rfind('\n').unwrap_or(0)); // the last line is cut short
        }
        if text.trim().is_empty() {
            return Err(not_a_table(name, "the file is empty"));
        }
        if text.contains('\0') {
            return Err(not_a_table(name, "expected text, found NUL bytes"));
        }
        let lines: Vec<&str> = text.lines().take(ROWS + HEADER_WITHIN).collect();
        let (delimiter, delimiter_reason, width) = delimiter(&lines)
            .ok_or_else(|| not_a_table(name, "no separator divides the lines alike"))?;
        let cells: Vec<Vec<String>> = lines.iter().map(|line| cells(line, delimiter)).collect();
        let at = header(&cells, width).ok_or_else(|| no_header(name))?;
        let header = cells.get(at).cloned().unwrap_or_default();
        let rows = cells.into_iter().skip(at + 1);
        let rows = rows.map(|row| row.into_iter().map(Cell::words).collect());
        let form = Form::Text {
            encoding,
            delimiter,
            delimiter_reason,
        };
        Self::of(name, form, at as u64 + 1, header, rows.collect(), width)
    }

    fn of_grid(name: &Path, mut grid: Box<dyn Grid<'_> + '_>) -> Result<Self> {
        let form = match grid.sheet() {
            Some(sheet) => Form::Sheet(sheet.to_string()),
            None => Form::Columns,
        };
        let (mut record, mut typed) = (csv::ByteRecord::new(), Vec::new());
        let mut rows: Vec<(u64, Vec<Cell>)> = Vec::new();
        while rows.len() < ROWS + HEADER_WITHIN
            && let Some(line) = grid.next(&mut record, &mut typed)?
        {
            let cells = record.iter().zip(&typed).map(|(cell, is_value)| Cell {
                text: String::from_utf8_lossy(cell.trim_ascii()).into_owned(),
                is_value: *is_value && !cell.is_empty(),
            });
            rows.push((line, cells.collect()));
        }
        let at = match form {
            Form::Columns => 0,
            _ => header_of_sheet(&rows).ok_or_else(|| no_header(name))?,
        };
        let mut rows = rows.into_iter().skip(at);
        let (line, header) = rows
            .next()
            .ok_or_else(|| not_a_table(name, "the file is empty"))?;
        let header: Vec<String> = header.iter().map(|c| c.to_string()).collect();
        let rows = rows.map(|(_, row)| row);
        // A line of text above or below the table fills one cell.
        let width = header.len();
        let rows = rows.filter(|row| 1 < filled(row) || width < 3);
        let mut sample = Self::of(name, form, line, header, rows.collect(), width)?;
        sample.in_seconds = (0..width).filter(|c| grid.counts_seconds(*c)).collect();
        Ok(sample)
    }

    fn of(
        name: &Path,
        form: Form,
        header_line: u64,
        header: Vec<String>,
        mut rows: Vec<Vec<Cell>>,
        width: usize,
    ) -> Result<Self> {
        let unit_row = rows.first().filter(|row| is_unit_row(row)).cloned();
        if unit_row.is_some() {
            rows.remove(0);
        }
        let is_header = |row: &[Cell]| {
            row.len() == header.len() && row.iter().zip(&header).all(|(c, h)| **c == *h)
        };
        rows.retain(|row| {
            row.len() >= width.min(header.len())
                && !is_header(row)
                && Some(row) != unit_row.as_ref()
        });
        if rows.is_empty() {
            return Err(not_a_table(name, "there is a header but no row"));
        }
        let decimal = decimal(
            &rows,
            matches!(
                form,
                Form::Text {
                    delimiter: b',',
                    ..
                }
            ),
        );
        Ok(Self {
            form,
            header_line,
            header: names(&header),
            unit_row: unit_row.map(|row| row.iter().map(|c| c.to_string()).collect()),
            rows,
            in_seconds: Vec::new(),
            decimal,
        })
    }

    /// The cells of a column that are not empty.
    pub(super) fn column(&self, column: usize) -> impl Iterator<Item = &Cell> + Clone {
        let cells = self.rows.iter().filter_map(move |row| row.get(column));
        cells.filter(|cell| !cell.is_empty())
    }

    /// A cell as a number, by the decimal sign found or, where it is open, by either.
    pub(super) fn number(&self, cell: &Cell) -> Option<f64> {
        let (sign, mark) = match &self.decimal {
            _ if cell.is_value => ('.', None),
            Decimal::Known(sign, mark, _) => (*sign, *mark),
            Decimal::Open(_) => (',', None),
            Decimal::Unneeded => ('.', None),
        };
        let plain: String = cell
            .chars()
            .filter(|c| Some(*c) != mark)
            .map(|c| match c {
                c if c == sign => '.',
                '\u{2212}' => '-',
                c => c,
            })
            .collect();
        plain.parse().ok().filter(|x: &f64| x.is_finite())
    }

    /// Whether most cells of a column are numbers.
    pub(super) fn is_numeric(&self, column: usize) -> bool {
        let cells = self.column(column);
        let (mut numbers, mut all) = (0, 0);
        for cell in cells {
            all += 1;
            numbers += usize::from(self.number(cell).is_some());
        }
        0 < all && all <= 2 * numbers
    }

    pub(super) fn propose_decimal(&self, draft: &mut Draft) {
        match &self.decimal {
            Decimal::Unneeded => {}
            Decimal::Known(sign, mark, reason) => {
                draft.text(
                    "decimal",
                    if *sign == ',' { "comma" } else { "point" },
                    reason,
                );
                if let Some(mark) = mark {
                    draft.text(
                        "thousands",
                        &mark.to_string(),
                        "stands between groups of three digits",
                    );
                }
            }
            Decimal::Open(cell) => {
                let sign = if cell.contains(',') { "comma" } else { "point" };
                draft.ask(
                    "decimal",
                    &format!("`{cell}` may be one thousand and more, or one and a fraction: is the {sign} the decimal sign (`{sign}`)? If not, answer with the other one and give this as `thousands`"),
                );
            }
        }
    }
}

/// Names as [`crate::ingest::table::Table::open_dressed`] gives them.
fn names(header: &[String]) -> Vec<String> {
    crate::ingest::table::distinct(header)
}

#[cfg(test)]
mod tests {
    use super::*;
    use rstest::rstest;

    fn sample(bytes: &[u8]) -> Result<Sample> {
        let mut bytes = bytes;
        let source = Source {
            name: "x.csv".as_ref(),
            reader: &mut bytes,
        };
        Sample::read(source, &Wanted::default())
    }

    fn seen(sample: &Sample) -> (Encoding, u8) {
        match &sample.form {
            Form::Text {
                encoding,
                delimiter,
                ..
            } => (encoding.0, *delimiter),
            _ => panic!("no text"),
        }
    }

    #[test]
    fn sixteen_bit_text_without_a_mark_is_known_by_its_zeros() {
        // A general-purpose guesser takes it for western European text without complaint.
        let text = "time;p\n08:00;1\n08:01;2\n08:02;3\n";
        let bytes: Vec<u8> = text.encode_utf16().flat_map(u16::to_le_bytes).collect();
        assert_eq!(seen(&sample(&bytes).unwrap()).0, Encoding::UTF16_LE);
        let bytes: Vec<u8> = text.encode_utf16().flat_map(u16::to_be_bytes).collect();
        assert_eq!(seen(&sample(&bytes).unwrap()).0, Encoding::UTF16_BE);
        assert_eq!(
            seen(&sample(b"t;p \xb5\n1;2\n2;3\n").unwrap()).0,
            Encoding::WINDOWS_1252
        );
        assert_eq!(seen(&sample(text.as_bytes()).unwrap()).0, Encoding::UTF8);
    }

    #[rstest]
    #[case("a;b\n1,5;2\n1,7;3\n", b';', 1)]
    #[case("sep=|\na|b\n1|2\n", b'|', 2)]
    #[case("a\tb\n1\t2\n3\t4\n", b'\t', 1)]
    #[case(
        "Ward export\nfrom 1 to 2\n\na,b,c\n1,2,3\n4,5,6\n7,8,9\n1,2,3\n1,2,3\n",
        b',',
        4
    )]
    #[case(
        "Pump;x1\nSerial;77\nDate;2031\na;b;c\n1;2;3\n4;5;6\n4;5;6\n4;5;6\n4;5;6\n4;5;6\nend of page\n",
        b';',
        4
    )]
    fn delimiter_and_header_are_found(
        #[case] text: &str,
        #[case] delimiter: u8,
        #[case] line: u64,
    ) {
        let sample = sample(text.as_bytes()).unwrap();
        assert_eq!((seen(&sample).1, sample.header_line), (delimiter, line));
        assert_eq!(sample.header[0], "a");
    }

    #[test]
    fn a_row_of_units_is_no_row() {
        let sample = sample(b"t;p;r\n;[kPa];mL/h\n1;2;3\n4;5;6\n").unwrap();
        assert_eq!(sample.unit_row.unwrap(), ["", "[kPa]", "mL/h"]);
        assert_eq!(sample.rows.len(), 2);
    }

    #[rstest]
    #[case(b"")]
    #[case(b"just one column\n1\n2\n")]
    #[case(b"\x00\x01\x02\x03\x00\x05")]
    #[case(b"1;2\n3;4\n5;6\n")]
    fn what_is_no_table_with_names_is_refused(#[case] bytes: &[u8]) {
        assert!(sample(bytes).is_err());
    }
}
