//! What the pages of a Parquet file say that they unpack to, looked at before a library believes it.
//!
//! In: the file's bytes and its description. Out: whether each page, and all of them, name sizes that can be meant. A few
//! thousand bytes may unpack to thousands of millions, and the library takes what a page names, all at once, for every column.

use polars_parquet::parquet::metadata::FileMetadata;
use polars_parquet_format::PageHeader;
use polars_parquet_format::thrift::protocol::TCompactInputProtocol;
use std::io::Cursor;

/// Most that one page may unpack to, bytes: writers make pages of a megabyte, or of one cell that is longer.
const MOST_OF_PAGE: u64 = 1 << 28;
/// Most that all pages may unpack to, bytes: a hundred million rows of two columns of figures.
const MOST: u64 = 1 << 31;
/// Longest header of a page, bytes: it may hold a lowest and a highest cell.
const LONGEST_HEADER: usize = 1 << 24;

/// Whether all pages name sizes that can be meant.
pub(super) fn are_sound(bytes: &[u8], file: &FileMetadata) -> bool {
    let mut room = MOST;
    let columns = file.row_groups.iter().flat_map(|g| g.parquet_columns());
    for column in columns {
        let range = column.byte_range();
        let place = |at: u64| usize::try_from(at).unwrap_or(usize::MAX);
        let chunk = bytes.get(place(range.start)..place(range.end));
        let mut chunk = Cursor::new(chunk.unwrap_or_default());
        while (chunk.position() as usize) < chunk.get_ref().len() {
            let mut header = TCompactInputProtocol::new(&mut chunk, LONGEST_HEADER);
            let Ok(page) = PageHeader::read_from_in_protocol(&mut header) else {
                break; // the library says what is wrong
            };
            let size = |named: i32| u64::try_from(named).unwrap_or(u64::MAX);
            let (packed, unpacked) = (
                size(page.compressed_page_size),
                size(page.uncompressed_page_size),
            );
            if MOST_OF_PAGE < unpacked {
                return false;
            }
            let Some(left) = room.checked_sub(unpacked) else {
                return false;
            };
            room = left;
            chunk.set_position(chunk.position().saturating_add(packed));
        }
    }
    true
}
