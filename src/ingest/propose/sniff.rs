//! What can be seen of a text table without being told: encoding, delimiter, header, decimal sign.
//!
//! In: the first mebibytes of a file. Out: [`Sample`]. Each finding bears its reason; what two readings would both
//! explain is left open.

use super::draft::Draft;
use crate::error::{Error, Result};
use crate::ingest::Source;
use crate::ingest::dress::Encoding;
use crate::ingest::table::cannot_read;
use crate::ingest::unit::Unit;
use std::io::Read;

/// Bytes looked at.
const LOOKED_AT: u64 = 4 << 20;
/// Lines among which the header is looked for.
const HEADER_WITHIN: usize = 200;
/// Rows looked at.
const ROWS: usize = 5000;

/// The beginning of a table.
pub(super) struct Sample {
    pub(super) encoding: (Encoding, &'static str),
    pub(super) delimiter: u8,
    pub(super) delimiter_reason: String,
    /// From 1.
    pub(super) header_line: usize,
    pub(super) header: Vec<String>,
    pub(super) unit_row: Option<Vec<String>>,
    pub(super) rows: Vec<Vec<String>>,
    decimal: Decimal,
}

#[derive(Debug, Clone, PartialEq)]
enum Decimal {
    /// Sign, thousands mark, why.
    Known(char, Option<char>, String),
    /// A cell that may be read in two ways.
    Open(String),
}

impl Sample {
    pub(super) fn read(source: Source) -> Result<Self> {
        let name = source.name.to_path_buf();
        let mut bytes = Vec::new();
        let taken = source.reader.take(LOOKED_AT).read_to_end(&mut bytes);
        taken.map_err(|e| cannot_read(&name, &e))?;
        let encoding = encoding(&bytes);
        let mut text = String::new();
        let mut decoded = encoding.0.decoded(Box::new(bytes.as_slice()));
        let mut utf8 = Vec::new();
        decoded
            .read_to_end(&mut utf8)
            .map_err(|e| cannot_read(&name, &e))?;
        text.push_str(String::from_utf8_lossy(&utf8).trim_start_matches('\u{feff}'));
        if LOOKED_AT <= bytes.len() as u64 {
            text.truncate(text.rfind('\n').unwrap_or(0)); // the last line is cut short
        }
        let not_a_table = |what: &str| {
            Error::in_file(&name, what.to_string())
                .hint("a mapping is for tables of text: one row per line, cells separated alike")
        };
        if text.trim().is_empty() {
            return Err(not_a_table("the file is empty"));
        }
        if text.contains('\0') {
            return Err(not_a_table("expected text, found NUL bytes"));
        }
        let lines: Vec<&str> = text.lines().take(ROWS + HEADER_WITHIN).collect();
        let (delimiter, delimiter_reason, width) =
            delimiter(&lines).ok_or_else(|| not_a_table("no separator divides the lines alike"))?;
        let cells: Vec<Vec<String>> = lines.iter().map(|line| cells(line, delimiter)).collect();
        let at = header(&cells, width).ok_or_else(|| {
            not_a_table("no header is found: a line of names above rows with as many cells")
        })?;
        let header = cells.get(at).cloned().unwrap_or_default();
        let mut rows: Vec<Vec<String>> = cells.into_iter().skip(at + 1).collect();
        let unit_row = rows.first().filter(|row| is_unit_row(row)).cloned();
        if unit_row.is_some() {
            rows.remove(0);
        }
        let units = unit_row.clone();
        rows.retain(|row| {
            row.len() >= width.min(header.len()) && *row != header && Some(row) != units.as_ref()
        });
        if rows.is_empty() {
            return Err(not_a_table("there is a header but no row"));
        }
        let decimal = decimal(&rows, delimiter);
        Ok(Self {
            encoding,
            delimiter,
            delimiter_reason,
            header_line: at + 1,
            header: names(&header),
            unit_row,
            rows,
            decimal,
        })
    }

    /// The cells of a column that are not empty.
    pub(super) fn column(&self, column: usize) -> impl Iterator<Item = &str> + Clone {
        let cells = self.rows.iter().filter_map(move |row| row.get(column));
        cells.map(String::as_str).filter(|cell| !cell.is_empty())
    }

    /// A cell as a number, by the decimal sign found or, where it is open, by either.
    pub(super) fn number(&self, cell: &str) -> Option<f64> {
        let (sign, mark) = match &self.decimal {
            Decimal::Known(sign, mark, _) => (*sign, *mark),
            Decimal::Open(_) => (',', None),
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

fn encoding(bytes: &[u8]) -> (Encoding, &'static str) {
    match bytes {
        [0xff, 0xfe, ..] => return (Encoding::Utf16Le, "its byte order mark says so"),
        [0xfe, 0xff, ..] => return (Encoding::Utf16Be, "its byte order mark says so"),
        [0xef, 0xbb, 0xbf, ..] => return (Encoding::Utf8, "its byte order mark says so"),
        _ => {}
    }
    // Text in a European language has a NUL in every other byte of UTF-16 and none in UTF-8.
    let looked = bytes.get(..4096).unwrap_or(bytes);
    let nul = |first: usize| {
        looked
            .iter()
            .skip(first)
            .step_by(2)
            .filter(|b| **b == 0)
            .count()
    };
    let half = looked.len() / 2;
    if 8 <= looked.len() {
        if half * 7 / 10 <= nul(1) && nul(0) * 10 <= half {
            return (
                Encoding::Utf16Le,
                "every other byte is zero, as in 16-bit text",
            );
        }
        if half * 7 / 10 <= nul(0) && nul(1) * 10 <= half {
            return (
                Encoding::Utf16Be,
                "every other byte is zero, as in 16-bit text",
            );
        }
    }
    let whole = match std::str::from_utf8(bytes) {
        Ok(_) => true,
        // A character cut in two at the end of what was looked at.
        Err(e) => e.error_len().is_none(),
    };
    if whole {
        (Encoding::Utf8, "all that was looked at is UTF-8")
    } else {
        (
            Encoding::Windows1252,
            "not UTF-8; western European is taken: letters hang on it, no figure does",
        )
    }
}

fn cells(line: &str, delimiter: u8) -> Vec<String> {
    let mut reader = csv::ReaderBuilder::new()
        .has_headers(false)
        .flexible(true)
        .delimiter(delimiter)
        .from_reader(line.as_bytes());
    let mut record = csv::StringRecord::new();
    match reader.read_record(&mut record) {
        Ok(true) => record.iter().map(|c| c.trim().to_string()).collect(),
        _ => Vec::new(),
    }
}

/// The separator that divides most lines alike, why, and into how many cells.
fn delimiter(lines: &[&str]) -> Option<(u8, String, usize)> {
    if let Some(sign) = lines.first().and_then(|l| l.trim().strip_prefix("sep="))
        && let Some(delimiter) = sign.bytes().next().filter(|_| sign.len() == 1)
    {
        let (_, width) = alike(lines, delimiter)?;
        return Some((delimiter, "the first line says so".into(), width));
    }
    // A comma may be a decimal sign: it is taken only where nothing else divides the lines as well.
    let mut best: Option<(u8, f64, usize)> = None;
    for delimiter in [b';', b'\t', b'|', b','] {
        if let Some((share, width)) = alike(lines, delimiter)
            && best.is_none_or(|(_, before, _)| before + 0.05 < share)
        {
            best = Some((delimiter, share, width));
        }
    }
    let (delimiter, share, width) = best.filter(|(_, share, _)| 0.5 <= *share)?;
    let percent = (100.0 * share).floor();
    Some((
        delimiter,
        format!("it divides {percent} % of the lines into {width} cells"),
        width,
    ))
}

/// The commonest number of cells, two at least, and the share of lines that have it.
fn alike(lines: &[&str], delimiter: u8) -> Option<(f64, usize)> {
    let widths: Vec<usize> = lines
        .iter()
        .take(1000)
        .filter(|l| !l.trim().is_empty())
        .map(|l| cells(l, delimiter).len())
        .collect();
    let mut counts = std::collections::BTreeMap::new();
    for width in &widths {
        *counts.entry(*width).or_insert(0_usize) += 1;
    }
    let (width, n) = counts
        .into_iter()
        .filter(|(w, _)| 2 <= *w)
        .max_by_key(|(_, n)| *n)?;
    Some((n as f64 / widths.len() as f64, width))
}

/// The first row of names above rows with as many cells; where there is none, one with a cell more or less, as where a
/// name is missing or the header ends in a separator.
fn header(cells: &[Vec<String>], width: usize) -> Option<usize> {
    let near = |n: usize, slack: usize| n.abs_diff(width) <= slack;
    let is_header = |at: usize, slack: usize| {
        let mut below = cells
            .iter()
            .skip(at + 1)
            .filter(|row| !row.is_empty())
            .take(5)
            .peekable();
        let named = cells.get(at).is_some_and(|row| {
            let filled = row.iter().filter(|c| !c.is_empty()).count();
            let wordy = row
                .iter()
                .filter(|c| c.chars().any(char::is_alphabetic))
                .count();
            let measured = row.iter().any(|c| looks_measured(c));
            near(row.len(), slack) && 2 <= filled && filled <= 2 * wordy && !measured
        });
        named && below.peek().is_some() && below.all(|row| near(row.len(), 1))
    };
    let lines = || 0..cells.len().min(HEADER_WITHIN);
    lines()
        .find(|at| is_header(*at, 0))
        .or_else(|| lines().find(|at| is_header(*at, 1)))
}

/// A number or a time: no name of a column.
fn looks_measured(cell: &str) -> bool {
    let digits = cell.chars().filter(char::is_ascii_digit).count();
    0 < digits
        && cell
            .chars()
            .all(|c| c.is_ascii_digit() || " .,:;/-+TZ%<>".contains(c))
}

fn is_unit_row(row: &[String]) -> bool {
    let mut filled = row.iter().filter(|c| !c.is_empty()).peekable();
    let bare = |c: &str| c.trim_matches(['[', ']', '(', ')']).to_string();
    filled.peek().is_some()
        && filled.clone().all(|c| !looks_measured(c))
        && filled.any(|c| Unit::find(&bare(c)).is_some())
}

/// The decimal sign, from all cells that look like numbers.
fn decimal(rows: &[Vec<String>], delimiter: u8) -> Decimal {
    let mut open: Option<&str> = None;
    let (mut point, mut comma) = (0_usize, 0_usize);
    let mut mark = None;
    for cell in rows.iter().flatten() {
        match reading(cell) {
            Reading::None => {}
            Reading::Sign('.', thousands) => {
                point += 1;
                mark = mark.or(thousands);
            }
            Reading::Sign(_, thousands) => {
                comma += 1;
                mark = mark.or(thousands);
            }
            Reading::Open => open = open.or(Some(cell)),
        }
    }
    let proof = |n: usize, sign: &str| {
        format!("{n} cells can only be read so: the {sign} is no mark between thousands")
    };
    match (point, comma, open) {
        (0, 0, Some(cell)) => Decimal::Open(cell.to_string()),
        (0, 0, None) => Decimal::Known(
            '.',
            None,
            "no cell has a fraction; one that had a comma would be refused".into(),
        ),
        (_, 0, Some(cell)) if cell.contains(',') => {
            Decimal::Known('.', Some(','), proof(point, "point"))
        }
        (_, 0, _) => Decimal::Known('.', mark, proof(point, "point")),
        (0, _, Some(cell)) if cell.contains('.') => {
            Decimal::Known(',', Some('.'), proof(comma, "comma"))
        }
        (0, ..) if delimiter != b',' => Decimal::Known(',', mark, proof(comma, "comma")),
        // Both: dates and version numbers have points too; the sign most cells bear, and the rest is refused on reading.
        _ if point < comma => Decimal::Known(',', mark, proof(comma, "comma")),
        _ => Decimal::Known('.', mark, proof(point, "point")),
    }
}

enum Reading {
    /// No number with a fraction.
    None,
    /// Can only be read with this decimal sign, and this mark between thousands.
    Sign(char, Option<char>),
    /// `1,234`: a fraction or a thousand.
    Open,
}

fn reading(cell: &str) -> Reading {
    let digits = cell.trim_start_matches(['-', '+', '\u{2212}']);
    if digits.is_empty()
        || !digits
            .chars()
            .all(|c| c.is_ascii_digit() || ".,' \u{a0}\u{202f}".contains(c))
    {
        return Reading::None;
    }
    let signs: Vec<char> = digits.chars().filter(|c| !c.is_ascii_digit()).collect();
    let Some(last) = signs.last().copied() else {
        return Reading::None;
    };
    let (whole, part) = digits.rsplit_once(last).unwrap_or((digits, ""));
    let others: Vec<char> = signs.iter().copied().filter(|c| *c != last).collect();
    match (last, signs.len(), others.first()) {
        // 1.234,5: the mark, then the sign.
        ('.' | ',', n, Some(mark)) if others.len() + 1 == n => Reading::Sign(last, Some(*mark)),
        ('.' | ',', 1, None) => {
            let leading = whole.len();
            let may_be_thousands =
                part.len() == 3 && (1..=3).contains(&leading) && !whole.starts_with('0');
            if may_be_thousands {
                Reading::Open
            } else {
                Reading::Sign(last, None)
            }
        }
        // 12.03.2031 and 1.234.567 prove nothing.
        _ => Reading::None,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use rstest::rstest;

    fn sample(bytes: &[u8]) -> Result<Sample> {
        let mut bytes = bytes;
        Sample::read(Source {
            name: "x.csv".as_ref(),
            reader: &mut bytes,
        })
    }

    #[test]
    fn sixteen_bit_text_without_a_mark_is_known_by_its_zeros() {
        // A general-purpose guesser takes it for western European text without complaint.
        let text = "time;p\n08:00;1\n08:01;2\n08:02;3\n";
        let bytes: Vec<u8> = text.encode_utf16().flat_map(u16::to_le_bytes).collect();
        assert_eq!(sample(&bytes).unwrap().encoding.0, Encoding::Utf16Le);
        let bytes: Vec<u8> = text.encode_utf16().flat_map(u16::to_be_bytes).collect();
        assert_eq!(sample(&bytes).unwrap().encoding.0, Encoding::Utf16Be);
        assert_eq!(
            sample(b"t;p \xb5\n1;2\n2;3\n").unwrap().encoding.0,
            Encoding::Windows1252
        );
        assert_eq!(sample(text.as_bytes()).unwrap().encoding.0, Encoding::Utf8);
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
        #[case] line: usize,
    ) {
        let sample = sample(text.as_bytes()).unwrap();
        assert_eq!((sample.delimiter, sample.header_line), (delimiter, line));
        assert_eq!(sample.header[0], "a");
    }

    #[test]
    fn a_row_of_units_is_no_row() {
        let sample = sample(b"t;p;r\n;[kPa];mL/h\n1;2;3\n4;5;6\n").unwrap();
        assert_eq!(sample.unit_row.unwrap(), ["", "[kPa]", "mL/h"]);
        assert_eq!(sample.rows.len(), 2);
    }

    #[rstest]
    #[case(&["1,5", "2"], Decimal::Known(',', None, String::new()))]
    #[case(&["1.234,5"], Decimal::Known(',', Some('.'), String::new()))]
    #[case(&["1,234.5"], Decimal::Known('.', Some(','), String::new()))]
    #[case(&["0.125", "1.250"], Decimal::Known('.', None, String::new()))]
    #[case(&["1,5", "1.234"], Decimal::Known(',', Some('.'), String::new()))]
    #[case(&["12", "7"], Decimal::Known('.', None, String::new()))]
    #[case(&["1,234", "2,500"], Decimal::Open("1,234".into()))]
    #[case(&["1.234"], Decimal::Open("1.234".into()))]
    fn the_decimal_sign_is_proved_or_asked(#[case] cells: &[&str], #[case] expected: Decimal) {
        let rows: Vec<Vec<String>> = cells.iter().map(|c| vec![c.to_string()]).collect();
        match (decimal(&rows, b';'), expected) {
            (Decimal::Known(a, m, _), Decimal::Known(b, n, _)) => assert_eq!((a, m), (b, n)),
            (a, b) => assert_eq!(a, b),
        }
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
