//! Trace and events as tables of the contract's columns.
//!
//! In: records. Out: tables, and the bytes of a file of each kind. A number stands in the shortest form that reads back the
//! same; what was not measured is empty in text and null elsewhere.

use crate::record::{EventKind, Record, Samples};
use crate::report::formula::no_formula;
use crate::time::{Clock, TimeText};
use polars::prelude::*;

/// A table: names and columns.
pub(super) struct Table {
    pub(super) columns: Vec<(&'static str, Cells)>,
    rows: usize,
}

/// A column's cells.
pub(super) enum Cells {
    Text(Vec<String>),
    /// NaN = missing.
    Number(Vec<f64>),
}

/// The trace, infusion by infusion, channel by channel, in order of time.
pub(super) fn trace(records: &[Record]) -> Table {
    let channels = || {
        let pairs = records.iter();
        pairs.flat_map(|r| r.channels.iter().map(move |c| (r, c)))
    };
    let rows = channels().map(|(_, c)| c.samples.len()).sum();
    let all = |of: fn(&Samples) -> &Vec<f64>| {
        let columns = channels().flat_map(|(_, c)| of(&c.samples).iter().copied());
        Cells::Number(columns.collect())
    };
    let each = |of: &dyn Fn(&Record, &str) -> String| {
        let names =
            channels().flat_map(|(r, c)| std::iter::repeat_n(of(r, &c.id), c.samples.len()));
        Cells::Text(names.collect())
    };
    let times = channels().flat_map(|(r, c)| c.samples.t_s.iter().map(|t| (&r.clock, *t)));
    let mut columns = Vec::new();
    if records.iter().any(|r| r.infusion.is_some()) {
        let infusion = |r: &Record, _: &str| r.infusion.clone().unwrap_or_default();
        columns.push(("infusion", each(&infusion)));
    }
    columns.push(("time", time(records, times)));
    columns.push(("channel", each(&|_, id| id.to_string())));
    columns.push(("pressure_mmhg", all(|s| &s.pressure_mmhg)));
    columns.push(("rate_ml_h", all(|s| &s.rate_ml_h)));
    columns.push(("volume_ml", all(|s| &s.volume_ml)));
    columns.push(("limit_mmhg", all(|s| &s.limit_mmhg)));
    Table { columns, rows }
}

/// The events, infusion by infusion, in order of time.
pub(super) fn events(records: &[Record]) -> Table {
    let events = || {
        let pairs = records.iter();
        pairs.flat_map(|r| r.events.iter().map(move |e| (r, e)))
    };
    let mut columns = Vec::new();
    if records.iter().any(|r| r.infusion.is_some()) {
        let names = events().map(|(r, _)| r.infusion.clone().unwrap_or_default());
        columns.push(("infusion", Cells::Text(names.collect())));
    }
    columns.push((
        "time",
        time(records, events().map(|(r, e)| (&r.clock, e.t_s))),
    ));
    let channel = events().map(|(_, e)| e.channel.clone().unwrap_or_default());
    columns.push(("channel", Cells::Text(channel.collect())));
    // A word that the contract does not know is all there is of its event.
    let words = events().map(|(_, e)| match e.kind {
        EventKind::Unknown => e.word.clone(),
        kind => kind.word().to_string(),
    });
    columns.push(("event", Cells::Text(words.collect())));
    let details = events().map(|(_, e)| e.detail.clone());
    columns.push(("detail", Cells::Text(details.collect())));
    Table {
        columns,
        rows: events().count(),
    }
}

fn time<'r>(records: &[Record], times: impl Iterator<Item = (&'r Clock, f64)>) -> Cells {
    if records.iter().all(|r| r.clock == Clock::Seconds) {
        return Cells::Number(times.map(|(_, t_s)| t_s).collect());
    }
    let texts = times.map(|(clock, t_s)| match clock.exact_text(t_s) {
        TimeText::Rfc3339(text) => text,
        TimeText::Seconds(seconds) => seconds.to_string(),
    });
    Cells::Text(texts.collect())
}

pub(super) fn csv(table: &Table) -> Result<Vec<u8>, String> {
    let mut writer = csv::Writer::from_writer(Vec::new());
    let names = table.columns.iter().map(|(name, _)| name);
    writer.write_record(names).map_err(|e| e.to_string())?;
    for row in 0..table.rows {
        for (name, cells) in &table.columns {
            let written = match cells {
                // Names stay as they are: by them the files hang together.
                Cells::Text(texts) if ["event", "detail"].contains(name) => {
                    let text = texts.get(row).map_or("", String::as_str);
                    writer.write_field(no_formula(text).as_bytes())
                }
                Cells::Text(texts) => writer.write_field(texts.get(row).map_or("", String::as_str)),
                Cells::Number(numbers) => match numbers.get(row).filter(|x| !x.is_nan()) {
                    Some(number) => writer.write_field(number.to_string()),
                    None => writer.write_field(""),
                },
            };
            written.map_err(|e| e.to_string())?;
        }
        writer
            .write_record(None::<&[u8]>)
            .map_err(|e| e.to_string())?;
    }
    writer.into_inner().map_err(|e| e.to_string())
}

pub(super) fn parquet(table: &Table) -> Result<Vec<u8>, String> {
    let mut bytes = Vec::new();
    let mut frame = frame(table)?;
    let written = ParquetWriter::new(&mut bytes).finish(&mut frame);
    written.map_err(|e| e.to_string())?;
    Ok(bytes)
}

pub(super) fn arrow(table: &Table) -> Result<Vec<u8>, String> {
    let mut bytes = Vec::new();
    let mut frame = frame(table)?;
    // For libraries older than the newest way of keeping text, too.
    let mut writer = IpcWriter::new(&mut bytes).with_compat_level(CompatLevel::oldest());
    writer.finish(&mut frame).map_err(|e| e.to_string())?;
    Ok(bytes)
}

fn frame(table: &Table) -> Result<DataFrame, String> {
    let columns = table.columns.iter().map(|(name, cells)| match cells {
        Cells::Text(texts) => {
            StringChunked::from_iter_values((*name).into(), texts.iter()).into_column()
        }
        Cells::Number(numbers) => {
            let numbers = numbers.iter().map(|&x| (!x.is_nan()).then_some(x));
            Float64Chunked::from_iter_options((*name).into(), numbers).into_column()
        }
    });
    DataFrame::new(table.rows, columns.collect()).map_err(|e| e.to_string())
}
