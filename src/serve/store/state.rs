//! How far a record has come.

use rusqlite::Row;
use rusqlite::types::Type;

/// How far a record has come.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum State {
    /// Its files wait to be read, or are being read.
    Reading,
    /// Something about its files must be answered first.
    Asking,
    /// Its files were read; the user is to confirm that they were understood.
    Understood,
    /// Its files cannot be read as they are.
    Unreadable,
    /// The review is to be made.
    Waiting,
    /// The review is being made.
    Reviewing,
    /// The review is there.
    Done,
    /// The review could not be made.
    Failed,
    /// The user stopped it.
    Cancelled,
}

impl State {
    const ALL: [State; 9] = [
        State::Reading,
        State::Asking,
        State::Understood,
        State::Unreadable,
        State::Waiting,
        State::Reviewing,
        State::Done,
        State::Failed,
        State::Cancelled,
    ];

    /// States in which nobody works on the record and no review is there: it may be read anew.
    pub const OPEN: [State; 5] = [
        State::Asking,
        State::Understood,
        State::Unreadable,
        State::Failed,
        State::Cancelled,
    ];

    /// States in which a worker has it or will have it.
    pub const BUSY: [State; 3] = [State::Reading, State::Waiting, State::Reviewing];

    /// Its word in the store.
    pub fn word(self) -> &'static str {
        match self {
            State::Reading => "reading",
            State::Asking => "asking",
            State::Understood => "understood",
            State::Unreadable => "unreadable",
            State::Waiting => "waiting",
            State::Reviewing => "reviewing",
            State::Done => "done",
            State::Failed => "failed",
            State::Cancelled => "cancelled",
        }
    }

    /// Whether a worker has it or will have it.
    pub fn is_busy(self) -> bool {
        Self::BUSY.contains(&self)
    }

    pub(super) fn of_row(row: &Row, at: usize) -> rusqlite::Result<Self> {
        let word: String = row.get(at)?;
        let known = Self::ALL.into_iter().find(|s| s.word() == word);
        known.ok_or_else(|| {
            rusqlite::Error::FromSqlConversionFailure(
                at,
                Type::Text,
                format!("no state is called {word}").into(),
            )
        })
    }
}

/// States as one text in which no word lies within another.
pub(super) fn words(states: &[State]) -> String {
    let words: Vec<&str> = states.iter().map(|s| s.word()).collect();
    words.join(" ")
}
