//! How a text file is dressed: its encoding, what separates its cells, where its header stands.

use std::io::{self, Read};

/// How characters are written as bytes.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Encoding {
    /// UTF-8, with or without byte order mark.
    Utf8,
    /// UTF-16, low byte first.
    Utf16Le,
    /// UTF-16, high byte first.
    Utf16Be,
    /// Windows code page 1252, western European.
    Windows1252,
}

impl Encoding {
    /// The words of the mapping file.
    pub(super) const WORDS: &'static [(&'static str, Encoding)] = &[
        ("utf-8", Encoding::Utf8),
        ("utf-16le", Encoding::Utf16Le),
        ("utf-16be", Encoding::Utf16Be),
        ("windows-1252", Encoding::Windows1252),
    ];

    /// The word of the mapping file.
    pub(super) fn word(self) -> &'static str {
        match self {
            Encoding::Utf8 => "utf-8",
            Encoding::Utf16Le => "utf-16le",
            Encoding::Utf16Be => "utf-16be",
            Encoding::Windows1252 => "windows-1252",
        }
    }

    /// The same text in UTF-8. UTF-8 itself passes through, faults and all: the cells know where they lie.
    pub(super) fn decoded<'a>(self, reader: Box<dyn Read + 'a>) -> Box<dyn Read + 'a> {
        let unit = match self {
            Encoding::Utf8 => return reader,
            Encoding::Utf16Le => Unit::Pair(u16::from_le_bytes),
            Encoding::Utf16Be => Unit::Pair(u16::from_be_bytes),
            Encoding::Windows1252 => Unit::Byte,
        };
        Box::new(Decoded {
            inner: reader,
            unit,
            raw: Vec::new(),
            text: Vec::new(),
            handed: 0,
            high: None,
            at_start: true,
        })
    }
}

/// What a code unit is made of.
#[derive(Clone, Copy)]
enum Unit {
    /// One byte of code page 1252.
    Byte,
    /// Two bytes of UTF-16.
    Pair(fn([u8; 2]) -> u16),
}

/// Characters 0x80 to 0x9F of code page 1252; the rest are those of Unicode.
/// Source: WHATWG Encoding Standard, index windows-1252 (2023-01-31).
const CODE_PAGE_1252: [char; 32] = [
    '\u{20ac}', '\u{81}', '\u{201a}', '\u{192}', '\u{201e}', '\u{2026}', '\u{2020}', '\u{2021}',
    '\u{2c6}', '\u{2030}', '\u{160}', '\u{2039}', '\u{152}', '\u{8d}', '\u{17d}', '\u{8f}',
    '\u{90}', '\u{2018}', '\u{2019}', '\u{201c}', '\u{201d}', '\u{2022}', '\u{2013}', '\u{2014}',
    '\u{2dc}', '\u{2122}', '\u{161}', '\u{203a}', '\u{153}', '\u{9d}', '\u{17e}', '\u{178}',
];

/// Hands on in UTF-8 what it reads; what is no character becomes U+FFFD.
struct Decoded<'a> {
    inner: Box<dyn Read + 'a>,
    unit: Unit,
    raw: Vec<u8>,
    text: Vec<u8>,
    handed: usize,
    /// The first half of a pair of surrogates.
    high: Option<u16>,
    at_start: bool,
}

impl Decoded<'_> {
    /// Decodes the next stretch; whether there was one.
    fn refill(&mut self) -> io::Result<bool> {
        let mut chunk = [0; 8192];
        let got = self.inner.read(&mut chunk)?;
        self.raw
            .extend_from_slice(chunk.get(..got).unwrap_or_default());
        self.text.clear();
        self.handed = 0;
        let raw = std::mem::take(&mut self.raw);
        match self.unit {
            Unit::Byte => raw.iter().for_each(|byte| {
                let index = usize::from(*byte).wrapping_sub(0x80);
                self.put(
                    CODE_PAGE_1252
                        .get(index)
                        .copied()
                        .unwrap_or(char::from(*byte)),
                );
            }),
            Unit::Pair(join) => {
                let (pairs, odd) = raw.as_chunks::<2>();
                pairs.iter().for_each(|pair| self.put_unit(join(*pair)));
                self.raw = odd.to_vec();
            }
        }
        if got == 0 && (self.high.take().is_some() || !self.raw.is_empty()) {
            self.raw.clear();
            self.put(char::REPLACEMENT_CHARACTER);
        }
        Ok(0 < got)
    }

    fn put_unit(&mut self, unit: u16) {
        match self.high.take() {
            None if (0xd800..0xdc00).contains(&unit) => self.high = Some(unit),
            None => self.put_units([unit]),
            Some(high) => self.put_units([high, unit]),
        }
    }

    fn put_units<const N: usize>(&mut self, units: [u16; N]) {
        for c in char::decode_utf16(units) {
            self.put(c.unwrap_or(char::REPLACEMENT_CHARACTER));
        }
    }

    fn put(&mut self, c: char) {
        let mark = std::mem::take(&mut self.at_start) && c == '\u{feff}';
        if !mark {
            let mut bytes = [0; 4];
            self.text
                .extend_from_slice(c.encode_utf8(&mut bytes).as_bytes());
        }
    }
}

impl Read for Decoded<'_> {
    fn read(&mut self, into: &mut [u8]) -> io::Result<usize> {
        while self.handed == self.text.len() {
            if !self.refill()? && self.text.is_empty() {
                return Ok(0);
            }
        }
        let mut left = self.text.get(self.handed..).unwrap_or_default();
        let got = left.read(into)?;
        self.handed += got;
        Ok(got)
    }
}

/// How a table is dressed.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Dress {
    /// How characters are written.
    pub encoding: Encoding,
    /// What separates cells: one ASCII character.
    pub delimiter: u8,
    /// Line of the header, from 1; what stands above it is not read.
    pub header_line: u64,
    /// Whether the row below the header holds units.
    pub unit_row: bool,
}

impl Dress {
    /// As the contract has it.
    pub(super) fn contract() -> Self {
        Self {
            encoding: Encoding::Utf8,
            delimiter: b',',
            header_line: 1,
            unit_row: false,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn decode(encoding: Encoding, bytes: &[u8]) -> String {
        let mut text = String::new();
        encoding
            .decoded(Box::new(bytes))
            .read_to_string(&mut text)
            .unwrap();
        text
    }

    #[test]
    fn the_code_page_agrees_with_its_standard() {
        // Python 3: bytes(range(0x80, 0xa0)).decode("cp1252", "replace"), and 0xB5 (micro sign), 0xE9 (é)
        let bytes: Vec<u8> = (0x80..=0x9f).chain([0xb5, 0xe9]).collect();
        let text = decode(Encoding::Windows1252, &bytes);
        assert_eq!(
            text,
            "€\u{81}‚ƒ„…†‡ˆ‰Š‹Œ\u{8d}Ž\u{8f}\u{90}‘’“”•–—˜™š›œ\u{9d}žŸµé"
        );
    }

    #[test]
    fn a_byte_order_mark_is_no_text_and_half_a_character_is_marked() {
        assert_eq!(decode(Encoding::Utf16Le, b"\xff\xfeA\0"), "A");
        assert_eq!(decode(Encoding::Utf16Be, b"\xfe\xff\0A"), "A");
        assert_eq!(decode(Encoding::Utf16Le, b"A\0B"), "A\u{fffd}");
        assert_eq!(decode(Encoding::Utf16Le, b"\x3d\xd8"), "\u{fffd}");
        assert_eq!(decode(Encoding::Utf16Le, b"\x3d\xd8A\0"), "\u{fffd}A");
    }

    proptest! {
        #[test]
        fn sixteen_bit_text_comes_back_as_it_was(text in "[^\u{feff}]{0,200}") {
            let little: Vec<u8> = text.encode_utf16().flat_map(u16::to_le_bytes).collect();
            let big: Vec<u8> = text.encode_utf16().flat_map(u16::to_be_bytes).collect();
            prop_assert_eq!(&decode(Encoding::Utf16Le, &little), &text);
            prop_assert_eq!(&decode(Encoding::Utf16Be, &big), &text);
        }
    }
}
