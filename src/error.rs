//! The one error: what went wrong, where, and what to do about it.
//!
//! Shown as `FILE:LINE: column `C`: expected …, found …` and, on a line of its own, `hint: …`.
//! The cell of a column that may identify a person never enters an error.

use std::fmt;
use std::path::{Path, PathBuf};

/// Shorthand for results of this crate.
pub type Result<T> = std::result::Result<T, Error>;

/// Where in a file: lines from 1, header included.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Place {
    /// The file as the user named it.
    pub file: PathBuf,
    /// The line, where known.
    pub line: Option<u64>,
    /// The column's header, where known.
    pub column: Option<String>,
}

/// What could not be done.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Error {
    /// Where, if it lies in a file.
    pub place: Option<Place>,
    /// What went wrong: what was expected and what was found.
    pub what: String,
    /// What to do about it.
    pub hint: Option<String>,
    /// What was not said and would have helped: a question that may be asked anew.
    pub asks: Option<Box<Question>>,
}

/// What a file does not say.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Question {
    /// Which setting is the answer.
    pub key: &'static str,
    /// The question, and how an answer looks.
    pub text: String,
}

impl Error {
    /// An error that lies in no file.
    pub fn new(what: impl Into<String>) -> Self {
        Self {
            place: None,
            what: what.into(),
            hint: None,
            asks: None,
        }
    }

    /// An error that lies in a file.
    pub fn in_file(file: &Path, what: impl Into<String>) -> Self {
        let place = Place {
            file: file.to_path_buf(),
            line: None,
            column: None,
        };
        Self {
            place: Some(place),
            what: what.into(),
            hint: None,
            asks: None,
        }
    }

    /// Says which file an error lies in that was found without knowing it; line and column stay.
    pub fn of_file(mut self, file: &Path) -> Self {
        self.place.get_or_insert_default().file = file.to_path_buf();
        self
    }

    /// Adds the line.
    pub fn at_line(mut self, line: u64) -> Self {
        self.place.get_or_insert_default().line = Some(line);
        self
    }

    /// Adds the column.
    pub fn in_column(mut self, column: impl Into<String>) -> Self {
        self.place.get_or_insert_default().column = Some(column.into());
        self
    }

    /// Adds what to do.
    pub fn hint(mut self, hint: impl Into<String>) -> Self {
        self.hint = Some(hint.into());
        self
    }

    /// Adds the question whose answer would help.
    pub fn asks(mut self, key: &'static str, text: impl Into<String>) -> Self {
        let text = text.into();
        self.asks = Some(Box::new(Question { key, text }));
        self
    }
}

impl fmt::Display for Error {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        // Names of files and words in them end here: nothing that a terminal might obey may pass.
        for c in self.text()?.chars() {
            match c.is_control() && c != '\n' {
                true => write!(f, "{}", c.escape_default())?,
                false => write!(f, "{c}")?,
            }
        }
        Ok(())
    }
}

impl Error {
    fn text(&self) -> std::result::Result<String, fmt::Error> {
        use fmt::Write;
        let mut f = String::new();
        if let Some(place) = &self.place {
            write!(f, "{}", place.file.display())?;
            if let Some(line) = place.line {
                write!(f, ":{line}")?;
            }
            write!(f, ": ")?;
            if let Some(column) = &place.column {
                write!(f, "column `{column}`: ")?;
            }
        }
        write!(f, "{}", self.what)?;
        if let Some(hint) = &self.hint {
            write!(f, "\nhint: {hint}")?;
        }
        Ok(f)
    }
}

impl std::error::Error for Error {}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn nothing_that_a_terminal_might_obey_is_shown() {
        let error = Error::in_file(Path::new("a\u{1b}[2J.csv"), "found `pn\t`\n  also here")
            .at_line(3)
            .hint("rename `\u{7}`");
        assert_eq!(
            error.to_string(),
            "a\\u{1b}[2J.csv:3: found `pn\\t`\n  also here\nhint: rename `\\u{7}`"
        );
    }
}
