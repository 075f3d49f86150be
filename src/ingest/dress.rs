//! How a table is dressed: its encoding, what separates its cells, where its header stands; of a workbook, the sheet.

use std::io::{self, Read};

/// How characters are written as bytes: any encoding of the WHATWG Encoding Standard.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Encoding(&'static encoding_rs::Encoding);

impl Encoding {
    /// UTF-8, with or without byte order mark.
    pub(super) const UTF8: Self = Self(encoding_rs::UTF_8);
    /// UTF-16, low byte first.
    pub(super) const UTF16_LE: Self = Self(encoding_rs::UTF_16LE);
    /// UTF-16, high byte first.
    pub(super) const UTF16_BE: Self = Self(encoding_rs::UTF_16BE);
    /// Windows code page 1252, western European.
    pub(super) const WINDOWS_1252: Self = Self(encoding_rs::WINDOWS_1252);

    /// The encoding of a name, such as `windows-1252`; `None` for one that the standard does not have.
    pub(super) fn find(name: &str) -> Option<Self> {
        let found = encoding_rs::Encoding::for_label_no_replacement(name.trim().as_bytes());
        found.map(Self)
    }

    /// Its name in a mapping file.
    pub(super) fn word(self) -> String {
        self.0.name().to_ascii_lowercase()
    }

    /// The same text in UTF-8. UTF-8 itself passes through, faults and all: the cells know where they lie.
    pub(super) fn decoded<'a>(self, reader: Box<dyn Read + 'a>) -> Box<dyn Read + 'a> {
        if self == Self::UTF8 {
            return reader;
        }
        Box::new(Decoded {
            inner: reader,
            decoder: self.0.new_decoder_with_bom_removal(),
            raw: Vec::new(),
            text: Vec::new(),
            handed: 0,
            at_end: false,
        })
    }
}

/// Bytes decoded at a time.
const CHUNK: usize = 8192;

/// Hands on in UTF-8 what it reads; what is no character becomes U+FFFD.
struct Decoded<'a> {
    inner: Box<dyn Read + 'a>,
    decoder: encoding_rs::Decoder,
    raw: Vec<u8>,
    text: Vec<u8>,
    handed: usize,
    at_end: bool,
}

impl Decoded<'_> {
    /// Decodes the next stretch.
    fn refill(&mut self) -> io::Result<()> {
        self.raw.resize(CHUNK, 0);
        let got = self.inner.read(&mut self.raw)?;
        self.at_end = got == 0;
        self.raw.truncate(got);
        // Large enough for whatever the stretch decodes to; the limit is for sizes that no memory has.
        let most = self
            .decoder
            .max_utf8_buffer_length(got)
            .unwrap_or(4 * CHUNK);
        self.text.resize(most, 0);
        let (_, _, written, _) =
            self.decoder
                .decode_to_utf8(&self.raw, &mut self.text, self.at_end);
        self.text.truncate(written);
        self.handed = 0;
        Ok(())
    }
}

impl Read for Decoded<'_> {
    fn read(&mut self, into: &mut [u8]) -> io::Result<usize> {
        while self.handed == self.text.len() {
            if self.at_end {
                return Ok(0);
            }
            self.refill()?;
        }
        let mut left = self.text.get(self.handed..).unwrap_or_default();
        let got = left.read(into)?;
        self.handed += got;
        Ok(got)
    }
}

/// Where a row of units stands.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum UnitRow {
    /// There is none.
    None,
    /// Below the header.
    Below,
    /// Below the header; what it says is known to be wrong and is not looked at.
    Ignored,
    /// In this line, above the header.
    At(u64),
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
    /// Where a row of units stands.
    pub unit_row: UnitRow,
    /// Line of the first row with data, where lines of text stand between it and the header.
    pub first_row: Option<u64>,
    /// Of a workbook, the sheet.
    pub sheet: Option<String>,
}

impl Dress {
    /// As the contract has it.
    pub(super) fn contract() -> Self {
        Self {
            encoding: Encoding::UTF8,
            delimiter: b',',
            header_line: 1,
            unit_row: UnitRow::None,
            first_row: None,
            sheet: None,
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
        let text = decode(Encoding::WINDOWS_1252, &bytes);
        assert_eq!(
            text,
            "€\u{81}‚ƒ„…†‡ˆ‰Š‹Œ\u{8d}Ž\u{8f}\u{90}‘’“”•–—˜™š›œ\u{9d}žŸµé"
        );
    }

    #[test]
    fn a_byte_order_mark_is_no_text_and_half_a_character_is_marked() {
        assert_eq!(decode(Encoding::UTF16_LE, b"\xff\xfeA\0"), "A");
        assert_eq!(decode(Encoding::UTF16_BE, b"\xfe\xff\0A"), "A");
        assert_eq!(decode(Encoding::UTF16_LE, b"A\0B"), "A\u{fffd}");
        assert_eq!(decode(Encoding::UTF16_LE, b"\x3d\xd8"), "\u{fffd}");
        assert_eq!(decode(Encoding::UTF16_LE, b"\x3d\xd8A\0"), "\u{fffd}A");
    }

    proptest! {
        #[test]
        fn sixteen_bit_text_comes_back_as_it_was(text in "[^\u{feff}]{0,200}") {
            let little: Vec<u8> = text.encode_utf16().flat_map(u16::to_le_bytes).collect();
            let big: Vec<u8> = text.encode_utf16().flat_map(u16::to_be_bytes).collect();
            prop_assert_eq!(&decode(Encoding::UTF16_LE, &little), &text);
            prop_assert_eq!(&decode(Encoding::UTF16_BE, &big), &text);
        }
    }
}
