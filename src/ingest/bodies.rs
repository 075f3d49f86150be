//! What an Arrow file says of its sizes, looked at before a library believes it: rows, and what compressed parts unpack to.
//!
//! In: the bytes of an Arrow IPC file or stream ("Arrow Columnar Format", section on serialisation and interprocess
//! communication). Out: whether each batch names counts and sizes that can be meant. The library that unpacks them takes the
//! memory that a part asks for, all at once; in a damaged or made-up file that may be more than any machine has. Batches are
//! looked for where the library will: in a file by the list at its end, in a stream one after the other.

/// Most that one part may unpack to, bytes: a column of more than a hundred million figures.
const MOST_UNPACKED: i64 = 1 << 30;
/// Most that all parts may unpack to, bytes.
const MOST: i64 = 1 << 31;

/// Cells that even the smallest file may have.
const FEW_CELLS: u64 = 1 << 24;
/// Cells in one byte beyond which nothing was measured: those of a compressed table of constants, many times over.
const MOST_PER_BYTE: u64 = 512;

/// What is still free.
pub(super) struct Room {
    bytes: i64,
    cells: u64,
}

impl Room {
    /// For a stream that nothing was read of.
    pub(super) fn of_stream() -> Self {
        Self {
            bytes: MOST,
            cells: FEW_CELLS,
        }
    }
}

/// Mark and length of a message's description, bytes.
const HEAD: usize = 8;
/// What stands before each message.
const MARK: [u8; 4] = [0xff; 4];

/// Deepest nesting of columns in columns that is followed: the library follows any, and ends the program where the stack does.
const DEEPEST: usize = 64;
/// Most columns, those within others counted wherever they are named.
const MOST_FIELDS: usize = 1 << 16;

/// The description of the columns: the part of the file that holds it, and its place in it.
pub(super) struct Schema<'b> {
    bytes: &'b [u8],
    table: usize,
}

/// The description in a file's end: `… | footer | its length, 4 bytes | ARROW1`.
pub(super) fn schema_of_file(bytes: &[u8]) -> Option<Schema<'_>> {
    let (rest, _mark) = bytes.split_last_chunk::<6>()?;
    let (rest, length) = rest.split_last_chunk::<4>()?;
    let length = usize::try_from(i32::from_le_bytes(*length)).ok()?;
    let bytes = rest.get(rest.len().checked_sub(length)?..)?;
    let place = field(bytes, reference(bytes, 0)?, 1)?;
    let table = reference(bytes, place)?;
    Some(Schema { bytes, table })
}

/// The description in a message of a stream; `None` where it holds something else.
fn schema_of_message(description: &[u8]) -> Option<Schema<'_>> {
    let root = reference(description, 0)?;
    let kind = description.get(field(description, root, 1)?)?;
    let table = reference(description, field(description, root, 2)?)?;
    (*kind == 1).then_some(Schema {
        bytes: description,
        table,
    })
}

impl Schema<'_> {
    /// Whether it nests no deeper than columns do.
    pub(super) fn is_shallow(&self) -> bool {
        self.are_shallow(self.tables(self.table, 1, 1))
    }

    fn are_shallow(&self, mut waiting: Vec<(usize, usize)>) -> bool {
        let mut met = 0;
        while let Some((column, depth)) = waiting.pop() {
            met += 1;
            if DEEPEST < depth || MOST_FIELDS < met {
                return false;
            }
            waiting.extend(self.tables(column, 5, depth + 1));
        }
        true
    }

    /// The tables of a list, by the number of the field that has it, with the depth they stand at.
    fn tables(&self, table: usize, which: usize, depth: usize) -> Vec<(usize, usize)> {
        let found = || {
            let list = reference(self.bytes, field(self.bytes, table, which)?)?;
            let count = usize::try_from(number(self.bytes, list)?).ok()?;
            let entries = self.bytes.get(list + 4..)?.len() / 4;
            let places = (0..count.min(entries).min(MOST_FIELDS + 1)).map(|i| list + 4 + 4 * i);
            let tables = places.filter_map(|at| reference(self.bytes, at));
            Some(tables.map(|t| (t, depth)).collect())
        };
        found().unwrap_or_default()
    }
}

/// Where a batch stands: its message, and the parts that this speaks of.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Batch {
    message: usize,
    body: usize,
}

/// The batches of a file, by its list of `(place, length of the message with its mark)`.
pub(super) fn of_file(bytes: &[u8], listed: impl Iterator<Item = (i64, i32)>) -> Vec<Batch> {
    let found = listed.filter_map(|(place, length)| {
        let place = usize::try_from(place).ok()?;
        let body = place.checked_add(usize::try_from(length).ok()?)?;
        let (message, _) = message(bytes, place)?;
        Some(Batch { message, body })
    });
    found.collect()
}

/// Whether the next message of a stream, of which no other is held, names nothing that cannot be meant.
pub(super) fn is_sound_next(message: &[u8], room: &mut Room) -> bool {
    let more = (message.len() as u64).saturating_mul(MOST_PER_BYTE);
    room.cells = room.cells.saturating_add(more);
    room.bytes = MOST;
    let length = description(message).and_then(|l| usize::try_from(l).ok());
    let Some(body) = length.and_then(|l| l.checked_add(HEAD)) else {
        return true;
    };
    let schema = schema_of_message(message.get(HEAD..).unwrap_or_default());
    let batch = Batch {
        message: HEAD,
        body,
    };
    schema.is_none_or(|s| s.is_shallow()) && is_sound(message, batch, room)
}

/// Length of a message's description, which stands after its mark; `None` where no message begins.
pub(super) fn description(message: &[u8]) -> Option<u64> {
    message.starts_with(&MARK).then_some(())?;
    u64::try_from(number(message, 4)?).ok()
}

/// Length of the body that follows a message's description.
pub(super) fn body(message: &[u8]) -> Option<u64> {
    let description = message.get(HEAD..)?;
    let root = reference(description, 0)?;
    let at = field(description, root, 3)?;
    u64::try_from(long(description, at)?).ok()
}

/// Where the message at a place begins, behind its mark and its length, and that length.
fn message(bytes: &[u8], at: usize) -> Option<(usize, usize)> {
    let first = bytes.get(at..)?.first_chunk::<4>()?;
    let at = if *first == MARK { at + 4 } else { at };
    let length = usize::try_from(number(bytes, at)?).ok()?;
    Some((at + 4, length))
}

/// Whether all batches name counts and sizes that can be meant.
pub(super) fn are_sound(bytes: &[u8], batches: &[Batch]) -> bool {
    let cells = FEW_CELLS.max((bytes.len() as u64).saturating_mul(MOST_PER_BYTE));
    let mut room = Room { bytes: MOST, cells };
    batches.iter().all(|b| is_sound(bytes, *b, &mut room))
}

/// The same of one.
fn is_sound(bytes: &[u8], batch: Batch, room: &mut Room) -> bool {
    let Batch {
        message: begin,
        body,
    } = batch;
    let message = bytes.get(begin..).unwrap_or_default();
    for rows in counts(message).unwrap_or_default() {
        let left = u64::try_from(rows)
            .ok()
            .and_then(|r| room.cells.checked_sub(r));
        let Some(left) = left else {
            return false;
        };
        room.cells = left;
    }
    let Some((parts, are_compressed)) = parts(message) else {
        return true;
    };
    parts.into_iter().all(|(offset, length)| {
        if !(0..=bytes.len() as i64).contains(&length) {
            return false;
        }
        if !are_compressed {
            return true;
        }
        let place = usize::try_from(offset)
            .ok()
            .and_then(|o| body.checked_add(o));
        let named = place
            .and_then(|p| bytes.get(p..)?.first_chunk::<8>())
            .map_or(0, |b| i64::from_le_bytes(*b));
        // -1 stands before a part that was left as it is.
        if length < 8 || named == -1 {
            return true;
        }
        room.bytes = room.bytes.saturating_sub(named.max(0));
        (0..=MOST_UNPACKED).contains(&named) && 0 <= room.bytes
    })
}

/// The table of a message that is a batch of rows.
fn table_of(message: &[u8]) -> Option<usize> {
    let root = reference(message, 0)?;
    let kind = message.get(field(message, root, 1)?)?;
    let header = reference(message, field(message, root, 2)?)?;
    match kind {
        3 => Some(header),
        2 => reference(message, field(message, header, 1)?), // a dictionary's batch
        _ => None,
    }
}

/// How many rows a batch says that it has, and each of its columns.
fn counts(message: &[u8]) -> Option<Vec<i64>> {
    let batch = table_of(message)?;
    let all = field(message, batch, 0).and_then(|at| long(message, at));
    let mut counts: Vec<i64> = all.into_iter().collect();
    let columns = field(message, batch, 1).and_then(|at| reference(message, at));
    if let Some(list) = columns {
        let count = usize::try_from(number(message, list)?).ok()?;
        let columns = message.get(list + 4..)?.as_chunks::<16>().0.iter();
        counts.extend(columns.take(count).filter_map(|c| long(c, 0)));
    }
    Some(counts)
}

/// Offset and length of each part of a batch, and whether they are compressed; `None` for anything else.
fn parts(message: &[u8]) -> Option<(Vec<(i64, i64)>, bool)> {
    let batch = table_of(message)?;
    let are_compressed = field(message, batch, 3).is_some();
    let list = reference(message, field(message, batch, 2)?)?;
    let count = usize::try_from(number(message, list)?).ok()?;
    let parts = message.get(list + 4..)?;
    let parts = parts.as_chunks::<16>().0.iter().take(count);
    let word = |b: &[u8]| b.first_chunk::<8>().map_or(0, |w| i64::from_le_bytes(*w));
    let parts = parts.map(|p| (word(p), word(p.get(8..).unwrap_or_default())));
    Some((parts.collect(), are_compressed))
}

// FlatBuffers ("FlatBuffer Internals"): a table begins with the way back to the list of its fields' places.

fn number(bytes: &[u8], at: usize) -> Option<i32> {
    let word = bytes.get(at..)?.first_chunk::<4>()?;
    Some(i32::from_le_bytes(*word))
}

fn long(bytes: &[u8], at: usize) -> Option<i64> {
    let word = bytes.get(at..)?.first_chunk::<8>()?;
    Some(i64::from_le_bytes(*word))
}

/// The place that a reference leads to.
fn reference(bytes: &[u8], at: usize) -> Option<usize> {
    at.checked_add(usize::try_from(number(bytes, at)?).ok()?)
}

/// The place of a table's field; `None` where it is left out.
fn field(bytes: &[u8], table: usize, which: usize) -> Option<usize> {
    let back = i64::from(number(bytes, table)?);
    let list = usize::try_from(i64::try_from(table).ok()? - back).ok()?;
    let small = |at: usize| {
        let two = bytes.get(at..)?.first_chunk::<2>()?;
        Some(usize::from(u16::from_le_bytes(*two)))
    };
    let entry = 4 + 2 * which;
    let place = (entry < small(list)?)
        .then(|| small(list + entry))
        .flatten()?;
    (place != 0).then(|| table.checked_add(place)).flatten()
}

#[cfg(test)]
mod tests {
    use super::*;

    const FILE: &[u8] = include_bytes!("../../tests/it/data/tables/columns.arrow");
    const STREAM: &[u8] = include_bytes!("../../tests/it/data/tables/columns.arrows");

    fn listed(bytes: &[u8]) -> Vec<Batch> {
        if bytes.starts_with(&MARK) {
            let mut found = Vec::new();
            let mut at = 0;
            while let Some(length) = description(&bytes[at..]).filter(|l| 0 < *l) {
                let after = at + HEAD + length as usize;
                found.push(Batch {
                    message: at + HEAD,
                    body: after,
                });
                at = after + body(&bytes[at..]).unwrap_or(0) as usize;
            }
            return found;
        }
        let file =
            polars_arrow::io::ipc::read::read_file_metadata(&mut std::io::Cursor::new(bytes));
        let blocks = file.unwrap().blocks;
        of_file(bytes, blocks.iter().map(|b| (b.offset, b.meta_data_length)))
    }

    fn is_sound_file(bytes: &[u8]) -> bool {
        are_sound(bytes, &listed(bytes))
    }

    /// Places of the sizes that compressed parts name.
    fn sizes(bytes: &[u8]) -> Vec<usize> {
        let mut found = Vec::new();
        for batch in listed(bytes) {
            if let Some((parts, true)) = parts(&bytes[batch.message..]) {
                let long = parts.iter().filter(|p| 8 <= p.1);
                found.extend(long.map(|p| batch.body + p.0 as usize));
            }
        }
        found
    }

    #[test]
    fn a_part_that_names_more_than_can_be_meant_is_found() {
        assert!(is_sound_file(FILE) && is_sound_file(STREAM));
        assert_eq!((listed(FILE).len(), listed(STREAM).len()), (1, 2)); // a stream's first message is the schema
        let places = sizes(FILE);
        assert!(!places.is_empty(), "the file is compressed");
        for place in places {
            let mut bad = FILE.to_vec();
            bad[place..place + 8].copy_from_slice(&(1_i64 << 50).to_le_bytes());
            assert!(!is_sound_file(&bad), "at {place}");
        }
    }

    #[test]
    fn a_description_is_found_and_its_depth_is_counted() {
        for schema in [schema_of_file(FILE), schema_of_message(&STREAM[HEAD..])] {
            let schema = schema.unwrap();
            assert!(schema.is_shallow());
            // Seven columns, the last a list of numbers.
            let columns = schema.tables(schema.table, 1, 1);
            assert_eq!(columns.len(), 7);
            let within = |c: &(usize, usize)| schema.tables(c.0, 5, 2).len();
            let within: Vec<usize> = columns.iter().map(within).collect();
            assert_eq!(within, [0, 0, 0, 0, 0, 0, 1]);
        }
        assert!(schema_of_file(b"ARROW1").is_none() && schema_of_message(&MARK).is_none());
    }

    #[test]
    fn columns_within_columns_without_end_are_found() {
        // A column whose only child is the next one: 16 bytes each. A table begins with the way back to its list of places.
        let chain = |n: usize| {
            // The list of places: 16 bytes long, the sixth field at 4; all tables share it.
            let mut bytes = vec![16, 0, 8, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 4, 0];
            for i in 0..n {
                let place = bytes.len() as i32;
                bytes.extend(place.to_le_bytes()); // back to the list at 0
                bytes.extend(4_i32.to_le_bytes()); // to the children: the next four bytes
                let children = if i + 1 < n { 1_i32 } else { 0 };
                bytes.extend(children.to_le_bytes());
                bytes.extend(4_i32.to_le_bytes()); // to the next column
            }
            bytes
        };
        for (n, shallow) in [(1, true), (65, true), (66, false), (100_000, false)] {
            let bytes = chain(n);
            let schema = Schema {
                bytes: &bytes,
                table: 16,
            };
            assert_eq!(schema.are_shallow(schema.tables(16, 5, 1)), shallow, "{n}");
        }
    }

    #[test]
    fn a_batch_is_found_where_the_list_says_wherever_that_is() {
        // Three bytes more before the batch, as the file's own list has it: no longer at a multiple of eight.
        let [batch] = listed(FILE)[..] else {
            panic!("one batch")
        };
        let place = batch.message - 8;
        let mut moved = FILE.to_vec();
        moved.splice(place..place, [0; 3]);
        let at = place as i64 + 3;
        let found = of_file(&moved, std::iter::once((at, (batch.body - place) as i32)));
        assert_eq!(
            found,
            [Batch {
                message: batch.message + 3,
                body: batch.body + 3
            }]
        );
        assert!(are_sound(&moved, &found));
        let size = sizes(FILE)[0] + 3;
        moved[size..size + 8].copy_from_slice(&(1_i64 << 50).to_le_bytes());
        assert!(!are_sound(&moved, &found));
    }

    #[test]
    fn a_count_of_rows_that_cannot_be_meant_is_found() {
        for file in [FILE, STREAM] {
            let mut found = 0;
            for batch in listed(file) {
                let message = &file[batch.message..];
                let Some(at) = table_of(message).and_then(|b| field(message, b, 0)) else {
                    continue;
                };
                assert_eq!(long(message, at), Some(48)); // 24 rows of two channels
                for rows in [1_i64 << 40, -1] {
                    let mut bad = file.to_vec();
                    bad[batch.message + at..][..8].copy_from_slice(&rows.to_le_bytes());
                    assert!(!is_sound_file(&bad), "{rows}");
                }
                found += 1;
            }
            assert_eq!(found, 1);
        }
    }

    #[test]
    fn parts_that_together_name_more_than_can_be_held_are_found() {
        let places = sizes(FILE);
        assert!(3 < places.len());
        let mut bad = FILE.to_vec();
        for (n, place) in places.into_iter().enumerate() {
            assert_eq!(is_sound_file(&bad), n < 2, "{n} parts");
            bad[place..place + 8].copy_from_slice(&MOST_UNPACKED.to_le_bytes());
        }
        assert!(!is_sound_file(&bad));
    }

    #[test]
    fn anything_else_is_left_to_its_reader() {
        let mut room = Room::of_stream();
        assert!(is_sound_next(b"", &mut room));
        assert!(is_sound_next(&[0xff; 64], &mut room));
        for cut in 0..STREAM.len() {
            is_sound_next(&STREAM[..cut], &mut Room::of_stream());
        }
    }
}
