//! The chains of sectors in an old workbook's container, looked through before a library follows them.
//!
//! In: the bytes of a compound file (MS-CFB, "Compound File Binary File Format"). Out: whether each chain ends. The library
//! that reads the sheets goes on along a chain until it ends; in a damaged or made-up file one may lead back into itself, and
//! memory would run out.

/// Sector numbers from here on are marks: end of chain, free, part of the tables themselves.
const MARKS: u32 = 0xFFFF_FFFA;

/// Whether all chains end. What is no compound file is sound: it is refused elsewhere.
pub(super) fn are_sound(bytes: &[u8]) -> bool {
    let size = match number::<2>(bytes, 30).map(u16::from_le_bytes) {
        Some(9) => 512,
        Some(12) => 4096,
        _ => return true,
    };
    let sectors = bytes.len() / size;
    let Some(mut list) = head_list(bytes) else {
        return true;
    };
    // The list of the table's own sectors goes on in sectors of its own, the last word of each naming the next.
    let mut next = word(bytes, 68).unwrap_or(MARKS);
    for _ in 0..=sectors {
        if MARKS <= next {
            break;
        }
        list.extend(words(sector(bytes, next, size)));
        next = list.pop().unwrap_or(MARKS);
    }
    list.retain(|id| *id < MARKS);
    if sectors < list.len() {
        return false;
    }
    let table: Vec<u32> = list
        .iter()
        .flat_map(|id| words(sector(bytes, *id, size)))
        .collect();
    if !all_end(&table) {
        return false;
    }
    // The table of the small streams lies in a chain of the large one.
    let mut small = Vec::new();
    let mut id = word(bytes, 60).unwrap_or(MARKS);
    for _ in 0..=sectors {
        let Some(&after) = table.get(id as usize) else {
            break;
        };
        small.extend(words(sector(bytes, id, size)));
        id = after;
    }
    all_end(&small)
}

fn number<const N: usize>(bytes: &[u8], at: usize) -> Option<[u8; N]> {
    bytes.get(at..)?.first_chunk::<N>().copied()
}

fn word(bytes: &[u8], at: usize) -> Option<u32> {
    number::<4>(bytes, at).map(u32::from_le_bytes)
}

fn head_list(bytes: &[u8]) -> Option<Vec<u32>> {
    Some(words(bytes.get(76..512)?).collect())
}

fn words(bytes: &[u8]) -> impl Iterator<Item = u32> {
    bytes
        .as_chunks::<4>()
        .0
        .iter()
        .map(|w| u32::from_le_bytes(*w))
}

/// What there is of a sector; the header takes the place of one.
fn sector(bytes: &[u8], id: u32, size: usize) -> &[u8] {
    let from = (id as usize).saturating_add(1).saturating_mul(size);
    let to = from.saturating_add(size).min(bytes.len());
    bytes.get(from..to).unwrap_or_default()
}

/// Whether no chain of a table leads back into itself.
fn all_end(table: &[u32]) -> bool {
    // The walk on which an entry was met; 0 = on none.
    let mut met = vec![0_u32; table.len()];
    for (start, walk) in (0..table.len()).zip(1_u32..) {
        let mut at = start;
        while let Some(mark) = met.get_mut(at) {
            if *mark == walk {
                return false;
            }
            if *mark != 0 {
                break; // followed before, and it ended
            }
            *mark = walk;
            at = match table.get(at) {
                Some(&next) if next < MARKS => next as usize,
                _ => break,
            };
        }
    }
    true
}

#[cfg(test)]
mod tests {
    use super::*;

    const OLD: &[u8] = include_bytes!("../../tests/it/data/tables/old.xls");

    #[test]
    fn a_chain_that_leads_back_into_itself_is_found() {
        let end = 0xFFFF_FFFE;
        assert!(all_end(&[1, 2, end, 4, end, 0xFFFF_FFFF]));
        assert!(all_end(&[2, 2, end])); // two that meet do end
        assert!(!all_end(&[1, 2, 0]));
        assert!(!all_end(&[0]));
        assert!(all_end(&[]));
    }

    #[test]
    fn a_real_workbook_is_sound_and_not_with_one_entry_led_back() {
        assert!(are_sound(OLD));
        assert!(are_sound(b"PK\x03\x04"));
        let first = word(OLD, 76).unwrap(); // the table's first sector
        let mut looped = OLD.to_vec();
        let at = (first as usize + 1) * 512 + 4 * 3;
        looped[at..at + 4].copy_from_slice(&3_u32.to_le_bytes());
        assert!(!are_sound(&looped));
    }
}
