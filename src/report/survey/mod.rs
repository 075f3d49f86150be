//! A survey as JSON, text, tables and a page.
//!
//! In: a [`crate::study::Survey`] and, for the tables, its cohort. Out: the contract's object ([`wire`]), a summary for
//! the terminal, tables for others' tools ([`tables`]). Sentences stand in [`words`].

mod page;
pub mod tables;
mod text;
pub mod wire;
pub mod words;

pub use page::survey_html;
pub use text::survey_text;

use crate::study::Survey;

/// The survey as the contract's JSON object: indented, fields in the contract's order, a newline at the end.
pub fn survey_json(survey: &Survey) -> String {
    let wire = wire::Survey::new(survey);
    // Strings, numbers and maps with text keys cannot fail to be written.
    serde_json::to_string_pretty(&wire).map_or_else(|_| String::new(), |text| text + "\n")
}
