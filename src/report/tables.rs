//! Tables for a notebook to start from: the cleaned trace and the regimes, as Parquet.
//!
//! In: a record and its review. Out: the bytes of a Parquet file. Columns have the contract's names and units; times
//! stand as the trace writes them, and once more as seconds from the record's start (`t_s`, `start_s`, `end_s`).
//! What was not measured is null, never NaN.

use crate::infer::{Doing, Review};
use crate::record::Record;
use crate::time::{Clock, TimeText};
use polars::prelude::*;

/// The cleaned trace: `infusion` (where the trace has it), `time`, `channel`, `pressure_mmhg`, `rate_ml_h`,
/// `volume_ml`, `limit_mmhg`, `t_s`; by channel, then time.
///
/// # Errors
/// The words of the library that writes the table; it fails for want of memory only.
pub fn trace_parquet(record: &Record) -> Result<Vec<u8>, String> {
    let rows: usize = record.channels.iter().map(|c| c.samples.len()).sum();
    let channels = record.channels.iter();
    let names = channels.flat_map(|c| std::iter::repeat_n(c.id.as_str(), c.samples.len()));
    let t_s = joined(record, |s| &s.t_s);
    let columns = vec![
        time_column("time", &record.clock, t_s.iter().copied()),
        StringChunked::from_iter_values("channel".into(), names).into_column(),
        measured("pressure_mmhg", &joined(record, |s| &s.pressure_mmhg)),
        measured("rate_ml_h", &joined(record, |s| &s.rate_ml_h)),
        measured("volume_ml", &joined(record, |s| &s.volume_ml)),
        measured("limit_mmhg", &joined(record, |s| &s.limit_mmhg)),
        Column::new("t_s".into(), t_s),
    ];
    parquet(
        infusion_column(record, rows).into_iter().chain(columns),
        rows,
    )
}

/// What each channel did and when: `infusion` (where the trace has it), `channel`, `start`, `end`, `start_s`, `end_s`,
/// `doing` (`running`, `paused`, `gap`), `rate_ml_h` (while running), `cause` (of a pause: `manual`, `alarm`, `unknown`).
///
/// # Errors
/// The words of the library that writes the table; it fails for want of memory only.
pub fn regimes_parquet(record: &Record, review: &Review) -> Result<Vec<u8>, String> {
    let regimes = || review.regimes.iter();
    let rows = review.regimes.len();
    let starts = || regimes().map(|r| r.span.start_s);
    let ends = || regimes().map(|r| r.span.end_s);
    let words = |name: &str, of: fn(Doing) -> Option<&'static str>| {
        let words: StringChunked = regimes().map(|r| of(r.doing)).collect();
        words.with_name(name.into()).into_column()
    };
    let rates: Vec<f64> = regimes()
        .map(|r| match r.doing {
            Doing::Running { rate_ml_h } => rate_ml_h,
            Doing::Paused(_) | Doing::Gap => f64::NAN,
        })
        .collect();
    let channels = regimes().map(|r| r.channel.as_str());
    let columns = vec![
        StringChunked::from_iter_values("channel".into(), channels).into_column(),
        time_column("start", &record.clock, starts()),
        time_column("end", &record.clock, ends()),
        Column::new("start_s".into(), starts().collect::<Vec<f64>>()),
        Column::new("end_s".into(), ends().collect::<Vec<f64>>()),
        words("doing", |doing| match doing {
            Doing::Running { .. } => Some("running"),
            Doing::Paused(_) => Some("paused"),
            Doing::Gap => Some("gap"),
        }),
        measured("rate_ml_h", &rates),
        words("cause", |doing| match doing {
            Doing::Paused(cause) => Some(cause.word()),
            Doing::Running { .. } | Doing::Gap => None,
        }),
    ];
    parquet(
        infusion_column(record, rows).into_iter().chain(columns),
        rows,
    )
}

/// One infusion of many, reviewed.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Reviewed {
    /// Its name.
    pub infusion: String,
    /// Why it could not be reviewed; `None` where it was.
    pub error: Option<String>,
    /// The review, as the contract's object.
    pub review: Option<String>,
    /// What a survey needs of it.
    pub facts: Option<String>,
}

/// Reviews as an Arrow IPC stream with the columns `infusion`, `error`, `review`, `facts`, all text.
///
/// # Errors
/// The words of the library that writes the table; it fails for want of memory only.
pub fn reviews_arrow(rows: &[Reviewed]) -> Result<Vec<u8>, String> {
    let text = |name: &str, of: fn(&Reviewed) -> Option<&str>| {
        let cells: StringChunked = rows.iter().map(of).collect();
        cells.with_name(name.into()).into_column()
    };
    let columns = vec![
        text("infusion", |r| Some(&r.infusion)),
        text("error", |r| r.error.as_deref()),
        text("review", |r| r.review.as_deref()),
        text("facts", |r| r.facts.as_deref()),
    ];
    let mut bytes = Vec::new();
    let written = DataFrame::new(rows.len(), columns)
        .and_then(|mut table| IpcStreamWriter::new(&mut bytes).finish(&mut table));
    written.map_err(|e| e.to_string())?;
    Ok(bytes)
}

fn joined(record: &Record, column: fn(&crate::record::Samples) -> &Vec<f64>) -> Vec<f64> {
    let channels = record.channels.iter();
    channels.flat_map(|c| column(&c.samples)).copied().collect()
}

fn infusion_column(record: &Record, rows: usize) -> Option<Column> {
    let name = record.infusion.as_deref()?;
    let names = std::iter::repeat_n(name, rows);
    Some(StringChunked::from_iter_values("infusion".into(), names).into_column())
}

/// NaN becomes null.
fn measured(name: &str, values: &[f64]) -> Column {
    let values = values.iter().map(|&v| (!v.is_nan()).then_some(v));
    Float64Chunked::from_iter_options(name.into(), values).into_column()
}

fn time_column(name: &str, clock: &Clock, times: impl Iterator<Item = f64>) -> Column {
    match clock {
        Clock::Seconds => Column::new(name.into(), times.collect::<Vec<f64>>()),
        Clock::Calendar { .. } => {
            let texts = times.map(|t_s| match clock.text(t_s) {
                TimeText::Rfc3339(text) => text,
                TimeText::Seconds(seconds) => seconds.to_string(),
            });
            StringChunked::from_iter_values(name.into(), texts).into_column()
        }
    }
}

fn parquet(columns: impl Iterator<Item = Column>, rows: usize) -> Result<Vec<u8>, String> {
    let mut bytes = Vec::new();
    let written = DataFrame::new(rows, columns.collect())
        .and_then(|mut table| ParquetWriter::new(&mut bytes).finish(&mut table));
    written.map_err(|e| e.to_string())?;
    Ok(bytes)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::infer::{PauseCause, Regime};
    use crate::record::{Channel, Intake, Samples};
    use crate::time::Span;
    use std::io::Cursor;

    fn record(clock: Clock, infusion: Option<&str>) -> Record {
        let samples = Samples {
            t_s: vec![0.0, 0.1, 60.0],
            pressure_mmhg: vec![31.0, f64::NAN, 33.3],
            rate_ml_h: vec![4.0, 4.0, 0.0],
            volume_ml: vec![f64::NAN, 0.5, 1.0 / 3.0],
            limit_mmhg: vec![f64::NAN; 3],
        };
        Record {
            infusion: infusion.map(str::to_string),
            clock,
            channels: vec![Channel {
                id: "pn".into(),
                samples,
                period_s: Some(30.0),
                on_change: false,
                gaps: vec![],
            }],
            events: vec![],
            events_given: false,
            line: None,
            priors: crate::record::Priors::default(),
            intake: Intake::default(),
        }
    }

    fn calendar() -> Clock {
        Clock::Calendar {
            origin_us: 1_774_745_940_000_000, // 2026-03-29T00:59:00Z
            offsets: vec![(0.0, 3600), (60.0, 7200)],
        }
    }

    fn read(bytes: Vec<u8>) -> DataFrame {
        ParquetReader::new(Cursor::new(bytes)).finish().unwrap()
    }

    fn numbers(table: &DataFrame, column: &str) -> Vec<Option<f64>> {
        table
            .column(column)
            .unwrap()
            .f64()
            .unwrap()
            .iter()
            .collect()
    }

    fn words(table: &DataFrame, column: &str) -> Vec<Option<String>> {
        let column = table.column(column).unwrap().str().unwrap();
        column.iter().map(|w| w.map(str::to_string)).collect()
    }

    #[test]
    fn the_cleaned_trace_reads_back_with_the_same_numbers() {
        let table = read(trace_parquet(&record(calendar(), Some("night-7"))).unwrap());
        let names: Vec<&str> = table
            .get_column_names()
            .iter()
            .map(|n| n.as_str())
            .collect();
        let contract = [
            "infusion",
            "time",
            "channel",
            "pressure_mmhg",
            "rate_ml_h",
            "volume_ml",
            "limit_mmhg",
        ];
        assert_eq!(names[..7], contract);
        assert_eq!(names[7..], ["t_s"]);
        assert_eq!(numbers(&table, "t_s"), [Some(0.0), Some(0.1), Some(60.0)]);
        assert_eq!(
            numbers(&table, "pressure_mmhg"),
            [Some(31.0), None, Some(33.3)]
        );
        assert_eq!(
            numbers(&table, "rate_ml_h"),
            [Some(4.0), Some(4.0), Some(0.0)]
        );
        assert_eq!(
            numbers(&table, "volume_ml"),
            [None, Some(0.5), Some(1.0 / 3.0)]
        );
        assert_eq!(numbers(&table, "limit_mmhg"), [None, None, None]);
        let times = words(&table, "time");
        assert_eq!(times[1].as_deref(), Some("2026-03-29T01:59:00.1+01:00"));
        assert_eq!(times[2].as_deref(), Some("2026-03-29T03:00:00+02:00"));
        assert_eq!(words(&table, "channel")[0].as_deref(), Some("pn"));
        assert_eq!(words(&table, "infusion")[2].as_deref(), Some("night-7"));
    }

    #[test]
    fn a_trace_of_seconds_keeps_numbers_and_has_no_infusion_column() {
        let table = read(trace_parquet(&record(Clock::Seconds, None)).unwrap());
        assert_eq!(numbers(&table, "time"), [Some(0.0), Some(0.1), Some(60.0)]);
        assert!(table.column("infusion").is_err());
    }

    #[test]
    fn the_regimes_read_back_with_cause_and_rate_where_they_have_one() {
        let regime = |start_s, end_s, doing| Regime {
            channel: "pn".into(),
            span: Span { start_s, end_s },
            doing,
        };
        let review = Review {
            channels: vec![],
            regimes: vec![
                regime(0.0, 60.0, Doing::Running { rate_ml_h: 4.2 }),
                regime(60.0, 90.0, Doing::Paused(PauseCause::Alarm)),
                regime(90.0, 400.0, Doing::Gap),
            ],
            pauses: vec![],
            line_pauses: vec![],
            episodes: vec![],
            not_judged: vec![],
            assumptions: vec![],
        };
        let table = read(regimes_parquet(&record(calendar(), None), &review).unwrap());
        let doing: Vec<_> = words(&table, "doing").into_iter().flatten().collect();
        assert_eq!(doing, ["running", "paused", "gap"]);
        assert_eq!(words(&table, "cause"), [None, Some("alarm".into()), None]);
        assert_eq!(numbers(&table, "rate_ml_h"), [Some(4.2), None, None]);
        assert_eq!(
            numbers(&table, "end_s"),
            [Some(60.0), Some(90.0), Some(400.0)]
        );
        assert_eq!(
            words(&table, "end")[0].as_deref(),
            Some("2026-03-29T03:00:00+02:00")
        );
    }
}
