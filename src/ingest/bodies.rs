//! What an Arrow file says of its sizes, looked at before a library believes it: rows, and what compressed parts unpack to.
//!
//! In: the bytes of an Arrow IPC file or stream ("Arrow Columnar Format", section on serialisation and interprocess
//! communication). Out: whether each compressed part names a size that can be meant. The library that unpacks them takes the
//! memory that a part asks for, all at once; in a damaged or made-up file that may be more than any machine has.

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

/// What stands before each message.
const MARK: [u8; 4] = [0xff; 4];

/// Whether all compressed parts name a size that can be meant.
pub(super) fn are_sound(bytes: &[u8]) -> bool {
    let cells = FEW_CELLS.max((bytes.len() as u64).saturating_mul(MOST_PER_BYTE));
    let mut room = Room { bytes: MOST, cells };
    let mut at = 0;
    // Messages begin at multiples of eight; whatever the file's own list of them says, each has its mark.
    while let Some(mark) = bytes.get(at..).and_then(|b| b.first_chunk::<4>()) {
        if *mark == MARK && !is_sound(bytes, at, &mut room) {
            return false;
        }
        at += 8;
    }
    true
}

/// The same of the next message of a stream, of which no other is held.
pub(super) fn is_sound_next(message: &[u8], room: &mut Room) -> bool {
    let more = (message.len() as u64).saturating_mul(MOST_PER_BYTE);
    room.cells = room.cells.saturating_add(more);
    room.bytes = MOST;
    is_sound(message, 0, room)
}

/// Length of a message's description, which stands after its mark; `None` where no message begins.
pub(super) fn description(message: &[u8]) -> Option<u64> {
    message.starts_with(&MARK).then_some(())?;
    u64::try_from(number(message, 4)?).ok()
}

/// Length of the body that follows a message's description.
pub(super) fn body(message: &[u8]) -> Option<u64> {
    let description = message.get(8..)?;
    let root = reference(description, 0)?;
    let at = field(description, root, 3)?;
    let word = description.get(at..)?.first_chunk::<8>()?;
    u64::try_from(i64::from_le_bytes(*word)).ok()
}

/// The same of the message whose mark stands at a place.
fn is_sound(bytes: &[u8], mark: usize, room: &mut Room) -> bool {
    let (Some(length), Some(begin)) = (number(bytes, mark + 4), mark.checked_add(8)) else {
        return true;
    };
    let length = usize::try_from(length).unwrap_or(0);
    let Some(body) = begin.checked_add(length) else {
        return true;
    };
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
    let Some(parts) = compressed_parts(message) else {
        return true;
    };
    parts.into_iter().all(|(offset, length)| {
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
fn batch(message: &[u8]) -> Option<usize> {
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
    let batch = batch(message)?;
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

/// Offset and length of each part of a batch whose parts are compressed; `None` for anything else.
fn compressed_parts(message: &[u8]) -> Option<Vec<(i64, i64)>> {
    let batch = batch(message)?;
    field(message, batch, 3)?; // how parts are compressed
    let list = reference(message, field(message, batch, 2)?)?;
    let count = usize::try_from(number(message, list)?).ok()?;
    let parts = message.get(list + 4..)?;
    let parts = parts.as_chunks::<16>().0.iter().take(count);
    let word = |b: &[u8]| b.first_chunk::<8>().map_or(0, |w| i64::from_le_bytes(*w));
    Some(
        parts
            .map(|p| (word(p), word(p.get(8..).unwrap_or_default())))
            .collect(),
    )
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

    /// Places of the sizes that compressed parts name.
    fn sizes(bytes: &[u8]) -> Vec<usize> {
        let mut found = Vec::new();
        for mark in (0..bytes.len() - 8).step_by(8) {
            if bytes[mark..mark + 4] != MARK {
                continue;
            }
            let begin = mark + 8;
            let body = begin + number(bytes, mark + 4).unwrap() as usize;
            let parts = compressed_parts(&bytes[begin..]).unwrap_or_default();
            let long = parts.iter().filter(|p| 8 <= p.1);
            found.extend(long.map(|p| body + p.0 as usize));
        }
        found
    }

    #[test]
    fn a_part_that_names_more_than_can_be_meant_is_found() {
        assert!(are_sound(FILE) && are_sound(STREAM));
        let compressed = if sizes(FILE).is_empty() { STREAM } else { FILE };
        let places = sizes(compressed);
        assert!(!places.is_empty(), "one of the files is compressed");
        for place in places {
            let mut bad = compressed.to_vec();
            bad[place..place + 8].copy_from_slice(&(1_i64 << 50).to_le_bytes());
            assert!(!are_sound(&bad), "at {place}");
        }
    }

    #[test]
    fn a_count_of_rows_that_cannot_be_meant_is_found() {
        for file in [FILE, STREAM] {
            let mut found = 0;
            for mark in (0..file.len() - 8).step_by(8) {
                let message = &file[mark + 8..];
                let at = match &file[mark..mark + 4] == MARK.as_slice() {
                    true => batch(message).and_then(|b| field(message, b, 0)),
                    false => None,
                };
                let Some(at) = at else { continue };
                assert_eq!(long(message, at), Some(48)); // 24 rows of two channels
                for rows in [1_i64 << 40, -1] {
                    let mut bad = file.to_vec();
                    bad[mark + 8 + at..][..8].copy_from_slice(&rows.to_le_bytes());
                    assert!(!are_sound(&bad), "{rows}");
                }
                found += 1;
            }
            assert_eq!(found, 1);
        }
    }

    #[test]
    fn parts_that_together_name_more_than_can_be_held_are_found() {
        let compressed = if sizes(FILE).is_empty() { STREAM } else { FILE };
        let places = sizes(compressed);
        assert!(3 < places.len());
        let mut bad = compressed.to_vec();
        for (n, place) in places.into_iter().enumerate() {
            assert_eq!(are_sound(&bad), n < 2, "{n} parts");
            bad[place..place + 8].copy_from_slice(&MOST_UNPACKED.to_le_bytes());
        }
        assert!(!are_sound(&bad));
    }

    #[test]
    fn anything_else_is_left_to_its_reader() {
        assert!(are_sound(b""));
        assert!(are_sound(&[0xff; 64]));
        for cut in 0..FILE.len() {
            are_sound(&FILE[..cut]);
        }
    }
}
