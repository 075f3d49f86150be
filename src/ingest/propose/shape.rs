//! The look of a table before anything is known of it: encoding, delimiter, where the header stands, whether a row of units
//! stands below it.

use super::sniff::Cell;
use crate::ingest::dress::Encoding;
use crate::ingest::unit::Unit;

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

pub(super) fn cells(line: &str, delimiter: u8) -> Vec<String> {
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
pub(super) fn delimiter(lines: &[&str]) -> Option<(u8, String, usize)> {
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
        named && below.peek().is_some() && below.all(|row| near(row.len(), 1))
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
    let bare = |c: &str| c.trim_matches(['[', ']', '(', ')']).to_string();
    filled.peek().is_some()
        && filled.clone().all(|c| !c.is_value && !looks_measured(c))
        && filled.any(|c| Unit::find(&bare(c)).is_some())
}
