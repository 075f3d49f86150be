//! TOML files with a place for every error: the line file and the mapping file.
//!
//! In: bytes. Out: [`TomlText`] and, key by key, its [`Part`]s. A key that is not known is an error that names the
//! nearest one that is.

use super::Source;
use super::names::nearest;
use super::table::cannot_read;
use crate::error::{Error, Result};
use std::io::Read;
use std::path::PathBuf;
use toml::Spanned;
use toml::de::{DeTable, DeValue};

/// Longest file accepted, bytes.
const LONGEST: u64 = 1 << 20;

/// Which file it is, for messages.
pub(super) struct TomlKind {
    /// `a line file`
    pub(super) name: &'static str,
    /// What such a file looks like, in a sentence.
    pub(super) example: &'static str,
}

/// The text of a TOML file.
pub(super) struct TomlText {
    pub(super) name: PathBuf,
    pub(super) text: String,
    kind: &'static TomlKind,
}

impl TomlText {
    pub(super) fn read(source: Source, kind: &'static TomlKind) -> Result<Self> {
        let name = source.name.to_path_buf();
        let mut bytes = Vec::new();
        let limited = source.reader.take(LONGEST + 1).read_to_end(&mut bytes);
        limited.map_err(|e| cannot_read(&name, &e))?;
        if LONGEST < bytes.len() as u64 {
            return Err(Error::in_file(
                &name,
                format!("expected {}, found more than {LONGEST} bytes", kind.name),
            )
            .hint(format!(
                "{} is a short TOML text; was the trace given instead?",
                kind.name
            )));
        }
        let text = String::from_utf8(bytes).map_err(|e| {
            let good = e.utf8_error().valid_up_to();
            let line = 1 + e
                .as_bytes()
                .iter()
                .take(good)
                .filter(|b| **b == b'\n')
                .count();
            Error::in_file(&name, "expected UTF-8 text, found other bytes")
                .at_line(line as u64)
                .hint(format!(
                    "save {} as TOML in UTF-8",
                    kind.name.trim_start_matches("a ")
                ))
        })?;
        Ok(Self { name, text, kind })
    }

    pub(super) fn document(&self) -> Result<Spanned<DeTable<'_>>> {
        DeTable::parse(&self.text).map_err(|e| {
            let error = Error::in_file(&self.name, format!("this is no TOML: {}", e.message()));
            let error = match e.span() {
                Some(span) => error.at_line(self.line_of(span.start)),
                None => error,
            };
            error.hint(self.kind.example)
        })
    }

    pub(super) fn line_of(&self, byte: usize) -> u64 {
        let before = self.text.bytes().take(byte);
        1 + before.filter(|b| *b == b'\n').count() as u64
    }
}

/// One table of the document, and what to call it in messages.
pub(super) struct Part<'t> {
    pub(super) text: &'t TomlText,
    heading: String,
    pub(super) table: &'t DeTable<'t>,
    pub(super) line: u64,
}

impl<'t> Part<'t> {
    /// The document as a whole.
    pub(super) fn root(text: &'t TomlText, document: &'t Spanned<DeTable<'t>>) -> Self {
        Self {
            text,
            heading: String::new(),
            table: document.get_ref(),
            line: 1,
        }
    }

    /// Refuses keys that are not known.
    pub(super) fn check_keys(&self, known: &[&'static str]) -> Result<()> {
        for key in self.table.keys() {
            let name: &str = key.get_ref();
            if known.contains(&name) {
                continue;
            }
            let hint = match nearest(name, known.iter().copied()) {
                Some(near) => format!("did you mean `{near}`?"),
                None => format!("known here: {}", known.join(", ")),
            };
            let shown: String = name.chars().filter(|c| !c.is_control()).take(60).collect();
            return Err(Error::in_file(
                &self.text.name,
                format!("unknown key `{}{shown}`", self.prefix()),
            )
            .at_line(self.text.line_of(key.span().start))
            .hint(hint));
        }
        Ok(())
    }

    fn prefix(&self) -> String {
        match self.heading.as_str() {
            "" => String::new(),
            heading => format!("{heading}."),
        }
    }

    pub(super) fn get(&self, key: &str) -> Option<(&'t DeValue<'t>, u64)> {
        let value = self.table.get(key)?;
        Some((value.get_ref(), self.text.line_of(value.span().start)))
    }

    /// A value that is not as expected.
    pub(super) fn wrong(&self, key: &str, line: u64, expected: &str, found: &str) -> Error {
        Error::in_file(
            &self.text.name,
            format!("expected {expected}, found {found}"),
        )
        .at_line(line)
        .in_column(format!("{}{key}", self.prefix()))
    }

    pub(super) fn part(&self, key: &'static str) -> Result<Option<Part<'t>>> {
        let Some((value, line)) = self.get(key) else {
            return Ok(None);
        };
        let table = value
            .as_table()
            .ok_or_else(|| self.wrong(key, line, &format!("a heading `[{key}]`"), &found(value)))?;
        Ok(Some(Part {
            text: self.text,
            heading: format!("{}{key}", self.prefix()),
            table,
            line,
        }))
    }

    /// The tables of `[[key]]` headings; none where there is no such heading.
    pub(super) fn parts(&self, key: &'static str) -> Result<Vec<Part<'t>>> {
        let Some((value, line)) = self.get(key) else {
            return Ok(Vec::new());
        };
        let wrong = |line, value: &DeValue| {
            self.wrong(key, line, &format!("headings `[[{key}]]`"), &found(value))
        };
        let array = value.as_array().ok_or_else(|| wrong(line, value))?;
        array
            .iter()
            .map(|item| {
                let line = self.text.line_of(item.span().start);
                let table = item.get_ref().as_table();
                Ok(Part {
                    text: self.text,
                    heading: format!("{}{key}", self.prefix()),
                    table: table.ok_or_else(|| wrong(line, item.get_ref()))?,
                    line,
                })
            })
            .collect()
    }

    pub(super) fn number<T>(
        &self,
        key: &str,
        what: &str,
        check: fn(f64) -> Option<T>,
    ) -> Result<Option<T>> {
        let Some((value, line)) = self.get(key) else {
            return Ok(None);
        };
        let number = plain_number(value);
        let checked = number.and_then(check);
        if checked.is_none() {
            return Err(self.wrong(key, line, what, &found(value)));
        }
        Ok(checked)
    }

    pub(super) fn text(&self, key: &str, what: &str) -> Result<Option<(&'t str, u64)>> {
        let Some((value, line)) = self.get(key) else {
            return Ok(None);
        };
        match value.as_str() {
            Some(text) if !text.is_empty() && !text.chars().any(char::is_control) => {
                Ok(Some((text, line)))
            }
            _ => Err(self.wrong(key, line, what, &found(value))),
        }
    }

    pub(super) fn word<T: Copy>(
        &self,
        key: &str,
        words: &'static [(&'static str, T)],
    ) -> Result<Option<T>> {
        let Some((text, line)) = self.text(key, "a word in quotes")? else {
            return Ok(None);
        };
        if let Some(&(_, value)) = words.iter().find(|(word, _)| *word == text) {
            return Ok(Some(value));
        }
        let known: Vec<&str> = words.iter().map(|(word, _)| *word).collect();
        let error = self.wrong(key, line, &known.join(" | "), &format!("`{text}`"));
        Err(match nearest(text, known.iter().copied()) {
            Some(near) => error.hint(format!("did you mean `{near}`?")),
            None => error.hint("leave the key out where none of these fits"),
        })
    }
}

pub(super) fn plain_number(value: &DeValue) -> Option<f64> {
    let written = match value {
        DeValue::Float(float) => float.as_str(),
        DeValue::Integer(integer) if integer.radix() == 10 => integer.as_str(),
        _ => return None,
    };
    written.parse().ok()
}

pub(super) fn found(value: &DeValue) -> String {
    match value {
        DeValue::Float(float) => format!("`{}`", float.as_str()),
        DeValue::Integer(integer) => format!("`{}`", integer.as_str()),
        other => format!("a {}", other.type_str()),
    }
}
