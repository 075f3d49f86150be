//! What a workbook says beside its cells: who made it, comments, names of sheets, heads and feet of pages.
//!
//! In: the bytes of a zipped workbook. Out: [`Note`]s: where something stands, what kind it is, and its text for the scan that
//! must not show it.

use super::guard::guarded;
use std::io::{Cursor, Read};
use zip::ZipArchive;

/// Longest part looked at, bytes.
const LONGEST: u64 = 64 << 20;

/// What a note is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum NoteKind {
    /// Somebody who made or changed the workbook, a company, a manager.
    Person,
    Comment,
    /// Anything else.
    Text,
}

/// One text beside the cells.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Note {
    pub(super) place: &'static str,
    pub(super) kind: NoteKind,
    pub(super) text: String,
}

/// Elements that name a person, without their prefixes.
const PERSONS: &[&str] = &[
    "creator",
    "lastModifiedBy",
    "initial-creator",
    "printed-by",
    "Manager",
    "Company",
    "author",
    "person",
];

/// All notes of a workbook; none where it is no zip.
pub(super) fn notes(bytes: &[u8]) -> Vec<Note> {
    guarded(|| read(bytes)).unwrap_or_default()
}

fn read(bytes: &[u8]) -> Vec<Note> {
    let Ok(mut zip) = ZipArchive::new(Cursor::new(bytes)) else {
        return Vec::new();
    };
    let mut notes = Vec::new();
    for index in 0..zip.len() {
        let Ok(part) = zip.by_index(index) else {
            continue;
        };
        let name = part.name().map(|n| n.into_owned()).unwrap_or_default();
        let Some((place, within)) = place(&name) else {
            continue;
        };
        let mut xml = Vec::new();
        if part.take(LONGEST).read_to_end(&mut xml).is_ok() {
            of_part(&String::from_utf8_lossy(&xml), place, within, &mut notes);
        }
    }
    notes
}

/// Which part of a workbook is looked at, and within which elements only.
fn place(part: &str) -> Option<(&'static str, &'static [&'static str])> {
    let begins = |with: &str| part.starts_with(with);
    match part {
        _ if begins("docProps/") || part == "meta.xml" => Some(("document properties", &[])),
        _ if begins("xl/comments") || begins("xl/threadedComments") || begins("xl/persons") => {
            Some(("comments", &[]))
        }
        "xl/workbook.xml" => Some(("names of sheets", &["sheets", "definedNames"])),
        "content.xml" => Some(("comments and names of sheets", &["annotation", "table"])),
        "styles.xml" => Some(("heads and feet of pages", &["header", "footer"])),
        _ if begins("xl/worksheets/sheet") => Some(("heads and feet of pages", &["headerFooter"])),
        _ => None,
    }
}

/// Reads an XML part's texts, and the names that stand as attributes.
fn of_part(xml: &str, place: &'static str, within: &[&str], into: &mut Vec<Note>) {
    let mut open: Vec<&str> = Vec::new();
    for piece in xml.split('<').skip(1) {
        let Some((tag, text)) = piece.split_once('>') else {
            continue;
        };
        if let Some(name) = tag.strip_prefix('/') {
            if open.last() == Some(&local(name)) {
                open.pop();
            }
        } else if !tag.starts_with(['?', '!']) {
            let name = local(
                tag.split([' ', '\n', '\r', '\t', '/'])
                    .next()
                    .unwrap_or_default(),
            );
            open.push(name);
            let is_within = within.is_empty() || open.iter().any(|o| within.contains(o));
            // Of a table of cells only its own name is looked at.
            let of_table = name == "table" || !open.contains(&"table");
            let named = tag
                .split_once("name=\"")
                .or_else(|| tag.split_once("displayName=\""));
            if let Some((_, value)) = named.filter(|_| is_within && of_table) {
                let value = value.split('"').next().unwrap_or_default();
                let kind = if name == "person" {
                    NoteKind::Person
                } else {
                    NoteKind::Text
                };
                push(place, kind, value, into);
            }
            if tag.ends_with('/') {
                open.pop();
            }
        }
        let is_within = within.is_empty() || open.iter().any(|o| within.contains(o));
        let of_cells = open.contains(&"table") && !open.contains(&"annotation");
        if is_within && !of_cells {
            let is_person = open.last().is_some_and(|o| PERSONS.contains(o));
            let is_comment = place == "comments" || open.contains(&"annotation");
            let kind = match (is_person, is_comment) {
                (true, _) => NoteKind::Person,
                (_, true) => NoteKind::Comment,
                _ => NoteKind::Text,
            };
            push(place, kind, text, into);
        }
    }
}

fn local(name: &str) -> &str {
    name.rsplit(':').next().unwrap_or(name)
}

fn push(place: &'static str, kind: NoteKind, text: &str, into: &mut Vec<Note>) {
    let text = text.trim();
    if !text.is_empty() {
        into.push(Note {
            place,
            kind,
            text: text.to_string(),
        });
    }
}
