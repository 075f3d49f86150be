//! What a zipped file unpacks to, counted before any reader of sheets unpacks it for itself.
//!
//! In: the bytes of a zip. Out: which kind of workbook it is, or the error where it unpacks to more than [`MOST_UNPACKED`].
//! What the zip says of its own sizes is not believed: the bytes are counted as they come.

use super::guard::guarded;
use crate::error::{Error, Result};
use std::io::{Cursor, Read};
use std::path::Path;
use zip::ZipArchive;

/// Most bytes that all parts may unpack to: a full sheet of ten columns has about half of it.
const MOST_UNPACKED: u64 = 1 << 30;

/// Most parts: a workbook has some dozens.
const MOST_PARTS: usize = 10_000;

/// Most cells that the rows and columns of a text document's sheet may be repeated to.
const MOST_REPEATED: u64 = 20_000_000;

/// A workbook by its parts.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Zipped {
    /// Office Open XML, `.xlsx`.
    Xlsx,
    /// OpenDocument, `.ods`.
    Ods,
    /// The binary kind, `.xlsb`.
    Xlsb,
}

/// Counts what the parts unpack to.
pub(super) fn look(name: &Path, bytes: &[u8]) -> Result<Zipped> {
    look_with(name, bytes, MOST_UNPACKED)
}

fn look_with(name: &Path, bytes: &[u8], most: u64) -> Result<Zipped> {
    let broken = |why: String| {
        Error::in_file(name, format!("cannot be read as a spreadsheet: {why}"))
            .hint("open it in a spreadsheet program and save it again, or export it as CSV")
    };
    let counted = guarded(|| count(name, bytes, most, &broken));
    counted.unwrap_or_else(|| Err(broken("its parts contradict each other".into())))
}

fn count(name: &Path, bytes: &[u8], most: u64, broken: &dyn Fn(String) -> Error) -> Result<Zipped> {
    let mut zip = ZipArchive::new(Cursor::new(bytes)).map_err(|e| broken(e.to_string()))?;
    if MOST_PARTS < zip.len() {
        return Err(broken(format!("{} parts", zip.len())));
    }
    let mut left = most;
    let mut kind = None;
    for index in 0..zip.len() {
        let mut part = zip.by_index(index).map_err(|e| broken(e.to_string()))?;
        let part_name = part.name().map(|n| n.into_owned()).unwrap_or_default();
        match part_name.as_str() {
            "xl/workbook.xml" => kind = Some(Zipped::Xlsx),
            "xl/workbook.bin" => kind = Some(Zipped::Xlsb),
            "content.xml" => kind = Some(Zipped::Ods),
            _ => {}
        }
        let mut repeats = (part_name == "content.xml").then(Repeats::default);
        let mut chunk = vec![0; 1 << 16];
        loop {
            let got = part.read(&mut chunk).map_err(|e| broken(e.to_string()))?;
            if got == 0 {
                break;
            }
            left = left.checked_sub(got as u64).ok_or_else(|| {
                Error::in_file(name, format!("unpacks to more than {most} bytes"))
                    .hint("export a shorter stretch of time, or the same as CSV: text of any length is read")
            })?;
            if let Some(repeats) = &mut repeats {
                repeats.take(chunk.get(..got).unwrap_or_default());
            }
        }
        if repeats.is_some_and(|r| MOST_REPEATED < r.most_cells()) {
            return Err(Error::in_file(
                name,
                format!("its rows and columns are repeated to more than {MOST_REPEATED} cells"),
            )
            .hint("remove what stands far below or beside the table, or export it as CSV"));
        }
    }
    kind.ok_or_else(|| {
        Error::in_file(
            name,
            "expected a table, found a zipped file that is no workbook",
        )
        .hint("unpack it first, and give the file that was in it")
    })
}

/// How large the sheets of an OpenDocument may become: there, one row or cell may stand for a million.
///
/// An upper limit is enough: rows that hold something, times the widest row that does.
#[derive(Default)]
struct Repeats {
    tag: Vec<u8>,
    within: bool,
    rows: u64,
    /// Rows without anything, which count once something follows.
    empty_rows: u64,
    row_repeats: u64,
    columns: u64,
    empty_columns: u64,
    cell_repeats: u64,
    filled: bool,
    widest: u64,
}

impl Repeats {
    fn take(&mut self, bytes: &[u8]) {
        for byte in bytes {
            match byte {
                b'<' => {
                    self.within = true;
                    self.tag.clear();
                }
                b'>' if self.within => {
                    self.within = false;
                    self.tag();
                }
                _ if self.within && self.tag.len() < 1000 => self.tag.push(*byte),
                _ => {}
            }
        }
    }

    fn tag(&mut self) {
        let tag = std::mem::take(&mut self.tag);
        if tag.starts_with(b"table:table-row") {
            self.row_repeats = repeated(&tag, b"rows-repeated=");
            (self.columns, self.empty_columns, self.filled) = (0, 0, false);
        } else if tag.starts_with(b"table:table-cell")
            || tag.starts_with(b"table:covered-table-cell")
        {
            self.cell_repeats = repeated(&tag, b"columns-repeated=");
            match contains(&tag, b"value") {
                true => self.cell_filled(),
                false => self.empty_columns += self.cell_repeats,
            }
        } else if tag.starts_with(b"text:p") && 0 < self.cell_repeats {
            self.empty_columns = self.empty_columns.saturating_sub(self.cell_repeats);
            self.cell_filled();
        } else if tag.starts_with(b"/table:table-row") {
            match self.filled {
                true => {
                    self.rows += self.empty_rows + self.row_repeats;
                    self.empty_rows = 0;
                    self.widest = self.widest.max(self.columns);
                }
                false => self.empty_rows += self.row_repeats,
            }
        }
        self.tag = tag;
        self.tag.clear();
    }

    fn cell_filled(&mut self) {
        self.columns += self.empty_columns + self.cell_repeats;
        self.empty_columns = 0;
        self.cell_repeats = 0;
        self.filled = true;
    }

    fn most_cells(&self) -> u64 {
        self.rows.saturating_mul(self.widest)
    }
}

fn contains(tag: &[u8], word: &[u8]) -> bool {
    tag.windows(word.len()).any(|w| w == word)
}

/// The number behind an attribute, 1 where there is none.
fn repeated(tag: &[u8], attribute: &[u8]) -> u64 {
    let at = tag.windows(attribute.len()).position(|w| w == attribute);
    let digits = at.and_then(|at| tag.get(at + attribute.len() + 1..)); // beyond the quote
    let digits = digits.unwrap_or_default().iter().take(12);
    let digits = digits.take_while(|b| b.is_ascii_digit());
    digits
        .fold(None, |n: Option<u64>, d| {
            Some(10 * n.unwrap_or(0) + u64::from(d - b'0'))
        })
        .unwrap_or(1)
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::io::Write;
    use zip::write::SimpleFileOptions;

    fn zipped(parts: &[(&str, &[u8])]) -> Vec<u8> {
        let mut writer = zip::ZipWriter::new(Cursor::new(Vec::new()));
        for (name, bytes) in parts {
            writer
                .start_file(*name, SimpleFileOptions::default())
                .unwrap();
            writer.write_all(bytes).unwrap();
        }
        writer.finish().unwrap().into_inner()
    }

    #[test]
    fn a_small_file_that_unpacks_to_much_is_refused_before_it_is_read() {
        let bomb = zipped(&[
            ("xl/workbook.xml", b"<workbook/>"),
            ("xl/worksheets/sheet1.xml", &vec![b' '; 3 << 20]),
        ]);
        assert!(bomb.len() < 10_000);
        let error = look_with("b.xlsx".as_ref(), &bomb, 1 << 20).unwrap_err();
        assert_eq!(error.what, "unpacks to more than 1048576 bytes");
        assert_eq!(look("b.xlsx".as_ref(), &bomb).unwrap(), Zipped::Xlsx);
    }

    #[test]
    fn rows_and_cells_that_stand_for_millions_are_refused() {
        let sheet = |rows: u64, columns: u64, filled: &str| {
            let text = format!(
                "<table:table-row table:number-rows-repeated=\"{rows}\"><table:table-cell table:number-columns-repeated=\"{columns}\"{filled}</table:table-row>"
            );
            zipped(&[("content.xml", text.as_bytes())])
        };
        let value = " office:value=\"1\"/>";
        let text = "><text:p>x</text:p></table:table-cell>";
        for filled in [value, text] {
            let huge = sheet(1_000_000, 1000, filled);
            let error = look("b.ods".as_ref(), &huge).unwrap_err();
            assert_eq!(
                error.what,
                "its rows and columns are repeated to more than 20000000 cells"
            );
            assert!(look("b.ods".as_ref(), &sheet(1000, 10, filled)).is_ok());
        }
        // Every sheet ends in empty rows and cells like these.
        assert!(look("b.ods".as_ref(), &sheet(1_048_576, 16_384, "/>")).is_ok());
    }

    #[test]
    fn a_zip_that_is_no_workbook_or_is_broken_is_an_error() {
        let other = zipped(&[("readme.txt", b"hello")]);
        assert!(
            look("b.zip".as_ref(), &other)
                .unwrap_err()
                .what
                .contains("no workbook")
        );
        let mut cut = zipped(&[("xl/workbook.xml", b"<workbook/>")]);
        cut.truncate(cut.len() / 2);
        assert!(look("b.xlsx".as_ref(), &cut).is_err());
    }
}
