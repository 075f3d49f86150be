//! What was understood of a record's files, in words, for the user to confirm.
//!
//! In: the records that were read. Out: [`Understood`], which is kept and shown. Text of the files is clipped here and
//! escaped by the pages.

use crate::record::{Channel, Record};
use crate::report::words;
use serde::{Deserialize, Serialize};

/// Infusions shown; one of them is reviewed.
const MOST_INFUSIONS: usize = 200;
/// Channels shown of each.
const MOST_CHANNELS: usize = 24;
/// Rows shown that were not used.
const MOST_REJECTED: usize = 20;

/// What was understood.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct Understood {
    /// One for each infusion of the trace.
    pub infusions: Vec<Infusion>,
    /// How many more there are.
    pub infusions_left: usize,
    /// Whether there is an events file.
    pub events_given: bool,
    /// Whether there is a line file.
    pub line_given: bool,
}

/// What was understood of one infusion.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct Infusion {
    /// Its name where the trace has many.
    pub name: Option<String>,
    /// Its name as it may be shown.
    pub shown: String,
    /// Channels and time.
    pub record_line: String,
    /// Whose clock the times are.
    pub times: String,
    /// Rows, and how many could not be used.
    pub rows: String,
    /// Events within the record.
    pub events: String,
    /// The channels' figures.
    pub channels: Vec<ChannelRow>,
    /// What a reader must know of the files.
    pub notices: Vec<String>,
    /// Rows that were not used: line, column, cell, why.
    pub rejected: Vec<[String; 4]>,
    /// How many more of them there are.
    pub rejected_left: u64,
}

/// One channel, with the range of its figures: a wrong unit shows here.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct ChannelRow {
    /// Its name.
    pub id: String,
    /// How many samples, how often.
    pub samples: String,
    /// From the lowest to the highest pressure.
    pub pressure: String,
    /// From the lowest to the highest rate.
    pub rate: String,
}

impl Understood {
    /// Words what was read.
    pub fn new(records: &[Record]) -> Self {
        Self {
            infusions: records
                .iter()
                .take(MOST_INFUSIONS)
                .map(Infusion::new)
                .collect(),
            infusions_left: records.len().saturating_sub(MOST_INFUSIONS),
            events_given: records.iter().any(|r| r.events_given),
            line_given: records.iter().any(|r| r.line.is_some()),
        }
    }
}

impl Infusion {
    fn new(record: &Record) -> Self {
        let intake = &record.intake;
        let rows = words::count(intake.rows, "row", "rows");
        Self {
            name: record.infusion.clone(),
            shown: record
                .infusion
                .as_deref()
                .map(words::clip)
                .unwrap_or_default(),
            record_line: words::record_line(record),
            times: words::times_are(&record.clock, record.end_s()),
            rows: match intake.rows_rejected {
                0 => format!("{rows}, all used"),
                n => format!(
                    "{rows}, {} of them not used",
                    words::count(n, "", "").trim()
                ),
            },
            events: words::count(record.events.len() as u64, "event", "events"),
            channels: record
                .channels
                .iter()
                .take(MOST_CHANNELS)
                .map(ChannelRow::new)
                .collect(),
            notices: intake.notices.iter().map(words::notice).collect(),
            rejected: intake
                .rejected
                .iter()
                .take(MOST_REJECTED)
                .map(|row| {
                    [
                        row.line.to_string(),
                        words::clip(&row.column),
                        words::clip(&row.value),
                        words::clip_to(&row.reason, 80),
                    ]
                })
                .collect(),
            rejected_left: intake.rows_rejected.saturating_sub(MOST_REJECTED as u64),
        }
    }
}

impl ChannelRow {
    fn new(channel: &Channel) -> Self {
        let samples = words::count(channel.samples.len() as u64, "sample", "samples");
        let every = match (channel.on_change, channel.period_s) {
            (true, _) => ", written on change".to_string(),
            (false, Some(s)) => format!(", every {}\u{a0}s", words::bare(s)),
            (false, None) => String::new(),
        };
        Self {
            id: words::clip(&channel.id),
            samples: samples + &every,
            pressure: extent(&channel.samples.pressure_mmhg, words::pressure),
            rate: extent(&channel.samples.rate_ml_h, words::rate),
        }
    }
}

fn extent(values: &[f64], in_words: fn(f64) -> String) -> String {
    let given = || values.iter().copied().filter(|v| v.is_finite());
    let low = given().fold(f64::INFINITY, f64::min);
    let high = given().fold(f64::NEG_INFINITY, f64::max);
    if low <= high {
        format!("{} to {}", in_words(low), in_words(high))
    } else {
        words::workbench::NOT_MEASURED.into()
    }
}
