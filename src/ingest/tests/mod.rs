//! Tests of the reading as a whole: what the files say, what is refused, and in which words. The helpers here alone
//! know how the room is called.

mod columns;
mod dresses;
mod events;
mod exports;
mod fixtures;
mod laws;
mod line;
mod mapped;
mod reference;
mod refused;
mod sheets;
mod trace;

use super::{Settings, Source, read_records};
use crate::error::{Error, Result};
use crate::record::Record;
use std::path::Path;

fn source<'a>(name: &'a str, bytes: &'a mut &[u8]) -> Source<'a> {
    Source {
        name: Path::new(name),
        reader: bytes,
    }
}

fn read_all(
    trace: &[u8],
    events: Option<&str>,
    line: Option<&str>,
    settings: &Settings,
) -> Result<Vec<Record>> {
    let (mut trace, mut events, mut line) =
        (trace, events.map(str::as_bytes), line.map(str::as_bytes));
    read_records(
        source("night.csv", &mut trace),
        events.as_mut().map(|b| source("events.csv", b)),
        line.as_mut().map(|b| source("line.toml", b)),
        settings,
    )
}

fn read(trace: &str) -> Result<Record> {
    read_with(trace, None, None)
}

fn read_with(trace: &str, events: Option<&str>, line: Option<&str>) -> Result<Record> {
    let mut records = read_all(trace.as_bytes(), events, line, &Settings::default())?;
    assert_eq!(records.len(), 1);
    Ok(records.remove(0))
}

fn going() -> Settings {
    Settings {
        keep_going: true,
        ..Settings::default()
    }
}

fn keep_going(trace: &str) -> Result<Vec<Record>> {
    read_all(trace.as_bytes(), None, None, &going())
}

/// `time,channel,pressure_mmhg,rate_ml_h,volume_ml` and rows.
fn trace(rows: &str) -> String {
    format!("time,channel,pressure_mmhg,rate_ml_h,volume_ml\n{rows}")
}

fn place(error: &Error) -> (Option<u64>, Option<&str>) {
    let place = error.place.as_ref().unwrap();
    (place.line, place.column.as_deref())
}

/// Two hours of one channel.
const TRACE: &str = "time,channel,pressure_mmhg,rate_ml_h\n\
                     2031-03-04T08:00:00+01:00,pn,30,4\n\
                     2031-03-04T10:00:00+01:00,pn,30,4\n";
