//! A file of HL7 v2 messages, one after the other.
//!
//! In: bytes: messages of any line end, with or without the bytes that frame them on a wire, the envelopes of a batch, lines
//! that a letter or a page has broken. Out: [`Message`], its segments with their lines. One message is held at a time, and
//! none may be longer than [`LONGEST_MESSAGE`].

use super::er7::{Delimiters, Segment};
use crate::error::{Error, Result};
use crate::ingest::Source;
use crate::ingest::table::cannot_read;
use std::io::{BufRead, BufReader, Read};
use std::path::PathBuf;

/// Longest message accepted, bytes: one of a pump has a few thousand.
pub(super) const LONGEST_MESSAGE: usize = 1 << 20;

/// Segments of the standard that may begin a line. A line that begins otherwise goes on from the line before; without the
/// list, `MDC|` in a broken line would be taken for one.
const SEGMENTS: &[&str] = &[
    "ABS", "ACC", "ADD", "AIG", "AIL", "AIP", "AIS", "AL1", "ARV", "BLG", "CON", "CTD", "CTI",
    "DB1", "DG1", "DRG", "DSC", "DSP", "ECD", "EQP", "ERR", "EVN", "FT1", "GT1", "IAM", "IN1",
    "IN2", "IN3", "INV", "LOC", "MFE", "MFI", "MRG", "MSA", "MSH", "NCK", "NK1", "NSC", "NST",
    "NTE", "OBR", "OBX", "ODS", "ORC", "PD1", "PDA", "PID", "PR1", "PRA", "PRD", "PRT", "PV1",
    "PV2", "QAK", "QID", "QPD", "QRD", "QRF", "QRI", "RCP", "RDF", "RDT", "ROL", "RXA", "RXC",
    "RXD", "RXE", "RXG", "RXO", "RXR", "RXV", "SAC", "SCH", "SFT", "SID", "SPM", "TCC", "TCD",
    "TQ1", "TQ2", "TXA", "UAC",
];

const ENVELOPES: &[&str] = &["FHS", "BHS", "BTS", "FTS"];

/// The bytes that frame a message on a wire, before and behind it.
const FRAME: [u8; 2] = [0x0b, 0x1c];

/// One message.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Message {
    /// Never empty; the first one is its header.
    pub(super) segments: Vec<Segment>,
    /// Whether the file ends within it.
    pub(super) is_cut: bool,
}

impl Message {
    /// The header.
    pub(super) fn header(&self) -> Option<&Segment> {
        self.segments.first()
    }

    /// Whether its last observation breaks off: before its status (OBX-11), which each one has, or within a field that an
    /// earlier one has at full length.
    fn breaks_off(&self) -> bool {
        let Some((last, before)) = self.segments.split_last() else {
            return false;
        };
        if last.id() != "OBX" {
            return false;
        }
        let at = last.text.matches(last.signs.field).count();
        let end = last.field(at);
        let longer = |s: &Segment| {
            let whole = s.field(at);
            s.id() == "OBX" && end.len() < whole.len() && whole.starts_with(end)
        };
        at < 11 || (!end.is_empty() && before.iter().any(longer))
    }

    /// Line on which it begins.
    pub(super) fn line(&self) -> u64 {
        self.header().map_or(0, |s| s.line)
    }
}

/// Whether bytes at a file's begin are those of messages.
pub(in crate::ingest) fn begins_messages(begin: &[u8]) -> bool {
    let begin = begin.strip_prefix(b"\xef\xbb\xbf").unwrap_or(begin);
    let blank = |b: &u8| b.is_ascii_whitespace() || FRAME.contains(b);
    let skipped = begin.iter().take_while(|b| blank(b)).count();
    let rest = begin.get(skipped..).unwrap_or_default();
    let Some((id, [sign, ..])) = rest.split_at_checked(3) else {
        return false;
    };
    [&b"MSH"[..], b"FHS", b"BHS"].contains(&id) && sign.is_ascii_punctuation() && *sign != b','
}

/// Messages in another form than the one that is read: what they are, and what to do; by a file's first bytes.
pub(in crate::ingest) fn other_form(begin: &[u8]) -> Option<(&'static str, &'static str)> {
    let text: Vec<u8> = begin.iter().copied().filter(|b| *b != 0).collect();
    let marked = text
        .strip_prefix(b"\xff\xfe")
        .or_else(|| text.strip_prefix(b"\xfe\xff"));
    if text.len() < begin.len() && begins_messages(marked.unwrap_or(&text)) {
        return Some(("found HL7 v2 messages in UTF-16", "save the file as UTF-8"));
    }
    let text = String::from_utf8_lossy(&text);
    let is_root = |name: &str| text.contains(&format!("<{name}"));
    if text
        .trim_start_matches('\u{feff}')
        .trim_start()
        .starts_with('<')
        && (text.contains("urn:hl7-org:v2xml")
            || ["ORU_R01", "ORU_R40", "ORU_R42"].into_iter().any(is_root))
    {
        return Some((
            "found HL7 v2 messages in XML",
            "export them in the usual form, which begins with `MSH|`",
        ));
    }
    text.contains("MSH|^~\\&").then_some((
        "found HL7 v2 messages with something else before each",
        "a message begins its line with `MSH`: take out what the log wrote before it",
    ))
}

/// Reads the messages of a file.
pub(super) struct Messages<'a> {
    pub(super) name: PathBuf,
    lines: Lines<BufReader<&'a mut dyn Read>>,
    /// The header line of the next message.
    next: Option<(u64, Vec<u8>)>,
}

impl<'a> Messages<'a> {
    pub(super) fn open(source: Source<'a>) -> Self {
        Self {
            name: source.name.to_path_buf(),
            lines: Lines {
                reader: BufReader::with_capacity(1 << 16, source.reader),
                line: 0,
                after_cr: false,
                frame_is_open: false,
                no_end: false,
            },
            next: None,
        }
    }

    /// The next message.
    pub(super) fn next(&mut self) -> Result<Option<Message>> {
        let Some((line, header)) = self.header()? else {
            return Ok(None);
        };
        let charset = Charset::of(&header);
        let text = charset.text(&header);
        let signs = Delimiters::of(&text).ok_or_else(|| {
            Error::in_file(
                &self.name,
                "expected the delimiters of a message, for example `MSH|^~\\&|`",
            )
            .at_line(line)
            .in_column("MSH-1")
            .hint("export the messages again; the header says what divides the fields")
        })?;
        let mut message = Message {
            segments: vec![Segment { line, text, signs }],
            is_cut: false,
        };
        let mut size = header.len();
        loop {
            let Some((line, bytes)) = self.read_line()? else {
                let lines = &self.lines;
                message.is_cut = lines.frame_is_open || (lines.no_end && message.breaks_off());
                break;
            };
            size += bytes.len() + 1;
            if LONGEST_MESSAGE < size {
                return Err(self.too_long(message.line()));
            }
            let id = bytes.get(..3).unwrap_or_default();
            if id == b"MSH" {
                self.next = Some((line, bytes));
                break;
            }
            let text = charset.text(&bytes);
            if begins_one_of(&text, ENVELOPES, signs) {
                continue;
            }
            let is_own = id.first() == Some(&b'Z') && text.chars().nth(3) == Some(signs.field);
            if begins_one_of(&text, SEGMENTS, signs) || is_own {
                message.segments.push(Segment { line, text, signs });
            } else if let Some(last) = message.segments.last_mut() {
                last.text += &text;
            }
        }
        Ok(Some(message))
    }

    /// The line with which the next message begins; envelopes and blank lines before it are passed over.
    fn header(&mut self) -> Result<Option<(u64, Vec<u8>)>> {
        if let Some(header) = self.next.take() {
            return Ok(Some(header));
        }
        while let Some((line, bytes)) = self.read_line()? {
            let id = bytes.get(..3).unwrap_or_default();
            if id == b"MSH" {
                return Ok(Some((line, bytes)));
            }
            if !ENVELOPES.iter().any(|e| e.as_bytes() == id) {
                return Err(Error::in_file(
                    &self.name,
                    "expected a message, which begins with `MSH`",
                )
                .at_line(line)
                .hint("the file is no file of HL7 v2 messages, or its begin is missing"));
            }
        }
        Ok(None)
    }

    fn read_line(&mut self) -> Result<Option<(u64, Vec<u8>)>> {
        match self.lines.next() {
            Ok(Some(line)) => Ok(Some(line)),
            Ok(None) => Ok(None),
            Err(e) if e.kind() == std::io::ErrorKind::FileTooLarge => {
                Err(self.too_long(self.lines.line))
            }
            Err(e) => Err(cannot_read(&self.name, &e)),
        }
    }

    fn too_long(&self, line: u64) -> Error {
        let what =
            format!("expected a message, found more than {LONGEST_MESSAGE} bytes without its end");
        Error::in_file(&self.name, what)
            .at_line(line)
            .hint("the file is damaged, or holds something else than messages of pumps")
    }
}

fn begins_one_of(text: &str, ids: &[&str], signs: Delimiters) -> bool {
    let sign = text.chars().nth(3);
    let id = text.get(..3).unwrap_or_default();
    ids.contains(&id) && (sign.is_none() || sign == Some(signs.field))
}

/// How the bytes of a message are written.
enum Charset {
    /// UTF-8 where the bytes are that, else one byte per sign: the header does not say, or says either.
    Open,
    /// One byte per sign (ISO 8859-1 and what is usual in its place).
    Western,
}

impl Charset {
    fn of(header: &[u8]) -> Self {
        let text = String::from_utf8_lossy(header);
        let sign = text.chars().nth(3).unwrap_or('|');
        match text.split(sign).nth(17) {
            Some(name) if name.starts_with("8859/1") => Charset::Western,
            _ => Charset::Open,
        }
    }

    fn text(&self, bytes: &[u8]) -> String {
        let western = || {
            encoding_rs::WINDOWS_1252
                .decode_without_bom_handling(bytes)
                .0
        };
        match (self, std::str::from_utf8(bytes)) {
            (Charset::Open, Ok(text)) => text.to_string(),
            _ => western().into_owned(),
        }
    }
}

/// Lines that end in CR, LF or both; blank ones are passed over, framing bytes and a byte order mark dropped.
struct Lines<R> {
    reader: R,
    line: u64,
    /// Whether the line before ended in CR: an LF next belongs to it.
    after_cr: bool,
    /// Whether a frame was begun and not ended.
    frame_is_open: bool,
    /// Whether the last line has no end.
    no_end: bool,
}

impl<R: BufRead> Lines<R> {
    fn next(&mut self) -> std::io::Result<Option<(u64, Vec<u8>)>> {
        let mut bytes = Vec::new();
        loop {
            let buffer = self.reader.fill_buf()?;
            if buffer.is_empty() {
                self.line += u64::from(!bytes.is_empty());
                self.no_end |= !bytes.is_empty();
                return Ok(self.clean(bytes));
            }
            if self.after_cr {
                self.after_cr = false;
                if buffer.first() == Some(&b'\n') {
                    self.reader.consume(1);
                    continue;
                }
            }
            let end = buffer.iter().position(|b| matches!(b, b'\r' | b'\n'));
            let (part, taken) = match end {
                Some(at) => (buffer.get(..at).unwrap_or_default(), at + 1),
                None => (buffer, buffer.len()),
            };
            bytes.extend_from_slice(part);
            if let Some(at) = end {
                self.after_cr = buffer.get(at) == Some(&b'\r');
            }
            self.reader.consume(taken);
            if LONGEST_MESSAGE < bytes.len() {
                self.line += 1;
                return Err(std::io::ErrorKind::FileTooLarge.into());
            }
            if end.is_some() {
                self.line += 1;
                if let Some(line) = self.clean(std::mem::take(&mut bytes)) {
                    return Ok(Some(line));
                }
            }
        }
    }

    fn clean(&mut self, mut bytes: Vec<u8>) -> Option<(u64, Vec<u8>)> {
        if let Some(frame) = bytes.iter().rfind(|b| FRAME.contains(b)) {
            self.frame_is_open = *frame == FRAME[0];
        }
        bytes.retain(|b| !FRAME.contains(b));
        if self.line == 1 && bytes.starts_with(b"\xef\xbb\xbf") {
            bytes.drain(..3);
        }
        (!bytes.trim_ascii().is_empty()).then_some((self.line, bytes))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use rstest::rstest;

    fn all(bytes: &[u8]) -> Result<Vec<Vec<(u64, String)>>> {
        let mut reader = bytes;
        let mut messages = Messages::open(Source {
            name: "m.hl7".as_ref(),
            reader: &mut reader,
        });
        let mut found = Vec::new();
        while let Some(message) = messages.next()? {
            let segments = message.segments.into_iter();
            found.push(segments.map(|s| (s.line, s.text)).collect());
        }
        Ok(found)
    }

    #[rstest]
    #[case::cr("MSH|^~\\&|A\rOBX|1\rMSH|^~\\&|B\rOBX|2\r", [1, 2, 3, 4])]
    #[case::lf("MSH|^~\\&|A\nOBX|1\nMSH|^~\\&|B\nOBX|2", [1, 2, 3, 4])]
    #[case::both("MSH|^~\\&|A\r\nOBX|1\r\n\r\nMSH|^~\\&|B\r\nOBX|2\r\n", [1, 2, 4, 5])]
    #[case::framed("\x0bMSH|^~\\&|A\rOBX|1\r\x1c\r\x0bMSH|^~\\&|B\rOBX|2\r\x1c\r", [1, 2, 4, 5])]
    #[case::batch("FHS|^~\\&|F\rBHS|^~\\&|G\rMSH|^~\\&|A\rOBX|1\rMSH|^~\\&|B\rOBX|2\rBTS|2\rFTS|1\r", [3, 4, 5, 6])]
    fn messages_are_found_whatever_stands_around_them(#[case] text: &str, #[case] lines: [u64; 4]) {
        let found = all(text.as_bytes()).unwrap();
        let said = |line, text: &str| (line, text.to_string());
        let expected = [
            vec![said(lines[0], "MSH|^~\\&|A"), said(lines[1], "OBX|1")],
            vec![said(lines[2], "MSH|^~\\&|B"), said(lines[3], "OBX|2")],
        ];
        assert_eq!(found, expected);
    }

    #[test]
    fn a_line_broken_in_the_midst_of_a_segment_is_put_together() {
        let text = "MSH|^~\\&|A\rOBX|1||70054^MDC_DEV_\r\nPUMP^\r\nMDC|1.1.0.0\rZPX|own\rNTE|1";
        let found = all(text.as_bytes()).unwrap();
        let texts: Vec<&str> = found[0].iter().map(|s| s.1.as_str()).collect();
        assert_eq!(
            texts,
            [
                "MSH|^~\\&|A",
                "OBX|1||70054^MDC_DEV_PUMP^MDC|1.1.0.0",
                "ZPX|own",
                "NTE|1"
            ]
        );
        assert_eq!(found[0][2].0, 5);
    }

    #[test]
    fn the_header_says_how_the_bytes_are_written() {
        let western = b"MSH|^~\\&|A|||||||||||||||8859/1\rNTE|1||\xb5L".to_vec();
        assert_eq!(all(&western).unwrap()[0][1].1, "NTE|1||µL");
        let utf8 = "MSH|^~\\&|A|||||||||||||||UNICODE UTF-8\rNTE|1||µL".as_bytes();
        assert_eq!(all(utf8).unwrap()[0][1].1, "NTE|1||µL");
    }

    #[test]
    fn what_is_no_message_is_refused_at_its_line() {
        let error = all(b"FHS|^~\\&|\rPID|1\r").unwrap_err();
        assert_eq!(
            error.to_string(),
            "m.hl7:2: expected a message, which begins with `MSH`\n\
             hint: the file is no file of HL7 v2 messages, or its begin is missing"
        );
        let error = all(b"MSH|^~\\&|\rMSHabc\r").unwrap_err();
        assert!(
            error
                .to_string()
                .starts_with("m.hl7:2: column `MSH-1`: expected the delimiters")
        );
    }

    #[test]
    fn a_message_without_end_is_refused_and_not_held() {
        for part in [b"x".as_slice(), b"OBX|1|\r".as_slice()] {
            let mut bytes = b"MSH|^~\\&|A\rMSH|^~\\&|B\rNTE|".to_vec();
            bytes.extend(part.repeat(3 * LONGEST_MESSAGE / part.len()));
            let error = all(&bytes).unwrap_err();
            let line = error.place.as_ref().unwrap().line;
            assert!(matches!(line, Some(2 | 3)), "{error}");
            assert!(error.what.contains("more than 1048576 bytes"), "{error}");
        }
    }
}
