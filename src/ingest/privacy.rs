//! Looks through a file that is to be given away for what may still identify somebody.
//!
//! In: a file of any kind. Out: where something stands that looks like a date, a long number, an address, or a column that may
//! identify somebody; never the thing itself. It finds what has a shape. A name in free text has none.

use super::Source;
use super::book_notes::{self, NoteKind};
use super::grid::{self, Grid, Opened};
use super::names::identifies;
use super::sheet::{Sheet, Wanted};
use super::table::cannot_read;
use crate::error::{Error, Result};
use crate::record::{Looks, Survivor};
use std::io::{BufRead, BufReader, Read};
use std::path::Path;

/// Longest stretch looked at as one line, bytes.
const LONGEST: u64 = 1 << 20;
/// Most bytes of a workbook.
const LARGEST: u64 = 2 << 30;
/// Most findings kept; more say no more.
const MOST: usize = 10_000;

/// Looks through one file.
///
/// # Errors
/// A file that cannot be read.
pub fn survivors(source: Source) -> Result<Vec<Survivor>> {
    let name = source.name.to_path_buf();
    let mut found = Found {
        file: name.display().to_string(),
        all: Vec::new(),
        header: Vec::new(),
    };
    if let Some(name) = name.file_name() {
        found.note("name", &name.to_string_lossy());
    }
    let Source { reader, .. } = source;
    let mut first = Vec::with_capacity(4);
    let begun = Read::take(&mut *reader, 4).read_to_end(&mut first);
    begun.map_err(|e| cannot_read(&name, &e))?;
    if matches!(first.as_slice(), b"PK\x03\x04" | [0xd0, 0xcf, 0x11, 0xe0]) {
        let rest = reader.take(LARGEST).read_to_end(&mut first);
        rest.map_err(|e| cannot_read(&name, &e))?;
        found.workbook(&name, &first)?;
        return Ok(found.all);
    }
    let mut reader = std::io::Cursor::new(first).chain(reader);
    let source = Source {
        name: &name,
        reader: &mut reader,
    };
    match grid::open(source, &Wanted::default())? {
        Opened::Grid(mut grid) => {
            for (key, value) in grid.notes() {
                // The schema as bytes, which is no text.
                if key != "ARROW:schema" {
                    found.note("description", &format!("{key} {value}"));
                }
            }
            found.rows(&mut *grid)?;
        }
        Opened::Text(reader) => {
            let mut reader = BufReader::new(reader);
            let mut bytes = Vec::new();
            for line in 1.. {
                bytes.clear();
                let mut bounded = (&mut reader).take(LONGEST);
                let got = bounded.read_until(b'\n', &mut bytes);
                if got.map_err(|e| cannot_read(&name, &e))? == 0 || MOST <= found.all.len() {
                    break;
                }
                if bytes.iter().filter(|b| **b == 0).count() * 10 > bytes.len() {
                    return Err(Error::in_file(
                        &name,
                        "expected text, a workbook, Parquet or Arrow, found other bytes",
                    )
                    .hint("look through pictures and other files yourself, or leave them out"));
                }
                let text = String::from_utf8_lossy(&bytes);
                let text = text.trim_end();
                match text.contains(['<', '{', '"']) {
                    true => found.cell(line, None, text),
                    false => found.row(line, text.split([',', ';', '\t'])),
                }
            }
        }
    }
    Ok(found.all)
}

struct Found {
    file: String,
    all: Vec<Survivor>,
    header: Vec<String>,
}

impl Found {
    /// All sheets of a workbook, hidden ones too, and what stands beside the cells.
    fn workbook(&mut self, name: &Path, bytes: &[u8]) -> Result<()> {
        let file = self.file.clone();
        for (number, (sheet, hidden)) in (1..).zip(Sheet::listed(name, bytes)?) {
            // A sheet's name may be somebody's: its number says where it is.
            let kind = if hidden { "hidden sheet" } else { "sheet" };
            self.file = format!("{file} ({kind} {number})");
            self.header.clear();
            if hidden {
                self.push(0, None, Looks::HiddenSheet);
            }
            let wanted = Wanted {
                sheet: Some(&sheet),
                hidden: true,
                ..Wanted::default()
            };
            self.rows(&mut Sheet::read(name, bytes.to_vec(), &wanted)?)?;
        }
        self.file = file;
        for note in book_notes::notes(bytes) {
            match note.kind {
                NoteKind::Person => self.push_at(note.place, Looks::Person),
                NoteKind::Comment => self.push_at(note.place, Looks::Comment),
                NoteKind::Text => {}
            }
            self.note(note.place, &note.text);
        }
        Ok(())
    }

    fn rows<'g>(&mut self, grid: &mut (dyn Grid<'g> + 'g)) -> Result<()> {
        let (mut cells, mut typed) = (csv::ByteRecord::new(), Vec::new());
        while let Some(line) = grid.next(&mut cells, &mut typed)?
            && self.all.len() < MOST
        {
            let texts: Vec<String> = cells
                .iter()
                .map(|c| String::from_utf8_lossy(c).into_owned())
                .collect();
            self.row(line, texts.iter().map(String::as_str));
        }
        Ok(())
    }

    /// Looks at a text that stands in no line.
    fn note(&mut self, place: &str, text: &str) {
        for looks in looks_like(text) {
            self.push_at(place, looks);
        }
    }

    fn push_at(&mut self, place: &str, looks_like: Looks) {
        let file = format!("{} ({place})", self.file);
        let file = std::mem::replace(&mut self.file, file);
        self.push(0, None, looks_like);
        self.file = file;
    }

    fn row<'c>(&mut self, line: u64, cells: impl Iterator<Item = &'c str>) {
        let cells: Vec<&str> = cells.collect();
        if line == 1 {
            self.header = cells.iter().map(|c| c.trim().to_string()).collect();
            let identifying = cells.iter().filter(|c| identifies(c));
            for header in identifying.take(MOST) {
                self.push(line, Some(header.trim().into()), Looks::IdentityColumn);
            }
            return;
        }
        for (column, cell) in cells.iter().enumerate() {
            self.cell(line, Some(column), cell);
        }
    }

    fn cell(&mut self, line: u64, column: Option<usize>, text: &str) {
        let column = column.and_then(|c| self.header.get(c).cloned());
        for looks in looks_like(text) {
            self.push(line, column.clone(), looks);
        }
    }

    fn push(&mut self, line: u64, column: Option<String>, looks_like: Looks) {
        if self.all.len() < MOST {
            self.all.push(Survivor {
                file: self.file.clone(),
                line,
                column,
                looks_like,
            });
        }
    }
}

/// What a text holds, each kind once.
fn looks_like(text: &str) -> Vec<Looks> {
    let mut looks: Vec<Looks> = Vec::new();
    let in_token = |c: char| c.is_ascii_alphanumeric() || "@._:+-/".contains(c);
    for token in text.split(|c: char| !in_token(c)) {
        let token = token.trim_matches(|c: char| "._:+-/".contains(c));
        let seen = [
            (Looks::Mail, is_mail(token)),
            (Looks::Hardware, is_hardware(token)),
            (Looks::Internet, is_internet(token)),
            (Looks::Date, is_date(token)),
            (Looks::LongNumber, has_long_number(token)),
        ];
        if let Some((what, _)) = seen.iter().find(|(_, is)| *is)
            && !looks.contains(what)
        {
            looks.push(*what);
        }
    }
    looks
}

fn is_mail(token: &str) -> bool {
    let parts = token.split_once('@');
    parts.is_some_and(|(who, host)| !who.is_empty() && host.contains('.'))
}

/// `02:aa:aa:00:00:01`, `02-AA-…`, and the 16 digits of an EUI-64.
fn is_hardware(token: &str) -> bool {
    let is_hex = |part: &str| part.chars().all(|c| c.is_ascii_hexdigit());
    let pairs = |sign: char| {
        let parts: Vec<&str> = token.split(sign).collect();
        matches!(parts.len(), 6 | 8) && parts.iter().all(|p| p.len() == 2 && is_hex(p))
    };
    let bare =
        token.len() == 16 && is_hex(token) && token.to_ascii_lowercase().get(6..10) == Some("fffe");
    pairs(':') || pairs('-') || bare
}

fn is_internet(token: &str) -> bool {
    let parts: Vec<&str> = token.split('.').collect();
    parts.len() == 4
        && parts
            .iter()
            .all(|p| p.len() <= 3 && p.parse::<u8>().is_ok())
}

/// `2031-03-04…`, `4.3.2031`, `03/04/31`
fn is_date(token: &str) -> bool {
    ['-', '.', '/'].iter().any(|sign| {
        let parts: Vec<&str> = token.splitn(3, *sign).collect();
        let number = |at: usize| {
            let digits: String = parts
                .get(at)?
                .chars()
                .take_while(char::is_ascii_digit)
                .collect();
            Some((digits.len(), digits.parse::<u32>().ok()?))
        };
        let (Some(a), Some(b), Some(c)) = (number(0), number(1), number(2)) else {
            return false;
        };
        let whole = |at: usize, n: (usize, u32)| parts.get(at).is_some_and(|p| p.len() == n.0);
        let part = |(digits, n): (usize, u32)| digits <= 2 && (1..=31).contains(&n);
        let year = |(digits, n): (usize, u32)| digits == 4 && (1900..2200).contains(&n);
        if !whole(0, a) || !whole(1, b) {
            return false;
        }
        let year_first = year(a) && part(b) && part(c);
        // 1.2.31 may be a version as well as a date: the year of four digits is asked for, but not between slashes.
        let year_last = part(a) && part(b) && (year(c) || (*sign == '/' && c.0 == 2));
        (year_first || year_last) && (part(a) || part(b)) && (a.1 <= 12 || b.1 <= 12 || c.1 <= 12)
    })
}

/// Seven digits or more that are no part of a decimal number.
fn has_long_number(token: &str) -> bool {
    let bytes = token.as_bytes();
    let mut from = 0;
    while let Some(start) = bytes
        .get(from..)
        .and_then(|rest| rest.iter().position(u8::is_ascii_digit))
    {
        let start = from + start;
        let run = bytes.get(start..).unwrap_or_default();
        let length = run.iter().take_while(|b| b.is_ascii_digit()).count();
        let before = start.checked_sub(1).and_then(|at| bytes.get(at));
        let after = bytes.get(start + length);
        if 7 <= length && before != Some(&b'.') && after != Some(&b'.') {
            return true;
        }
        from = start + length;
    }
    false
}

#[cfg(test)]
mod tests {
    use super::*;
    use rstest::rstest;

    #[rstest]
    #[case("2031-03-04T08:00:00+01:00", &[Looks::Date])]
    #[case("seen 4.3.2031 at 8", &[Looks::Date])]
    #[case("03/04/31", &[Looks::Date])]
    #[case("20310304", &[Looks::LongNumber])]
    #[case("MRN 00778812", &[Looks::LongNumber])]
    #[case("SN:A1234567B", &[Looks::LongNumber])]
    #[case("z.wvut@weidenau.example", &[Looks::Mail])]
    #[case("02:AA:AA:00:00:01", &[Looks::Hardware])]
    #[case("02AAAAFFFE000001", &[Looks::Hardware])]
    #[case("10.0.12.7", &[Looks::Internet])]
    #[case("30.500000000000004", &[])]
    #[case("1234567.5", &[])]
    #[case("86220.125", &[])]
    #[case("channel-001", &[])]
    #[case("patency 0.1.0", &[])]
    #[case("4.25 mL/h", &[])]
    #[case("2031", &[])]
    fn shapes_are_told_from_figures(#[case] text: &str, #[case] expected: &[Looks]) {
        assert_eq!(looks_like(text), expected);
    }

    #[test]
    fn a_finding_says_where_and_never_what() {
        let mut bytes = "time,Patient,note\n0,Zyx,called 0551778812\n10,Zyx,\n".as_bytes();
        let found = survivors(Source {
            name: "x.csv".as_ref(),
            reader: &mut bytes,
        })
        .unwrap();
        let shown: Vec<_> = found
            .iter()
            .map(|s| (s.line, s.column.as_deref().unwrap(), s.looks_like))
            .collect();
        assert_eq!(
            shown,
            [
                (1, "Patient", Looks::IdentityColumn),
                (2, "note", Looks::LongNumber)
            ]
        );
        assert!(!format!("{found:?}").contains("778812"));
    }

    /// A workbook with a hidden sheet, a comment, somebody who made it, and a sheet called like a number.
    fn book() -> Vec<u8> {
        let main = "http://schemas.openxmlformats.org/spreadsheetml/2006/main";
        let links = "http://schemas.openxmlformats.org/officeDocument/2006/relationships";
        let cell = |at: &str, text: &str| {
            format!("<c r=\"{at}\" t=\"inlineStr\"><is><t>{text}</t></is></c>")
        };
        let sheet = |rows: &str| {
            format!("<worksheet xmlns=\"{main}\"><sheetData>{rows}</sheetData></worksheet>")
        };
        let parts = [
            ("[Content_Types].xml", "<Types xmlns=\"http://schemas.openxmlformats.org/package/2006/content-types\"/>".to_string()),
            (
                "_rels/.rels",
                format!("<Relationships xmlns=\"http://schemas.openxmlformats.org/package/2006/relationships\"><Relationship Id=\"r1\" Type=\"{links}/officeDocument\" Target=\"xl/workbook.xml\"/></Relationships>"),
            ),
            ("xl/workbook.xml", format!("<workbook xmlns=\"{main}\" xmlns:r=\"{links}\"><sheets><sheet name=\"log 00778812\" sheetId=\"1\" r:id=\"r1\"/><sheet name=\"old\" sheetId=\"2\" state=\"hidden\" r:id=\"r2\"/></sheets></workbook>")),
            ("xl/_rels/workbook.xml.rels", format!("<Relationships xmlns=\"http://schemas.openxmlformats.org/package/2006/relationships\"><Relationship Id=\"r1\" Type=\"{links}/worksheet\" Target=\"worksheets/sheet1.xml\"/><Relationship Id=\"r2\" Type=\"{links}/worksheet\" Target=\"worksheets/sheet2.xml\"/></Relationships>")),
            ("xl/worksheets/sheet1.xml", sheet(&format!("<row r=\"1\">{}{}</row>", cell("A1", "time"), cell("B1", "rate")))),
            ("xl/worksheets/sheet2.xml", sheet(&format!("<row r=\"1\">{}</row><row r=\"2\">{}</row>", cell("A1", "Patient"), cell("A2", "Zyx 0551778812")))),
            ("xl/comments1.xml", format!("<comments xmlns=\"{main}\"><authors><author>Zyx Wvut</author></authors><commentList><comment ref=\"A1\"><text><t>mother called</t></text></comment></commentList></comments>")),
            ("docProps/core.xml", "<cp:coreProperties><dc:creator>Zyx Wvut</dc:creator><dcterms:created>2031-03-04T08:00:00Z</dcterms:created></cp:coreProperties>".to_string()),
        ];
        let mut zip = zip::ZipWriter::new(std::io::Cursor::new(Vec::new()));
        for (name, text) in parts {
            zip.start_file(name, zip::write::SimpleFileOptions::default())
                .unwrap();
            std::io::Write::write_all(&mut zip, text.as_bytes()).unwrap();
        }
        zip.finish().unwrap().into_inner()
    }

    #[test]
    fn a_workbook_is_looked_through_beside_its_cells_and_behind_them() {
        let bytes = book();
        let found = survivors(Source {
            name: "ward.xlsx".as_ref(),
            reader: &mut bytes.as_slice(),
        })
        .unwrap();
        let shown: Vec<_> = found
            .iter()
            .map(|s| (s.file.as_str(), s.line, s.looks_like))
            .collect();
        for expected in [
            ("ward.xlsx (hidden sheet 2)", 0, Looks::HiddenSheet),
            ("ward.xlsx (hidden sheet 2)", 1, Looks::IdentityColumn),
            ("ward.xlsx (hidden sheet 2)", 2, Looks::LongNumber),
            ("ward.xlsx (names of sheets)", 0, Looks::LongNumber),
            ("ward.xlsx (comments)", 0, Looks::Person),
            ("ward.xlsx (comments)", 0, Looks::Comment),
            ("ward.xlsx (document properties)", 0, Looks::Person),
            ("ward.xlsx (document properties)", 0, Looks::Date),
        ] {
            assert!(
                shown.contains(&expected),
                "{expected:?} is not in {shown:?}"
            );
        }
        assert_eq!(shown.len(), 8, "{shown:?}");
        let all = format!("{found:?}");
        assert!(!all.contains("Zyx") && !all.contains("78812"), "{all}");
    }

    #[test]
    fn a_files_own_name_is_looked_at() {
        let found = survivors(Source {
            name: "00778812-night.csv".as_ref(),
            reader: &mut "time,rate\n0,1\n".as_bytes(),
        })
        .unwrap();
        assert_eq!(found.len(), 1);
        assert_eq!((found[0].line, found[0].looks_like), (0, Looks::LongNumber));
    }
}
