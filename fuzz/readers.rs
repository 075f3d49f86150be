//! What each fuzz target does with its bytes: reads them as a file of its kind, and holds the answer to what is true of any.
//!
//! No input may end the program, and whatever is read: rows kept + rows rejected = rows given, times rise, rates are
//! numbers, an error is one message without anything that a terminal might obey.

use patency::error::Error;
use patency::ingest::{self, Mapping, Settings, Source};
use patency::record::{Notice, Record};
use patency::simulate::Scenario;
use std::path::Path;
use std::sync::Arc;

/// Name of a target, and what it does.
pub type Target = (&'static str, fn(&[u8]));

/// All targets: one for each kind of file.
pub const TARGETS: &[Target] = &[
    ("text", text),
    ("events", events),
    ("mapped", mapped),
    ("mapping", mapping),
    ("line", line),
    ("scenario", scenario),
    ("tables", tables),
    ("messages", messages),
    ("messages_as_events", messages_as_events),
    ("infusions", infusions),
    ("column", column),
    ("proposal", proposal),
];

const TRACE: &str = "time,channel,pressure_mmhg,rate_ml_h\n2026-03-29T01:59:00+01:00,pn,30,4\n\
                     2026-03-29T04:59:00+02:00,pn,30,4\n";

const MAPPINGS: [&str; 3] = [
    "[trace]\ndelimiter = \";\"\ndecimal = \"comma\"\ntime = \"Zeit\"\ndate_order = \"dmy\"\nzone = \"Europe/Berlin\"\n\
     pressure = \"Druck\"\npressure_unit = \"kPa\"\nrate = \"Rate\"\nrate_unit = \"mL/min\"\nholds = true\n",
    "[trace]\ntime = \"t\"\ndate_order = \"ymd\"\nzone = \"UTC\"\n[trace.long]\nparameter = \"what\"\nvalue = \"value\"\n\
     unit = \"unit\"\npressure = \"P\"\nrate = [\"R\"]\n",
    "[trace]\ntime = \"t\"\ntime_unit = \"min\"\npressure = \"p\"\npressure_unit = \"mbar\"\nrate = \"r\"\nrate_unit = \"uL/min\"\n",
];

fn source<'a>(name: &'a str, bytes: &'a mut &[u8]) -> Source<'a> {
    Source {
        name: Path::new(name),
        reader: bytes,
    }
}

fn settings() -> Settings {
    Settings {
        keep_going: true,
        zone: Some("Europe/Berlin".into()),
        ..Settings::default()
    }
}

fn read(trace: &[u8], events: Option<&[u8]>, settings: &Settings) -> Option<Vec<Record>> {
    let (mut trace, mut events) = (trace, events);
    let read = ingest::read_records(
        source("t", &mut trace),
        events.as_mut().map(|e| source("e", e)),
        None,
        settings,
    );
    let records = read.map_err(|e| is_sound(&e)).ok()?;
    records.iter().for_each(holds);
    Some(records)
}

fn is_sound(error: &Error) {
    let said = error.to_string();
    assert!(!said.is_empty());
    assert!(
        said.chars().all(|c| c == '\n' || !c.is_control()),
        "{said:?}"
    );
}

fn holds(record: &Record) {
    let intake = &record.intake;
    assert!(intake.rows_rejected <= intake.rows, "{intake:?}");
    assert!(intake.rejected.len() as u64 <= intake.rows_rejected.min(100));
    assert!(!record.channels.is_empty());
    for channel in &record.channels {
        let samples = &channel.samples;
        let n = samples.len();
        assert!(0 < n);
        assert!(samples.t_s.iter().all(|t| t.is_finite()));
        assert!(samples.t_s.windows(2).all(|w| w[0] < w[1]));
        assert!(samples.rate_ml_h.iter().all(|r| r.is_finite() && 0.0 <= *r));
        for column in [
            &samples.pressure_mmhg,
            &samples.rate_ml_h,
            &samples.volume_ml,
            &samples.limit_mmhg,
        ] {
            assert_eq!(column.len(), n);
        }
    }
    assert!(record.events.windows(2).all(|w| w[0].t_s <= w[1].t_s));
}

/// Rows that the records account for, one way or the other.
fn accounted_for(records: &[Record]) -> u64 {
    let mut sum = 0;
    for record in records {
        let samples: u64 = record.channels.iter().map(|c| c.samples.len() as u64).sum();
        let intake = &record.intake;
        assert_eq!(samples + intake.repeats + intake.rows_rejected, intake.rows);
        sum += intake.rows;
        for notice in &intake.notices {
            if let Notice::InfusionUnread { rows, .. } = notice {
                sum += rows;
            }
        }
    }
    sum
}

/// A trace in the contract's form.
pub fn text(bytes: &[u8]) {
    let is_other = [
        &b"PK"[..],
        b"PAR1",
        b"ARROW1",
        b"MSH",
        b"FHS",
        b"BHS",
        b"\xd0\xcf",
        b"\xff\xff\xff\xff",
    ];
    if is_other.iter().any(|b| bytes.starts_with(b)) {
        return; // those have targets of their own
    }
    if let Some(records) = read(bytes, None, &settings()) {
        let counted = accounted_for(&records);
        let is_utf16 = bytes.starts_with(b"\xff\xfe") || bytes.starts_with(b"\xfe\xff");
        assert!(is_utf16 || counted == csv_rows(bytes));
    }
}

/// Rows below the header, counted by the `csv` crate alone.
fn csv_rows(bytes: &[u8]) -> u64 {
    let mut reader = csv::ReaderBuilder::new().flexible(true).from_reader(bytes);
    reader.byte_records().count() as u64
}

/// Events in the contract's form.
pub fn events(bytes: &[u8]) {
    read(TRACE.as_bytes(), Some(bytes), &settings());
}

/// A trace in another form, by one of three mappings.
pub fn mapped(bytes: &[u8]) {
    for map in MAPPINGS {
        let mut map = map.as_bytes();
        let mapping = Mapping::read(source("m", &mut map)).expect("a mapping that is right");
        let settings = Settings {
            mapping: Some(Arc::new(mapping)),
            ..settings()
        };
        read(bytes, None, &settings);
    }
}

/// A mapping file.
pub fn mapping(bytes: &[u8]) {
    let mut bytes = bytes;
    match Mapping::read(source("m", &mut bytes)) {
        Err(error) => is_sound(&error),
        Ok(mapping) => {
            let settings = Settings {
                mapping: Some(Arc::new(mapping)),
                ..settings()
            };
            read(TRACE.as_bytes(), None, &settings);
        }
    }
}

/// A line file.
pub fn line(bytes: &[u8]) {
    let (mut trace, mut bytes) = (TRACE.as_bytes(), bytes);
    let read = ingest::read_records(
        source("t", &mut trace),
        None,
        Some(source("l", &mut bytes)),
        &settings(),
    );
    if let Err(error) = read {
        is_sound(&error);
    }
}

/// A scenario file.
pub fn scenario(bytes: &[u8]) {
    if let Err(error) = Scenario::from_toml(&String::from_utf8_lossy(bytes)) {
        is_sound(&error);
    }
}

/// A workbook, Parquet or Arrow.
pub fn tables(bytes: &[u8]) {
    if let Some(records) = read(bytes, None, &settings()) {
        accounted_for(&records);
    }
}

/// A file of messages, as a trace.
pub fn messages(bytes: &[u8]) {
    read(bytes, None, &settings());
}

/// A file of messages, as the events of a table.
pub fn messages_as_events(bytes: &[u8]) {
    read(TRACE.as_bytes(), Some(bytes), &settings());
}

/// The list of a survey.
pub fn infusions(bytes: &[u8]) {
    let mut bytes = bytes;
    if let Err(error) = ingest::read_infusions(source("i", &mut bytes)) {
        is_sound(&error);
    }
}

/// One column of any table.
pub fn column(bytes: &[u8]) {
    let mut bytes = bytes;
    if let Err(error) = ingest::read_column(source("c", &mut bytes), "pressure_mmhg") {
        is_sound(&error);
    }
}

/// A file to propose a mapping for: what is proposed without a question can be read.
pub fn proposal(bytes: &[u8]) {
    let mut bytes = bytes;
    match ingest::propose(source("p", &mut bytes), None, &[]) {
        Err(error) => is_sound(&error),
        Ok(proposal) if proposal.questions.is_empty() => {
            let mut text = proposal.text.as_bytes();
            if let Err(error) = Mapping::read(source("m", &mut text)) {
                panic!("{error}\n{}", proposal.text);
            }
        }
        Ok(_) => {}
    }
}
