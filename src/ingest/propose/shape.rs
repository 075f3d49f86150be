//! The look of a table before anything is known of it: encoding, delimiter, where the header stands, whether a row of units
//! stands below it.

use super::sniff::Cell;
use crate::ingest::dress::Encoding;
use crate::ingest::unit::Unit;

/// Rows looked at.
pub(super) const ROWS: usize = 5000;
/// Lines among which the header is looked for.
pub(super) const HEADER_WITHIN: usize = 200;

pub(super) fn encoding(bytes: &[u8]) -> (Encoding, &'static str) {
    match bytes {
        [0xff, 0xfe, ..] => return (Encoding::UTF16_LE, "its byte order mark says so"),
        [0xfe, 0xff, ..] => return (Encoding::UTF16_BE, "its byte order mark says so"),
        [0xef, 0xbb, 0xbf, ..] => return (Encoding::UTF8, "its byte order mark says so"),
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
                Encoding::UTF16_LE,
                "every other byte is zero, as in 16-bit text",
            );
        }
        if half * 7 / 10 <= nul(0) && nul(1) * 10 <= half {
            return (
                Encoding::UTF16_BE,
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
        (Encoding::UTF8, "all that was looked at is UTF-8")
    } else {
        (
            Encoding::WINDOWS_1252,
            "not UTF-8; western European is taken: letters hang on it, no figure does",
        )
    }
}

fn reader(text: &[u8], delimiter: u8) -> csv::Reader<&[u8]> {
    csv::ReaderBuilder::new()
        .has_headers(false)
        .flexible(true)
        .delimiter(delimiter)
        .from_reader(text)
}

fn cells(line: &str, delimiter: u8) -> Vec<String> {
    let mut record = csv::StringRecord::new();
    match reader(line.as_bytes(), delimiter).read_record(&mut record) {
        Ok(true) => record.iter().map(|c| c.trim().to_string()).collect(),
        _ => Vec::new(),
    }
}

/// The rows of a text, each with the line that it begins in. Cells may have line breaks.
pub(super) fn records(text: &str, delimiter: u8) -> Vec<(u64, Vec<String>)> {
    let mut reader = reader(text.as_bytes(), delimiter);
    let mut record = csv::StringRecord::new();
    let mut records = Vec::new();
    let (mut counted, mut line) = (0, 1);
    let bytes = text.as_bytes();
    while records.len() < ROWS + HEADER_WITHIN {
        let begin = reader.position().byte() as usize;
        if !reader.read_record(&mut record).unwrap_or(false) {
            break;
        }
        // The blank lines before it, and the LF of a CR LF, belong to no row.
        let blanks = bytes.get(begin..).unwrap_or_default().iter();
        let begin = begin + blanks.take_while(|b| matches!(b, b'\r' | b'\n')).count();
        let passed = bytes.get(counted..begin).unwrap_or_default();
        line += passed.iter().filter(|b| **b == b'\n').count() as u64;
        counted = begin;
        // A byte that is no name and no number, but a break within a cell, is kept to be seen by `open_quote`.
        let cells = record
            .iter()
            .map(|c| c.trim_matches([' ', '\t', '\r']).to_string());
        records.push((line, cells.collect()));
    }
    records
}

/// Line of a quote that is never closed and swallows lines of the table.
pub(super) fn open_quote(
    records: &[(u64, Vec<String>)],
    width: usize,
    delimiter: u8,
) -> Option<u64> {
    let separators = |text: &str| text.bytes().filter(|b| *b == delimiter).count();
    let swallows = |cell: &String| {
        let mut below = cell.split('\n').skip(1);
        below.any(|line| 2 <= width && width - 1 <= separators(line))
    };
    let found = records.iter().find(|(_, row)| row.iter().any(swallows));
    let last = || {
        let (line, row) = records.last()?;
        let cell = row.last()?;
        let torn = row.len() < width && (cell.ends_with('\n') || 0 < separators(cell));
        torn.then_some(*line)
    };
    found.map(|(line, _)| *line).or_else(last)
}

/// Whether a row stands between the header and the first row with data: words and nothing measured.
pub(super) fn is_text_row(row: &[Cell], width: usize) -> bool {
    let filled: Vec<&Cell> = row.iter().filter(|c| !c.is_empty()).collect();
    let is_word = |c: &&Cell| {
        !c.is_value && c.chars().any(char::is_alphabetic) && !c.chars().any(|c| c.is_ascii_digit())
    };
    2 <= filled.len() && width <= 2 * filled.len() && filled.iter().all(is_word)
}

/// Whether a row among the data is a header once more, but another one.
pub(super) fn is_another_header(row: &[Cell], header: &[String]) -> bool {
    let known =
        |c: &Cell| header.iter().any(|h| h.eq_ignore_ascii_case(c)) || Unit::in_header(c).is_some();
    let is_word =
        |c: &&Cell| !c.is_value && c.chars().any(char::is_alphabetic) && !looks_measured(c);
    let mut filled = row.iter().filter(|c| !c.is_empty());
    let count = filled.clone().count();
    2 <= count
        && header.len() <= 2 * count
        && filled.clone().all(|c| is_word(&c))
        && filled.any(known)
}

/// Whether the row below is the header, and this one has names for groups of its columns.
pub(super) fn names_below(above: &[Cell], below: &[Cell]) -> bool {
    let names_time = |row: &[Cell]| row.iter().any(|c| super::time::says_time(c));
    let words = |row: &[Cell]| {
        row.iter()
            .filter(|c| !c.is_empty())
            .all(|c| !c.is_value && !looks_measured(c))
    };
    !names_time(above) && names_time(below) && words(below) && filled(above) < filled(below)
}

/// Names that stand once above several columns, at each of them.
pub(super) fn filled_forward(row: &[Cell]) -> Vec<String> {
    let mut name = String::new();
    let each = row.iter().map(|cell| {
        if !cell.is_empty() {
            name = cell.to_string();
        }
        name.clone()
    });
    each.collect()
}

/// Whether a row holds units and nothing else.
pub(super) fn only_units(row: &[Cell]) -> bool {
    2 <= filled(row)
        && row
            .iter()
            .filter(|c| !c.is_empty())
            .all(|c| Unit::in_cell(c).is_some())
}

/// The separator that divides most lines alike, why, and into how many cells.
pub(super) fn delimiter(lines: &[&str]) -> Option<(u8, String, usize)> {
    if let Some(sign) = lines.first().and_then(|l| l.trim().strip_prefix("sep="))
        && let Some(delimiter) = sign.bytes().next().filter(|_| sign.len() == 1)
    {
        let (_, width) = alike(lines, delimiter)?;
        return Some((delimiter, "the first line says so".into(), width));
    }
    // A comma may be a decimal sign: it is taken only where nothing else divides the lines as well. A sign that does not
    // divide the header stands within cells.
    let found = [b';', b'\t', b'|', b',']
        .into_iter()
        .filter_map(|delimiter| {
            let (share, width) = alike(lines, delimiter)?;
            let head: Vec<Vec<String>> = lines
                .iter()
                .take(HEADER_WITHIN)
                .map(|l| cells(l, delimiter))
                .collect();
            let at = header(&head, width).unwrap_or(HEADER_WITHIN);
            Some((delimiter, share, width, at))
        });
    let found: Vec<(u8, f64, usize, usize)> =
        found.filter(|(_, share, ..)| 0.5 <= *share).collect();
    let most = found
        .iter()
        .map(|(_, share, ..)| *share)
        .fold(0.0, f64::max);
    let near = found
        .into_iter()
        .filter(|(_, share, ..)| most - 0.05 <= *share);
    let (delimiter, share, width, _) = near.min_by_key(|(.., at)| *at)?;
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
pub(super) fn header(cells: &[Vec<String>], width: usize) -> Option<usize> {
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
        let units = |row: &Vec<String>| {
            let filled: Vec<&String> = row.iter().filter(|c| !c.is_empty()).collect();
            2 <= filled.len() && filled.iter().all(|c| Unit::in_cell(c).is_some())
        };
        // A row of units above the header is none.
        let only_units = cells.get(at).is_some_and(units);
        named && !only_units && below.peek().is_some() && below.all(|row| near(row.len(), 1))
    };
    let lines = || 0..cells.len().min(HEADER_WITHIN);
    lines()
        .find(|at| is_header(*at, 0))
        .or_else(|| lines().find(|at| is_header(*at, 1)))
}

/// A number or a time: no name of a column.
pub(super) fn looks_measured(cell: &str) -> bool {
    let digits = cell.chars().filter(char::is_ascii_digit).count();
    0 < digits
        && cell
            .chars()
            .all(|c| c.is_ascii_digit() || " .,:;/-+TZ%<>".contains(c))
}

/// The first row of a sheet that names as many columns as most rows fill, above a row with values.
pub(super) fn header_of_sheet(rows: &[(u64, Vec<Cell>)]) -> Option<usize> {
    let mut counts = std::collections::BTreeMap::new();
    for n in rows.iter().map(|(_, row)| filled(row)) {
        *counts.entry(n).or_insert(0_usize) += 1;
    }
    let many = counts.into_iter().filter(|(n, _)| 2 <= *n);
    let (usual, _) = many.max_by_key(|(_, times)| *times)?;
    let is_measured = |cell: &Cell| cell.is_value || looks_measured(cell);
    let has_values = |at: usize| {
        let mut below = rows.iter().skip(at + 1).take(2);
        below.any(|(_, row)| row.iter().any(is_measured))
    };
    let is_header = |at: usize| {
        let named = rows.get(at).is_some_and(|(_, row)| {
            let words = row.iter().filter(|c| c.chars().any(char::is_alphabetic));
            usual <= filled(row) && filled(row) <= 2 * words.count() && !row.iter().any(is_measured)
        });
        named && has_values(at)
    };
    (0..rows.len().min(HEADER_WITHIN)).find(|at| is_header(*at))
}

pub(super) fn filled(row: &[Cell]) -> usize {
    row.iter().filter(|c| !c.is_empty()).count()
}

pub(super) fn is_unit_row(row: &[Cell]) -> bool {
    let mut filled = row.iter().filter(|c| !c.is_empty()).peekable();
    filled.peek().is_some()
        && filled.clone().all(|c| !c.is_value && !looks_measured(c))
        && filled.any(|c| Unit::in_cell(c).is_some())
}
