//! What was understood of the files, without judging: as text for a terminal and as JSON.
//!
//! In: the records of one trace. Out: [`inspection_text`], [`inspection_json`].

mod facts;
mod text;

pub use facts::Inspection;
pub use text::inspection_text;

use crate::record::Record;

/// What was understood, as one JSON object: indented, a newline at the end.
pub fn inspection_json(records: &[Record]) -> String {
    let facts = Inspection::new(records);
    // Strings, numbers and maps with text keys cannot fail to be written.
    serde_json::to_string_pretty(&facts).map_or_else(|_| String::new(), |text| text + "\n")
}
