//! Rows that wait outside of memory until their infusion's turn comes.
//!
//! In: rows by channel, as they come in, in any order of infusions. Out: the same rows, one channel at a time. What a trace of
//! many infusions holds in memory is bounded by [`MOST_HELD`] rows, however long it is and however its infusions interleave.

use super::order::Rows;
use crate::error::{Error, Result};
use std::io::{Read, Seek, SeekFrom, Write};

/// A place that keeps bytes, such as an unnamed file.
pub trait Store: Read + Write + Seek + Send {}

impl<T: Read + Write + Seek + Send> Store for T {}

/// Most rows of a trace held in memory while it is read: 3 MB. Fewer would make more pieces of each infusion.
pub(super) const MOST_HELD: usize = 1 << 16;

/// Bytes of one row.
const ROW: usize = 8 + 4 * 8 + 4;

/// Before each piece stands where the one before it of the same channel is, so that no list of them grows in memory.
const LINK: usize = 8 + 8;

/// Rows of one channel that were put away together.
#[derive(Debug, Clone, Copy)]
pub(super) struct Piece {
    offset: u64,
    rows: usize,
}

/// The store, and how far it is filled.
pub(super) struct Shelf {
    store: Box<dyn Store>,
    end: u64,
    /// Bytes on their way; kept between calls for its memory.
    bytes: Vec<u8>,
}

impl Shelf {
    pub(super) fn new(store: Box<dyn Store>) -> Self {
        Self {
            store,
            end: 0,
            bytes: Vec::new(),
        }
    }

    /// Takes a channel's rows out of memory; they are written by the next [`Self::write`]. `before` is the channel's last piece.
    pub(super) fn put(&mut self, rows: &mut Rows, before: Option<Piece>) -> Piece {
        let rows = std::mem::take(rows);
        let piece = Piece {
            offset: self.end + self.bytes.len() as u64,
            rows: rows.ticks.len(),
        };
        let into = &mut self.bytes;
        into.reserve(LINK + ROW * piece.rows);
        let (offset, of) = before.map_or((0, 0), |b| (b.offset, b.rows as u64));
        into.extend(offset.to_le_bytes());
        into.extend(of.to_le_bytes());
        into.extend(rows.ticks.iter().flat_map(|t| t.to_le_bytes()));
        for column in [
            &rows.pressure_mmhg,
            &rows.rate_ml_h,
            &rows.volume_ml,
            &rows.limit_mmhg,
        ] {
            into.extend(column.iter().flat_map(|x| x.to_le_bytes()));
        }
        into.extend(rows.lines.iter().flat_map(|l| l.to_le_bytes()));
        piece
    }

    /// Whether so much was put that it should be written before more is.
    pub(super) fn is_full(&self) -> bool {
        const MOST_BYTES: usize = 1 << 18;
        MOST_BYTES < self.bytes.len()
    }

    /// Writes what was put.
    pub(super) fn write(&mut self) -> Result<()> {
        self.store
            .seek(SeekFrom::Start(self.end))
            .and_then(|_| self.store.write_all(&self.bytes))
            .map_err(|e| cannot("written", &e))?;
        self.end += self.bytes.len() as u64;
        self.bytes.clear();
        Ok(())
    }

    /// Adds the rows of a channel's pieces to those there, in the order in which they were put.
    pub(super) fn get(&mut self, last: Piece, into: &mut Rows) -> Result<()> {
        let mut pieces = vec![last];
        let mut at = last;
        while let Some(before) = self.before(at)? {
            pieces.push(before);
            at = before;
        }
        pieces
            .into_iter()
            .rev()
            .try_for_each(|piece| self.get_one(piece, into))
    }

    /// The piece before one.
    fn before(&mut self, piece: Piece) -> Result<Option<Piece>> {
        self.read(piece.offset, LINK)?;
        let mut link = words::<8>(&self.bytes).map(u64::from_le_bytes);
        let (offset, rows) = (link.next().unwrap_or(0), link.next().unwrap_or(0));
        let rows = usize::try_from(rows).unwrap_or(0);
        Ok((0 < rows).then_some(Piece { offset, rows }))
    }

    fn read(&mut self, offset: u64, bytes: usize) -> Result<()> {
        self.bytes.resize(bytes, 0);
        self.store
            .seek(SeekFrom::Start(offset))
            .and_then(|_| self.store.read_exact(&mut self.bytes))
            .map_err(|e| cannot("read", &e))
    }

    fn get_one(&mut self, piece: Piece, into: &mut Rows) -> Result<()> {
        self.read(piece.offset + LINK as u64, ROW * piece.rows)?;
        let (ticks, rest) = self.bytes.split_at(8 * piece.rows);
        into.ticks.extend(words(ticks).map(i64::from_le_bytes));
        let (figures, lines) = rest.split_at(4 * 8 * piece.rows);
        let columns = [
            &mut into.pressure_mmhg,
            &mut into.rate_ml_h,
            &mut into.volume_ml,
            &mut into.limit_mmhg,
        ];
        for (column, bytes) in columns
            .into_iter()
            .zip(figures.chunks_exact((8 * piece.rows).max(1)))
        {
            column.extend(words(bytes).map(f64::from_le_bytes));
        }
        into.lines.extend(words(lines).map(u32::from_le_bytes));
        self.bytes.clear();
        Ok(())
    }
}

fn words<const N: usize>(bytes: &[u8]) -> impl Iterator<Item = [u8; N]> {
    bytes.as_chunks::<N>().0.iter().copied()
}

fn cannot(done: &str, error: &std::io::Error) -> Error {
    Error::new(format!(
        "the working file, in which rows wait, cannot be {done}: {error}"
    ))
    .hint("it needs some 44 bytes for each row of the traces: make room there, or choose another folder with --out")
}

#[cfg(test)]
mod tests {
    use super::*;

    fn rows(from: i64, n: i64) -> Rows {
        let mut rows = Rows::default();
        for i in from..from + n {
            rows.ticks.push(-i);
            rows.pressure_mmhg.push(0.1 * i as f64);
            rows.rate_ml_h.push(f64::NAN);
            rows.volume_ml.push(1e-300 * i as f64);
            rows.limit_mmhg.push(-0.0);
            rows.lines.push(i as u32);
        }
        rows
    }

    #[test]
    fn rows_come_back_bit_by_bit_and_piece_by_piece() {
        let mut shelf = Shelf::new(Box::new(std::io::Cursor::new(Vec::new())));
        let (mut a, mut b, mut c) = (rows(1, 5), rows(100, 1), rows(6, 3));
        let first = shelf.put(&mut a, None);
        let other = shelf.put(&mut b, None);
        shelf.write().unwrap();
        let second = shelf.put(&mut c, Some(first));
        shelf.write().unwrap();
        assert!(a.ticks.is_empty() && c.lines.is_empty());

        let mut back = Rows::default();
        shelf.get(second, &mut back).unwrap();
        assert_eq!(format!("{back:?}"), format!("{:?}", rows(1, 8)));
        let mut alone = Rows::default();
        shelf.get(other, &mut alone).unwrap();
        assert_eq!(format!("{alone:?}"), format!("{:?}", rows(100, 1)));
    }

    #[test]
    fn a_store_that_is_full_is_an_error_that_says_what_to_do() {
        struct Full;
        impl Read for Full {
            fn read(&mut self, _: &mut [u8]) -> std::io::Result<usize> {
                Ok(0)
            }
        }
        impl Write for Full {
            fn write(&mut self, _: &[u8]) -> std::io::Result<usize> {
                Err(std::io::ErrorKind::StorageFull.into())
            }
            fn flush(&mut self) -> std::io::Result<()> {
                Ok(())
            }
        }
        impl Seek for Full {
            fn seek(&mut self, _: SeekFrom) -> std::io::Result<u64> {
                Ok(0)
            }
        }
        let mut shelf = Shelf::new(Box::new(Full));
        shelf.put(&mut rows(1, 2), None);
        let error = shelf.write().unwrap_err();
        assert!(error.what.contains("cannot be written"), "{error}");
        assert!(error.hint.unwrap().contains("--out"));
    }
}
