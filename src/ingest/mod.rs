//! LAYER 1: bytes become a record.
//!
//! In: readers over the contract's trace, events and line files, each with the name to use in messages. Out: one
//! [`Record`] per infusion, cleaned but not judged, or the one [`crate::error::Error`] that says where to look.
//! Nothing here opens a file. A bad row is no failure: it is left out, counted and shown; only where more than
//! 1 % of the rows are bad does the reading stop ([`Settings::keep_going`] lifts that).
//!
//! [`table`] reads tables of every kind and keeps every cell's place: delimited text in any [`dress`], and by way of [`grid`]
//! workbooks ([`sheet`]) and tables of columns ([`frame`]: Parquet, Arrow); [`plan`] says which column is what, from
//! the contract or from a [`mapping`]; [`when`] and [`moment`] read times, [`numbers`] and [`cell`] figures and names, in
//! any `unit`; `propose` drafts a mapping from a file. [`trace`] takes rows, [`gather`] sorts them to infusions and
//! channels, [`order`] puts them in order of time and [`crate::record`] holds their rhythm. [`events`] and `line` read the trace's
//! companions; `column` one column of any table. For a survey, [`infusions`] reads its list, [`shared`] hands out one
//! infusion after the other from tables of many, whose rows wait on a [`shelf`], `join` puts an infusion together that is
//! split over files. [`hl7`] reads messages of the IHE device profiles, as a trace or as events.
//! Clocks: [`epochs`] finds those that began anew, [`set_back`] those that were set back, [`clocks`] how far events lie from the trace; [`merge`] puts several
//! exports of the same pumps together.

mod arrow;
mod assemble;
mod bodies;
mod book_notes;
mod calendar_words;
mod cell;
mod chains;
mod civil;
mod clocks;
mod column;
mod columns;
mod contradict;
mod dress;
mod epochs;
mod events;
mod frame;
mod gather;
mod grid;
mod guard;
mod hl7;
mod infusions;
mod join;
mod letters;
mod line;
mod mapping;
mod merge;
mod messages;
mod moment;
mod names;
mod numbers;
mod order;
mod pages;
mod plan;
mod plausible;
mod priors;
mod privacy;
mod propose;
mod reviews;
mod set_back;
mod shared;
mod sheet;
mod sheet_cells;
mod shelf;
mod table;
mod toml_text;
mod trace;
mod unit;
mod unzip;
mod when;
mod zone;

pub use column::read_column;
pub use infusions::{InfusionRow, Infusions, read_infusions};
pub use join::join;
pub use line::{attach_line, read_line};
pub use mapping::{Mapping, QUESTION};
pub use priors::read_priors;
pub use privacy::survivors;
pub use propose::{Answers, Proposal, propose};
pub use reviews::{KeptReview, read_reviews};
pub use shared::{SharedEvents, SharedTrace};
pub use shelf::Store;
pub use trace::MOST_REJECTED;
pub use unit::{Quantity, Unit};

use crate::error::{Error, Result};
use crate::record::Record;
use std::collections::HashMap;
use std::io::Read;
use std::path::Path;
use std::sync::Arc;
use trace::Trace;

/// Key of the question in which zone the clocks of messages stood: [`Settings::zone`].
pub const ZONE: &str = "messages.zone";
/// Key of the question which pump of messages is which channel: [`Settings::channels`].
pub const CHANNELS: &str = "messages.channel";

/// Bytes and the name they go by in messages.
pub struct Source<'a> {
    /// The file as the user named it.
    pub name: &'a Path,
    /// Its bytes.
    pub reader: &'a mut dyn Read,
}

/// How to read.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Settings {
    /// Read on although more than [`MOST_REJECTED`] of the rows cannot be used.
    pub keep_going: bool,
    /// What is what in files that are not in the contract's form.
    pub mapping: Option<Arc<Mapping>>,
    /// Zone of times in messages (HL7) that have no offset: a name such as `Europe/Berlin`, or an offset.
    pub zone: Option<String>,
    /// Running names of pumps in messages, and the channels that they are; an empty one leaves the pump aside.
    pub channels: Vec<(String, String)>,
}

/// Reads one trace with its companions: one record per infusion, sorted by name (one, with `infusion` `None`, where
/// the trace has no `infusion` column).
///
/// In each record rows kept (samples and repeats) + rows rejected = rows given.
///
/// # Errors
/// A file that cannot be read or is no table, a missing column, no usable row, more than 1 % of the rows rejected
/// (without [`Settings::keep_going`]), events or a line file whose times are of another kind than the trace's, a key
/// or value in the line file that is not the contract's.
///
/// ```
/// use patency::ingest::{Settings, Source, read_records};
/// let mut csv = "time,channel,pressure_mmhg,rate_ml_h\n0,pn,31,4.2\n10,pn,,4.2\n".as_bytes();
/// let trace = Source { name: "night.csv".as_ref(), reader: &mut csv };
/// let records = read_records(trace, None, None, &Settings::default()).unwrap();
/// assert_eq!(records[0].channels[0].samples.pressure_mmhg[0], 31.0);
/// assert!(records[0].channels[0].samples.pressure_mmhg[1].is_nan()); // not measured
/// ```
pub fn read_records(
    trace: Source,
    events: Option<Source>,
    line: Option<Source>,
    settings: &Settings,
) -> Result<Vec<Record>> {
    read_exports(vec![trace], events.into_iter().collect(), line, settings)
}

/// Reads several traces of the same pumps, and several files of events, as [`read_records`] does one of each. Rows and events
/// that stand in more than one file count once; of figures that disagree the later file's counts, and
/// [`crate::record::Notice::ExportsMerged`] lists them.
///
/// # Errors
/// As [`read_records`]; no trace; running names that differ between files.
pub fn read_exports(
    traces: Vec<Source>,
    events: Vec<Source>,
    line: Option<Source>,
    settings: &Settings,
) -> Result<Vec<Record>> {
    let mut whole: Option<Trace> = None;
    let last = traces.last().map(|t| t.name.to_path_buf());
    let mut files = Vec::with_capacity(traces.len());
    for source in traces {
        let name = source.name.to_path_buf();
        let mut trace = read_trace(source, settings)?;
        files.push(std::mem::take(&mut trace.records));
        match &mut whole {
            None => whole = Some(trace),
            Some(whole) => whole.join_names(trace, &name)?,
        }
    }
    let Some(mut trace) = whole else {
        return Err(Error::new("there is no trace to read"));
    };
    let several = 1 < files.len() + events.len();
    trace.records = match files.len() {
        1 => files.pop().unwrap_or_default(),
        _ => merge::merge(files).map_err(|e| match &last {
            Some(file) => e.of_file(file),
            None => e,
        })?,
    };
    if let Some(file) = last.filter(|_| !settings.keep_going) {
        let mut records = trace.records.iter();
        records.try_for_each(|record| contradict::check(record, &file))?;
    }
    let files_of_events = events.len();
    for source in events {
        read_events(source, &mut trace, settings)?;
    }
    let mut records = trace.records;
    for record in &mut records {
        if several && 1 < files_of_events {
            merge::sort_and_drop_repeats(record);
            events::say_once(&mut record.intake.notices);
        }
        record.intake.notices.extend(clocks::notice(record));
    }
    if let Some(source) = line {
        let text = line::LineText::read(source)?;
        for record in &mut records {
            let parsed = text.parse(&record.clock)?;
            attach_line(record, parsed);
        }
    }
    Ok(records)
}

fn read_trace(source: Source, settings: &Settings) -> Result<Trace> {
    let (is_messages, mut reader) = peek(source.reader, source.name)?;
    let source = Source {
        name: source.name,
        reader: &mut reader,
    };
    if is_messages {
        return hl7::read_trace(source, settings);
    }
    let map = settings.mapping.as_deref().and_then(|m| m.trace.as_ref());
    trace::read(source, map, settings)
}

fn read_events(source: Source, trace: &mut Trace, settings: &Settings) -> Result<()> {
    let (is_messages, mut reader) = peek(source.reader, source.name)?;
    let source = Source {
        name: source.name,
        reader: &mut reader,
    };
    if is_messages {
        return hl7::read_events(source, trace, settings);
    }
    let map = settings.mapping.as_deref().and_then(|m| m.events.as_ref());
    let read = events::read(source, map, trace, settings)?;
    events::attach(&mut trace.records, read)
}

impl Trace {
    /// Takes over what another file of the same trace says of names.
    fn join_names(&mut self, other: Trace, file: &Path) -> Result<()> {
        type Names = HashMap<Box<[u8]>, String>;
        fn pairs(names: &Names) -> impl Iterator<Item = (&[u8], &str)> + Clone {
            names
                .iter()
                .map(|(own, running)| (&**own, running.as_str()))
        }
        let of = |names: &'_ Option<Names>| names.clone().unwrap_or_default();
        merge::check_names(
            pairs(&of(&self.aliases.infusions)),
            pairs(&of(&other.aliases.infusions)),
            file,
        )?;
        merge::check_names(
            pairs(&of(&self.aliases.channels)),
            pairs(&of(&other.aliases.channels)),
            file,
        )?;
        merge::check_names(pairs(&self.pumps), pairs(&other.pumps), file)?;
        if self.kind != other.kind {
            return Err(other_kind(file, self.kind, other.kind));
        }
        self.pumps.extend(other.pumps);
        if let (Some(mine), Some(theirs)) = (&mut self.aliases.channels, other.aliases.channels) {
            mine.extend(theirs);
        }
        self.has_infusions |= other.has_infusions;
        Ok(())
    }
}

fn other_kind(file: &Path, first: moment::Kind, other: moment::Kind) -> Error {
    let what = format!(
        "the first trace has {}, this one has {}",
        first.words(),
        other.words()
    );
    Error::in_file(file, what).hint("traces that belong together must tell time in the same way")
}

/// Whether a file is one of messages, by its first bytes, and the whole of it again.
///
/// # Errors
/// Messages in a form that is not read.
fn peek<'a>(mut reader: &'a mut dyn Read, name: &Path) -> Result<(bool, impl Read + use<'a>)> {
    let mut begin = Vec::new();
    // A file that cannot be read says so again when it is read in earnest.
    let failed = Read::take(&mut reader, 512).read_to_end(&mut begin).err();
    let is_messages = hl7::begins_messages(&begin);
    if !is_messages && let Some((found, hint)) = hl7::other_form(&begin) {
        let what = format!("expected a table or messages, {found}");
        return Err(Error::in_file(name, what).at_line(1).hint(hint));
    }
    let again = Failed(failed).chain(reader);
    Ok((is_messages, std::io::Cursor::new(begin).chain(again)))
}

/// Hands on an error that was met in looking ahead.
struct Failed(Option<std::io::Error>);

impl Read for Failed {
    fn read(&mut self, _: &mut [u8]) -> std::io::Result<usize> {
        self.0.take().map_or(Ok(0), Err)
    }
}

#[cfg(test)]
mod tests;
