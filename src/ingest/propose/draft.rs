//! The mapping's text as it grows: keys with their reasons, questions in the place of answers.

use super::{Answers, Proposal};
use crate::error::{Error, Result};
use crate::ingest::mapping::QUESTION;
use crate::ingest::mapping::{keys, word_headings};
use crate::ingest::names::nearest;
use std::path::Path;

/// A mapping being written.
pub(super) struct Draft {
    text: String,
    questions: Vec<String>,
    /// Answers for this section that no key has taken yet.
    answers: Vec<(String, String)>,
    section: &'static str,
}

impl Draft {
    pub(super) fn new(file: &Path) -> Self {
        let name = file.file_name().unwrap_or_default().to_string_lossy();
        let name: String = name.chars().filter(|c| !c.is_control()).collect();
        Self {
            text: format!(
                "# How to read {name}. Each line says what was found and why; look them through.\n\
                 # A value \"{QUESTION}\" waits for your answer: nothing in the file proves it.\n"
            ),
            questions: Vec::new(),
            answers: Vec::new(),
            section: "",
        }
    }

    /// Begins a section and lays out the answers that belong to it.
    pub(super) fn heading(&mut self, section: &'static str, answers: &Answers) -> Result<()> {
        self.section = section;
        self.text += &format!("\n[{section}]\n");
        self.answers.clear();
        for (key, value) in answers {
            let (of, name) = match key.split_once('.') {
                Some((of @ ("trace" | "events"), name)) => (Some(of), name),
                _ => (None, key.as_str()),
            };
            let (trace, events) = (has_key("trace", name), has_key("events", name));
            if !trace && !events {
                return Err(no_such_key(key, name));
            }
            let here = match section {
                "trace" => trace,
                _ => events,
            };
            if here && of.is_none_or(|of| of == section) {
                self.answers.push((word_key(name), value.clone()));
            }
        }
        Ok(())
    }

    /// The user's answer for a key, taken once.
    pub(super) fn answer(&mut self, key: &str) -> Option<String> {
        let at = self.answers.iter().rposition(|(k, _)| k == key)?;
        let (_, value) = self.answers.remove(at);
        self.answers.retain(|(k, _)| k != key);
        Some(value)
    }

    /// The user's answer for a key, left for others.
    pub(super) fn peek(&self, key: &str) -> Option<&str> {
        let mut answers = self.answers.iter().rev();
        answers.find_map(|(k, v)| (k == key).then_some(v.as_str()))
    }

    /// Whether the user has answered a key.
    pub(super) fn has_answer(&self, key: &str) -> bool {
        self.answers.iter().any(|(k, _)| k == key)
    }

    /// A text value, with why; the user's answer goes before.
    pub(super) fn text(&mut self, key: &str, value: &str, reason: &str) {
        match self.answer(key) {
            Some(answer) => self.line(key, &quoted(&answer), "your answer"),
            None => self.line(key, &quoted(value), reason),
        }
    }

    /// A number or `true`, with why.
    pub(super) fn plain(&mut self, key: &str, value: &str, reason: &str) {
        match self.answer(key) {
            Some(answer) => self.line(key, &bare(&answer), "your answer"),
            None => self.line(key, value, reason),
        }
    }

    /// A question in the place of a value, unless the user has answered it.
    pub(super) fn ask(&mut self, key: &str, question: &str) {
        match self.answer(key) {
            Some(answer) => self.line(key, &quoted(&answer), "your answer"),
            None => self.question(key, question),
        }
    }

    /// A question that no answer was given to.
    pub(super) fn question(&mut self, key: &str, question: &str) {
        let question = one_line(question);
        self.text += &format!(
            "# QUESTION: {question}\n{} = \"{QUESTION}\"\n",
            key_text(key)
        );
        self.questions
            .push(format!("{}.{key}: {question}", self.section));
    }

    /// A word of the file under an inner heading: what the user says of it, or the question.
    pub(super) fn ask_word(&mut self, heading: &str, word: &str, question: &str) {
        match self.answer(&word_key(&format!("{heading}.{word}"))) {
            Some(answer) => self.line(word, &quoted(&answer), "your answer"),
            None => {
                let question = one_line(question);
                self.text += &format!(
                    "# QUESTION: {question}\n{} = \"{QUESTION}\"\n",
                    key_text(word)
                );
                let key = word_key(&format!("{}.{heading}.{}", self.section, one_line(word)));
                self.questions.push(format!("{key}: {question}"));
            }
        }
    }

    /// A line of the section.
    pub(super) fn line(&mut self, key: &str, value: &str, reason: &str) {
        let entry = format!("{} = {value}", key_text(key));
        self.text += &match reason {
            "" => format!("{entry}\n"),
            reason => format!("{entry:<36} # {}\n", one_line(reason)),
        };
    }

    /// A remark.
    pub(super) fn remark(&mut self, remark: &str) {
        self.text += &format!("# {}\n", one_line(remark));
    }

    /// A heading within the section: `[trace.long]`, `[[trace.channels]]`.
    pub(super) fn within(&mut self, heading: &str) {
        self.text += &format!("\n{heading}\n");
    }

    /// Answers for keys that nothing in the file called for. They must stand before any inner heading.
    pub(super) fn left_over(&mut self) {
        let mut later = Vec::new();
        for (key, value) in std::mem::take(&mut self.answers) {
            let given = value.clone();
            let value = match key.as_str() {
                "header_line" | "unit_row" | "first_row" | "holds" => bare(&value),
                _ => quoted(&value),
            };
            if key.contains('.') {
                later.push((key, given));
                continue;
            }
            self.line(&key, &value, "your answer");
        }
        self.answers = later;
    }

    /// Every answer must have found its place.
    pub(super) fn rest_of_answers(&mut self) -> Result<()> {
        match self.answers.first() {
            None => Ok(()),
            Some((key, _)) => Err(Error::new(format!(
                "`{key}` has no place in this file's layout"
            ))
            .hint("write it into the mapping by hand")),
        }
    }

    pub(super) fn finish(self) -> Proposal {
        Proposal {
            text: self.text,
            questions: self.questions,
        }
    }
}

/// Whether a section has a key, or a heading of the file's own words to which it belongs.
fn has_key(section: &str, name: &str) -> bool {
    let mut headings = word_headings(section).iter();
    let heading = name.split_once('.').map(|(heading, _)| heading);
    keys(section).any(|k| k == name) || heading.is_some_and(|h| headings.any(|known| *known == h))
}

fn no_such_key(key: &str, name: &str) -> Error {
    let error = Error::new(format!("there is no key `{key}` in a mapping"));
    let all: Vec<&str> = keys("trace").chain(keys("events")).collect();
    match nearest(name, all.iter().copied()) {
        Some(near) => error.hint(format!("did you mean `{near}`?")),
        None => error.hint(format!("known: {}", all.join(", "))),
    }
}

/// A key with a word of the file in it, so written that `: ` ends it.
pub(super) fn word_key(key: &str) -> String {
    key.replace(": ", ":")
}

/// A key of TOML: bare where it may be.
fn key_text(key: &str) -> String {
    let is_bare = !key.is_empty()
        && key
            .chars()
            .all(|c| c.is_ascii_alphanumeric() || c == '_' || c == '-');
    if is_bare {
        key.to_string()
    } else {
        quoted(key)
    }
}

/// A text value of TOML.
pub(super) fn quoted(text: &str) -> String {
    toml::Value::String(text.to_string()).to_string()
}

/// An answer that is a number or a truth value; anything else is kept as text and refused by the mapping's reader.
fn bare(text: &str) -> String {
    let is_plain = text == "true" || text == "false" || text.bytes().all(|b| b.is_ascii_digit());
    if is_plain && !text.is_empty() {
        text.to_string()
    } else {
        quoted(text)
    }
}

fn one_line(text: &str) -> String {
    text.chars()
        .map(|c| if c.is_control() { ' ' } else { c })
        .collect()
}
