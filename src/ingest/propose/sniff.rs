//! What can be seen of a table without being told: encoding, delimiter, header, decimal sign.
//!
//! In: the first mebibytes of a text, or the first rows of a workbook or a table of columns. Out: [`Sample`]. Each finding
//! bears its reason; what two readings would both explain is left open.

use super::decimal::{Decimal, decimal};
use super::draft::Draft;
use super::shape::{
    HEADER_WITHIN, ROWS, delimiter, encoding, filled, filled_forward, header, header_of_sheet,
    is_another_header, is_text_row, is_unit_row, names_below, only_units, open_quote, records,
};
use crate::error::{Error, Result};
use crate::ingest::Source;
use crate::ingest::civil::{Civil, Order, civil};
use crate::ingest::dress::Encoding;
use crate::ingest::grid::{self, Grid, Opened};
use crate::ingest::numbers::{Figure, Numbers, USUAL_MISSING, as_value};
use crate::ingest::sheet::Wanted;
use crate::ingest::table::cannot_read;
use std::io::Read;
use std::ops::Deref;
use std::path::Path;

/// Bytes looked at.
const LOOKED_AT: u64 = 4 << 20;

/// The beginning of a table.
pub(super) struct Sample {
    pub(super) form: Form,
    /// From 1.
    pub(super) header_line: u64,
    pub(super) header: Vec<String>,
    pub(super) unit_row: Option<Vec<String>>,
    /// Line of the row of units.
    pub(super) unit_line: u64,
    /// Names that stand above several columns each, by column.
    pub(super) groups: Option<Vec<String>>,
    /// Line of the first row, where lines of text stand between it and the header.
    pub(super) first_row: Option<u64>,
    pub(super) rows: Vec<Vec<Cell>>,
    /// Their lines.
    pub(super) lines: Vec<u64>,
    /// Columns that count time in seconds, as durations of a sheet do.
    pub(super) in_seconds: Vec<usize>,
    decimal: Decimal,
    /// How its numbers are read, as far as that is known.
    numbers: Numbers,
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
        .hint("this is no pump log in a table: one row per line, cells separated alike, or a workbook, is expected")
}

fn no_header(name: &Path) -> Error {
    not_a_table(
        name,
        "no header is found: a line of names above rows with as many cells",
    )
    .at_line(1)
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
        if !text.contains('\n') {
            text = text.replace('\r', "\n"); // lines that end in CR alone
        }
        let lines: Vec<&str> = text.lines().take(ROWS + HEADER_WITHIN).collect();
        let (delimiter, delimiter_reason, width) = delimiter(&lines)
            .ok_or_else(|| not_a_table(name, "no separator divides the lines alike").at_line(1))?;
        let records = records(&text, delimiter);
        if let Some(line) = open_quote(&records, width, delimiter) {
            return Err(not_a_table(
                name,
                "a quote (\") is opened in this line and closed nowhere in it",
            )
            .at_line(line)
            .hint("take the quote out, or close it within its cell"));
        }
        let (lines, cells): (Vec<u64>, Vec<Vec<String>>) = records.into_iter().unzip();
        let at = header(&cells, width).ok_or_else(|| no_header(name))?;
        let rows = lines.into_iter().zip(cells).skip(at.saturating_sub(1));
        let rows = rows.map(|(line, row)| (line, row.into_iter().map(Cell::words).collect()));
        let form = Form::Text {
            encoding,
            delimiter,
            delimiter_reason,
        };
        Self::of(name, form, rows.collect(), at.min(1), width)
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
        let width = rows.get(at).map_or(0, |(_, row)| row.len());
        // A line of text above or below the table fills one cell.
        let rows: Vec<(u64, Vec<Cell>)> = rows
            .into_iter()
            .skip(at)
            .enumerate()
            .filter(|(i, (_, row))| *i == 0 || 1 < filled(row) || width < 3)
            .map(|(_, row)| row)
            .collect();
        let mut sample = Self::of(name, form, rows, 0, width)?;
        sample.in_seconds = (0..width).filter(|c| grid.counts_seconds(*c)).collect();
        Ok(sample)
    }

    /// `rows` begin with the header or, where `at` is 1, with the row above it.
    fn of(
        name: &Path,
        form: Form,
        mut rows: Vec<(u64, Vec<Cell>)>,
        at: usize,
        width: usize,
    ) -> Result<Self> {
        let is_text = !matches!(form, Form::Columns);
        let above = rows.drain(..at.min(rows.len())).next();
        if rows.is_empty() {
            return Err(not_a_table(name, "the file is empty"));
        }
        let (mut header_line, mut header) = rows.remove(0);
        let (mut groups, mut unit_row) = (None, None);
        if is_text
            && let Some((_, next)) = rows.first()
            && names_below(&header, next)
        {
            let upper = std::mem::replace(&mut header, next.clone());
            header_line = rows.remove(0).0;
            groups = Some(filled_forward(&upper));
        }
        if is_text && rows.first().is_some_and(|(_, row)| is_unit_row(row)) {
            unit_row = Some(rows.remove(0));
        }
        let told = above.filter(|(_, row)| unit_row.is_none() && only_units(row));
        unit_row = unit_row.or(told);
        let mut first_row = None;
        while is_text
            && rows.len() > 1
            && rows.first().is_some_and(|(_, row)| is_text_row(row, width))
        {
            rows.remove(0);
            first_row = rows.first().map(|(line, _)| *line);
        }
        let header: Vec<String> = header.iter().map(|c| c.to_string()).collect();
        let units = unit_row.as_ref().map(|(_, row)| row.clone());
        let is_header = |row: &[Cell]| {
            row.len() == header.len() && row.iter().zip(&header).all(|(c, h)| **c == *h)
        };
        rows.retain(|(_, row)| {
            row.len() >= width.min(header.len())
                && row.iter().any(|c| !c.is_empty())
                && !is_header(row)
                && Some(row) != units.as_ref()
        });
        if rows.is_empty() {
            return Err(not_a_table(name, "there is a header but no row").at_line(header_line));
        }
        let wants = header.len();
        let is_other = |(_, row): &&(u64, Vec<Cell>)| is_another_header(row, &header);
        if let Some((line, _)) = rows.iter().find(is_other).filter(|_| is_text) {
            return Err(not_a_table(name, "another header stands here, with other names or units than the first one")
                .at_line(*line)
                .hint("what follows has other columns: cut the file here, and make a mapping of each part"));
        }
        // A cell too many has torn another one in two.
        let torn = |row: &[Cell]| row.iter().skip(wants).any(|c| !c.is_empty());
        let (too_long, rest): (Vec<_>, Vec<_>) =
            rows.into_iter().partition(|(_, row)| is_text && torn(row));
        if let Some((line, row)) = too_long
            .first()
            .filter(|_| rest.len() < 100 * too_long.len())
        {
            let found = row.len();
            return Err(not_a_table(name, &format!("{found} cells where the header has {wants}, as in {} of {} rows", too_long.len(), too_long.len() + rest.len()))
                .at_line(*line)
                .hint("a cell with a separator in it must stand in quotes: export the file with quotes, or with another separator"));
        }
        let rows = rest;
        let by_commas = matches!(
            form,
            Form::Text {
                delimiter: b',',
                ..
            }
        );
        let (lines, rows): (Vec<u64>, Vec<Vec<Cell>>) = rows.into_iter().unzip();
        let decimal = decimal(&rows, by_commas);
        Ok(Self {
            form,
            header_line,
            header: names(&header),
            unit_line: unit_row.as_ref().map_or(0, |(line, _)| *line),
            unit_row: unit_row.map(|(_, row)| row.iter().map(|c| c.to_string()).collect()),
            groups,
            first_row,
            rows,
            lines,
            in_seconds: Vec::new(),
            numbers: numbers(&decimal),
            decimal,
        })
    }

    /// Takes the user's answer for the decimal sign.
    pub(super) fn take_decimal(&mut self, answer: Option<&str>) {
        let sign = match answer {
            Some("point") => '.',
            Some("comma") => ',',
            _ => return,
        };
        self.numbers = match &self.decimal {
            Decimal::Open(cell) if !cell.contains(sign) => {
                let mark = if sign == ',' { '.' } else { ',' };
                numbers(&Decimal::Known(sign, Some(mark), String::new()))
            }
            _ => numbers(&Decimal::Known(sign, self.numbers.thousands, String::new())),
        };
    }

    /// The cells of a column that are not empty.
    pub(super) fn column(&self, column: usize) -> impl Iterator<Item = &Cell> + Clone {
        let cells = self.rows.iter().filter_map(move |row| row.get(column));
        cells.filter(|cell| !cell.is_empty())
    }

    /// Whether the newest row stands first, by the columns of its time.
    pub(super) fn runs_backwards(&self, times: &[usize]) -> bool {
        let moment = |row: &Vec<Cell>| -> Option<(Option<jiff::civil::Date>, f64)> {
            let cells = times.iter().filter_map(|c| row.get(*c));
            let mut moment = (None, 0.0);
            for cell in cells {
                let read = Order::WORDS
                    .iter()
                    .find_map(|(_, order)| cell.civil(*order).ok());
                match read {
                    Some(civil) => {
                        moment.0 = moment.0.or(civil.date);
                        moment.1 += civil.of_day_us.unwrap_or(0) as f64;
                    }
                    None => moment.1 += self.number(cell)?,
                }
            }
            Some(moment)
        };
        let moments: Vec<_> = self.rows.iter().filter_map(moment).collect();
        let steps = || moments.iter().zip(moments.iter().skip(1));
        let (back, on) = (
            steps().filter(|(a, b)| b < a),
            steps().filter(|(a, b)| a < b),
        );
        on.count() < back.count()
    }

    /// The cells of a column that are not empty, with their lines.
    pub(super) fn placed(&self, column: usize) -> impl Iterator<Item = (u64, &Cell)> + Clone {
        let rows = self.lines.iter().zip(&self.rows);
        let cells = rows.filter_map(move |(line, row)| Some((*line, row.get(column)?)));
        cells.filter(|(_, cell)| !cell.is_empty())
    }

    /// A cell as a number, as it will be read; where the decimal sign is open, the one that is asked about is taken.
    pub(super) fn number(&self, cell: &Cell) -> Option<f64> {
        if cell.is_value {
            return as_value(cell.as_bytes()).ok();
        }
        match self.numbers.figure(cell.as_bytes()) {
            Ok(Figure::Is(value)) => Some(value),
            Ok(Figure::Empty | Figure::Missing) => None,
            Err(_) => self.numbers.odd(cell.as_bytes()).map(|(value, _)| value),
        }
    }

    /// Whether a cell is one of the usual words for "not measured".
    pub(super) fn is_missing(&self, cell: &Cell) -> bool {
        self.numbers.figure(cell.as_bytes()) == Ok(Figure::Missing)
    }

    /// Whether most cells of a column are numbers.
    pub(super) fn is_numeric(&self, column: usize) -> bool {
        let cells = self.column(column).filter(|cell| !self.is_missing(cell));
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
                let (mark, sign, other) = match cell.contains(',') {
                    true => (",", "comma", "point"),
                    false => (".", "point", "comma"),
                };
                let is_mark = draft.peek("decimal") == Some(other);
                draft.ask(
                    "decimal",
                    &format!("`{cell}` may be one thousand and more, or one and a fraction: is the {sign} the decimal sign (`{sign}`), or does it stand between thousands (`{other}`)?"),
                );
                if is_mark {
                    draft.text("thousands", mark, "so it follows from your answer");
                }
            }
        }
    }
}

/// Numbers by what is known of their decimal sign.
fn numbers(decimal: &Decimal) -> Numbers {
    let (sign, mark) = match decimal {
        Decimal::Known(sign, mark, _) => (*sign, *mark),
        Decimal::Open(cell) if cell.contains(',') => (',', None),
        Decimal::Open(_) => ('.', None),
        Decimal::Unneeded => ('.', None),
    };
    let missing = USUAL_MISSING.iter().map(|w| w.to_string()).collect();
    Numbers::mapped(sign as u8, mark, missing)
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
