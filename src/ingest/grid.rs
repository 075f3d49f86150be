//! What kind of file a table comes in, and rows of such tables as are no text.
//!
//! In: bytes. Out: text to be read on, or a [`Grid`], whose cells are values already: no encoding, no delimiter and no
//! decimal sign applies to them. The kind is told by the first bytes, never by the file's name.

use super::Source;
use super::frame::Frame;
use super::sheet::{Sheet, Wanted};
use super::table::cannot_read;
use crate::error::{Error, Result};
use csv::ByteRecord;
use std::io::Read;
use std::path::Path;

/// Largest file accepted that has to be held whole, bytes: sheets, Parquet and Arrow files are read from their end.
const LARGEST: u64 = 2 << 30;

/// Rows of a table that is no text, header first.
pub(super) trait Grid<'a> {
    /// Fills in the next row that is not empty: its cells, and for each whether it is a value rather than text. Gives back
    /// its line, from 1, header included.
    ///
    /// # Errors
    /// What follows cannot be read.
    fn next(&mut self, cells: &mut ByteRecord, typed: &mut Vec<bool>) -> Result<Option<u64>>;

    /// The sheet that the rows stand in, where cells go by letter and number.
    fn sheet(&self) -> Option<&str> {
        None
    }

    /// The table, where it has types and comes in parts.
    fn frame(&mut self) -> Option<&mut Frame<'a>> {
        None
    }

    /// The kind of a column that cannot be read.
    fn unread(&self, _column: usize) -> Option<&str> {
        None
    }

    /// Whether the column counts time in seconds, as cells of a duration do.
    fn counts_seconds(&self, _column: usize) -> bool {
        false
    }

    /// What the file says beside its rows: keys and values that its writer left.
    fn notes(&self) -> &[(String, String)] {
        &[]
    }

    /// How many rows it has where that is all its kind can hold: the rest was probably cut off.
    fn full(&self) -> Option<u64> {
        None
    }
}

/// A table by its kind.
pub(super) enum Opened<'a> {
    /// Delimited text, to be read on.
    Text(Box<dyn Read + 'a>),
    /// Anything else.
    Grid(Box<dyn Grid<'a> + 'a>),
}

/// Opens a table of any kind.
pub(super) fn open<'a>(source: Source<'a>, wanted: &Wanted) -> Result<Opened<'a>> {
    let Source { name, reader } = source;
    let mut first = Vec::with_capacity(8);
    let mut begin = reader.take(8);
    begin
        .read_to_end(&mut first)
        .map_err(|e| cannot_read(name, &e))?;
    let mut whole = || {
        let mut bytes = first.clone();
        let mut rest = begin.get_mut().take(LARGEST);
        rest.read_to_end(&mut bytes)
            .map_err(|e| cannot_read(name, &e))?;
        if LARGEST <= bytes.len() as u64 {
            return Err(Error::in_file(
                name,
                format!("expected a file of at most {LARGEST} bytes, found a larger one"),
            )
            .hint(
                "export a shorter stretch of time, or the same as CSV: text of any length is read",
            ));
        }
        Ok(bytes)
    };
    let grid: Box<dyn Grid<'a> + 'a> = match first.as_slice() {
        [b'P', b'K', 3, 4, ..] | [0xd0, 0xcf, 0x11, 0xe0, ..] => {
            Box::new(Sheet::read(name, whole()?, wanted)?)
        }
        [b'P', b'A', b'R', b'1', ..] => Box::new(Frame::parquet(name, whole()?)?),
        [b'A', b'R', b'R', b'O', b'W', b'1', ..] => Box::new(Frame::arrow_file(name, whole()?)?),
        [0xff, 0xff, 0xff, 0xff, ..] => {
            let rest = begin.into_inner();
            let stream = std::io::Cursor::new(first).chain(rest);
            return Ok(Opened::Grid(Box::new(Frame::arrow_stream(name, stream)?)));
        }
        [0x1f, 0x8b, ..] => return Err(compressed(name)),
        _ => {
            let rest = begin.into_inner();
            return Ok(Opened::Text(Box::new(
                std::io::Cursor::new(first).chain(rest),
            )));
        }
    };
    Ok(Opened::Grid(grid))
}

fn compressed(name: &Path) -> Error {
    Error::in_file(name, "expected a table, found a compressed file (gzip)")
        .hint("unpack it first, and give the file that was in it")
}

/// The letters of a sheet's column: A, B … Z, AA, AB …
pub(super) fn letters(column: usize) -> String {
    let mut rest = column + 1;
    let mut letters = Vec::new();
    while 0 < rest {
        rest -= 1;
        letters.push(char::from(b'A' + (rest % 26) as u8));
        rest /= 26;
    }
    letters.iter().rev().collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use rstest::rstest;

    #[rstest]
    #[case(0, "A")]
    #[case(25, "Z")]
    #[case(26, "AA")]
    #[case(701, "ZZ")]
    #[case(702, "AAA")]
    #[case(16_383, "XFD")] // the last column of a sheet: ECMA-376 part 1, 18.3.1.13 has 16,384
    fn columns_go_by_letters(#[case] column: usize, #[case] expected: &str) {
        assert_eq!(letters(column), expected);
    }
}
