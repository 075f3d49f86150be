//! A mapping proposed from the file itself: each guess with its reason, and a question where nothing in the file proves
//! the answer.
//!
//! In: a trace, perhaps its events, and what the user has answered already. Out: [`Proposal`]: the mapping's TOML and
//! its open questions. A guess that would change a figure or a time by being wrong is never taken: it is asked.

mod decimal;
mod divide;
mod doubts;
mod draft;
mod event_words;
mod layouts;
mod roles;
mod shape;
mod sniff;
mod time;
mod vocabulary;

use super::Source;
use super::sheet::Wanted;
use crate::error::{Error, Result};
use draft::Draft;
use sniff::{Form, Sample};

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
/// A file that is no table, a workbook of several sheets of which none is named; an answer for a key that a mapping does not
/// have.
pub fn propose(trace: Source, events: Option<Source>, answers: &Answers) -> Result<Proposal> {
    let (is_messages, mut reader) = super::peek(trace.reader, trace.name)?;
    if is_messages {
        return Err(Error::in_file(trace.name, "expected a table, found HL7 v2 messages")
            .hint("messages need no mapping: give the file to `patency inspect` or `patency review` as it is"));
    }
    let trace = Source {
        name: trace.name,
        reader: &mut reader,
    };
    let trace_name = trace.name;
    let mut draft = Draft::new(trace.name);
    let sample = look(&mut draft, "trace", trace, answers)?;
    let times = time::propose(&mut draft, &sample);
    roles::propose_trace(&mut draft, &sample, &times).map_err(|e| e.of_file(trace_name))?;
    draft.rest_of_answers()?;
    let events = events.map(|source| Ok((source.name, super::peek(source.reader, source.name)?)));
    // Messages among the events need no mapping.
    if let Some((name, (false, mut reader))) = events.transpose()? {
        let source = Source {
            name,
            reader: &mut reader,
        };
        let sample = look(&mut draft, "events", source, answers)?;
        let times = time::propose(&mut draft, &sample);
        event_words::propose_events(&mut draft, &sample, &times);
        draft.rest_of_answers()?;
    }
    Ok(draft.finish())
}

/// Begins a section with what the file is dressed in.
fn look(
    draft: &mut Draft,
    section: &'static str,
    source: Source,
    answers: &Answers,
) -> Result<Sample> {
    draft.heading(section, answers)?;
    let sheet = draft.answer("sheet");
    let wanted = Wanted {
        sheet: sheet.as_deref(),
        role: section,
        hidden: false,
    };
    let mut sample = Sample::read(source, &wanted)?;
    sample.take_decimal(draft.peek("decimal"));
    dress(draft, &sample, sheet.is_some());
    Ok(sample)
}

/// How the table is dressed.
fn dress(draft: &mut Draft, sample: &Sample, sheet_answered: bool) {
    match &sample.form {
        Form::Text {
            encoding,
            delimiter,
            delimiter_reason,
        } => {
            draft.text("encoding", &encoding.0.word(), encoding.1);
            let delimiter = match delimiter {
                b'\t' => "tab".to_string(),
                other => char::from(*other).to_string(),
            };
            draft.text("delimiter", &delimiter, delimiter_reason);
        }
        Form::Sheet(name) => {
            let reason = match sheet_answered {
                true => "your answer",
                false => "the only sheet with anything, or the one called like its part",
            };
            draft.line("sheet", &draft::quoted(name), reason);
        }
        Form::Columns => {
            draft.remark("a table of columns with names and kinds: nothing to say of its dress");
            return sample.propose_decimal(draft);
        }
    }
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
        let (place, why) = match sample.unit_line < sample.header_line {
            true => (
                sample.unit_line.to_string(),
                "this line above the header holds units",
            ),
            false => ("true".into(), "the row below the header holds units"),
        };
        match roles::unit_row_is_wrong(draft, sample) {
            true => draft.line(
                "unit_row",
                "\"ignored\"",
                "your answer to the unit is another one",
            ),
            false => draft.plain("unit_row", &place, why),
        }
    }
    if let Some(first) = sample.first_row {
        draft.plain(
            "first_row",
            &first.to_string(),
            "what stands between the header and it is text",
        );
    }
    sample.propose_decimal(draft);
}
