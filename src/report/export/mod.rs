//! What was read, written out again in the contract's form: for archives, for other tools, and without identities for
//! others' eyes.
//!
//! In: records. Out: files, as names and bytes: `trace.csv`, `trace.parquet`, `trace.arrow`, `events.csv`, `events.parquet`,
//! `line.toml` where there is one, and `datapackage.json`, which says what every column means. What is written reads back as the
//! same record, to the last bit.

mod deidentify;
mod line;
mod package;
mod tables;

pub use deidentify::{Dates, How, Names, Stamp, deidentify};
pub use package::contract_package;

use crate::record::Record;

/// A file's name and bytes.
pub type File = (&'static str, Vec<u8>);

/// All files of an export.
///
/// # Errors
/// The words of the library that writes a table; it fails for want of memory only.
pub fn export(records: &[Record], stamp: Option<&Stamp>) -> Result<Vec<File>, String> {
    let trace = tables::trace(records);
    let mut files = vec![
        ("trace.csv", tables::csv(&trace)?),
        ("trace.parquet", tables::parquet(&trace)?),
        ("trace.arrow", tables::arrow(&trace)?),
    ];
    let mut written = vec![("trace", &trace)];
    let events = records.iter().any(|r| r.events_given);
    let events = events.then(|| tables::events(records));
    if let Some(events) = &events {
        files.push(("events.csv", tables::csv(events)?));
        files.push(("events.parquet", tables::parquet(events)?));
        written.push(("events", events));
    }
    let line = records.iter().find_map(|r| Some((r, r.line.as_ref()?)));
    if let Some((record, line)) = line {
        files.push(("line.toml", line::toml(line, &record.clock).into_bytes()));
    }
    files.push(("datapackage.json", package::of(&written, stamp)));
    Ok(files)
}
