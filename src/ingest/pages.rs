//! What the pages of a Parquet file say that they unpack to, looked at before a library believes it.
//!
//! In: the file's bytes and its description. Out: whether each page, and all of them, name sizes and counts that can be meant. A
//! few thousand bytes may unpack to thousands of millions, and the library takes what a page names, all at once, for every
//! column; a count below zero is the largest of all.

use polars_parquet::parquet::metadata::{ColumnChunkMetadata, FileMetadata};
use polars_parquet_format::thrift::protocol::TCompactInputProtocol;
use polars_parquet_format::{FileMetaData, PageHeader};
use std::io::Cursor;

/// Most that one page may unpack to, bytes: writers make pages of a megabyte, or of one cell that is longer.
const MOST_OF_PAGE: u64 = 1 << 28;
/// Most that all pages of a row group may unpack to, bytes: a hundred million rows of two columns of figures.
const MOST: u64 = 1 << 31;
/// Longest header of a page, bytes: it may hold a lowest and a highest cell.
const LONGEST_HEADER: usize = 1 << 24;

/// Most cells accepted: a few bytes may declare thousands of millions.
const MOST_CELLS: usize = 1 << 28;
/// Cells that even the smallest file may have.
const FEW_CELLS: usize = 1 << 24;
/// Cells in one byte beyond which nothing was measured: a regular clock takes a byte for about twenty rows (from the format's
/// delta encoding), and a pressure takes more.
const MOST_PER_BYTE: usize = 512;

/// Deepest nesting of columns in columns that is followed: the library follows any, and ends the program where the stack does.
const DEEPEST: usize = 64;

/// Whether the description at the file's end can be read, and nests no deeper than columns do.
pub(super) fn is_shallow(bytes: &[u8]) -> bool {
    let described = || {
        let (rest, _mark) = bytes.split_last_chunk::<4>()?;
        let (rest, length) = rest.split_last_chunk::<4>()?;
        let length = usize::try_from(u32::from_le_bytes(*length)).ok()?;
        let footer = rest.get(rest.len().checked_sub(length)?..)?;
        let most = length.saturating_mul(2).saturating_add(1024);
        let mut protocol = TCompactInputProtocol::new(Cursor::new(footer), most);
        FileMetaData::read_from_in_protocol(&mut protocol).ok()
    };
    let Some(file) = described() else {
        return false;
    };
    // Columns stand one after the other, each with the number of those within it.
    let mut within: Vec<i32> = Vec::new();
    for column in &file.schema {
        while within.last() == Some(&0) {
            within.pop();
        }
        if let Some(left) = within.last_mut() {
            *left -= 1;
        }
        if let Some(children) = column.num_children.filter(|n| 0 < *n) {
            within.push(children);
        }
        if DEEPEST < within.len() {
            return false;
        }
    }
    true
}

/// Whether as many cells can be meant in a file of this size.
pub(super) fn can_hold(bytes: usize, file: &FileMetadata, columns: usize) -> bool {
    let groups = file.row_groups.iter().map(|g| g.num_rows());
    let rows = groups
        .fold(0_usize, usize::saturating_add)
        .max(file.num_rows);
    let most = bytes.saturating_mul(MOST_PER_BYTE);
    rows.saturating_mul(columns) <= most.clamp(FEW_CELLS, MOST_CELLS)
}

/// Whether all pages name sizes and counts that can be meant.
pub(super) fn are_sound(bytes: &[u8], file: &FileMetadata) -> bool {
    // For each thread no more than one row group is held.
    let mut groups = file.row_groups.iter();
    groups.all(|g| is_sound_group(bytes, g.num_rows(), g.parquet_columns()))
}

fn is_sound_group(bytes: &[u8], rows: usize, columns: &[ColumnChunkMetadata]) -> bool {
    let mut room = MOST;
    for column in columns {
        let mut rows_left = rows;
        let is_flat = column.descriptor().descriptor.max_rep_level == 0;
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
            if MOST_OF_PAGE < unpacked || !is_sound_dictionary(&page) {
                return false;
            }
            if let Some(values) = values(&page) {
                let left = usize::try_from(values)
                    .ok()
                    .and_then(|v| rows_left.checked_sub(v));
                match left {
                    Some(left) => rows_left = left,
                    None if is_flat || values < 0 => return false,
                    None => {}
                }
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

/// How many values a page of data says that it has.
fn values(page: &PageHeader) -> Option<i32> {
    let first = page.data_page_header.as_ref().map(|h| h.num_values);
    first.or(page.data_page_header_v2.as_ref().map(|h| h.num_values))
}

/// Whether a dictionary names a count that can be meant.
fn is_sound_dictionary(page: &PageHeader) -> bool {
    let words = page.dictionary_page_header.as_ref();
    words.is_none_or(|h| (0..=FEW_CELLS as i32).contains(&h.num_values))
}
