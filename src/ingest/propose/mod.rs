//! A mapping proposed from the file itself: each guess with its reason, and a question where nothing in the file proves
//! the answer.
//!
//! In: a trace, perhaps its events, and what the user has answered already. Out: [`Proposal`]: the mapping's TOML and
//! its open questions. A guess that would change a figure or a time by being wrong is never taken: it is asked.

mod draft;
mod roles;
mod sniff;
mod time;

use super::Source;
use crate::error::Result;
use draft::Draft;
use sniff::Sample;

/// Answers of the user: a key of the mapping and its value. `zone` holds for trace and events, `events.zone` for the
/// events alone.
pub type Answers = [(String, String)];

/// A mapping to be looked through.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Proposal {
    /// The mapping file's text.
    pub text: String,
    /// What is still to be answered, in the text's order.
    pub questions: Vec<String>,
}

/// Proposes a mapping.
///
/// # Errors
/// A file that is no table of text; an answer for a key that a mapping does not have.
pub fn propose(trace: Source, events: Option<Source>, answers: &Answers) -> Result<Proposal> {
    let mut draft = Draft::new(trace.name);
    let sample = Sample::read(trace)?;
    draft.heading("trace", answers)?;
    dress(&mut draft, &sample);
    time::propose(&mut draft, &sample);
    roles::propose_trace(&mut draft, &sample);
    draft.rest_of_answers()?;
    if let Some(source) = events {
        let sample = Sample::read(source)?;
        draft.heading("events", answers)?;
        dress(&mut draft, &sample);
        time::propose(&mut draft, &sample);
        roles::propose_events(&mut draft, &sample);
        draft.rest_of_answers()?;
    }
    Ok(draft.finish())
}

/// How the text is dressed.
fn dress(draft: &mut Draft, sample: &Sample) {
    draft.text("encoding", sample.encoding.0.word(), sample.encoding.1);
    let delimiter = match sample.delimiter {
        b'\t' => "tab".to_string(),
        other => char::from(other).to_string(),
    };
    draft.text("delimiter", &delimiter, &sample.delimiter_reason);
    let above = match sample.header_line {
        1 => "the first line; the rows below have as many cells".to_string(),
        n => format!(
            "the {} above it are not read",
            match n - 1 {
                1 => "line".to_string(),
                n => format!("{n} lines"),
            }
        ),
    };
    draft.plain("header_line", &sample.header_line.to_string(), &above);
    if sample.unit_row.is_some() {
        draft.plain("unit_row", "true", "the row below the header holds units");
    }
    sample.propose_decimal(draft);
}
