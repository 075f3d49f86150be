//! The mapping file: which column of an export is what, and how it is written, in TOML.
//!
//! In: its bytes. Out: [`Mapping`]. A mapping is made by `patency map` or by hand; where it still holds a question
//! (`"?"`), reading stops and asks it. Nothing in it is guessed here.

mod text;
mod times;

#[cfg(test)]
pub(super) use text::all_keys;
pub(super) use text::{keys, word_headings};
#[cfg(test)]
pub(super) use times::COUNTS;

use super::civil::Order;
use super::dress::Dress;
use super::numbers::Numbers;
use super::unit::Quantity;
use crate::record::EventKind;
use jiff::civil::Date;
use jiff::tz::TimeZone;
use std::collections::BTreeMap;

/// What stands in the place of an answer that is still to be given.
pub const QUESTION: &str = "?";

/// How the files of one export are to be read.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Mapping {
    /// The trace; `None` = as the contract has it.
    pub(in crate::ingest) trace: Option<TraceMap>,
    /// The events; `None` = as the contract has it.
    pub(in crate::ingest) events: Option<EventsMap>,
}

/// What trace and events have in common.
#[derive(Debug, Clone, PartialEq)]
pub(in crate::ingest) struct FileMap {
    pub(in crate::ingest) dress: Dress,
    pub(in crate::ingest) numbers: Numbers,
    pub(in crate::ingest) time: TimeMap,
    pub(in crate::ingest) infusion: Option<String>,
    pub(in crate::ingest) channel: Option<String>,
}

/// Where the time stands and how it is written.
#[derive(Debug, Clone, PartialEq)]
pub(in crate::ingest) struct TimeMap {
    pub(in crate::ingest) cells: TimeCells,
    pub(in crate::ingest) written: TimeWritten,
}

#[derive(Debug, Clone, PartialEq)]
pub(in crate::ingest) enum TimeCells {
    One(String),
    DateAndClock(String, String),
    ClockFrom(String, Date),
}

#[derive(Debug, Clone, PartialEq)]
pub(in crate::ingest) enum TimeWritten {
    /// RFC 3339 or seconds from the start.
    Contract,
    /// A unit of time from the start, in seconds.
    Elapsed(f64),
    /// Minutes and seconds from the start, `75:30`.
    MinutesAndSeconds,
    /// Units of so many seconds since 1970 in UTC; the zone is the one to tell times in.
    Epoch(f64, Option<TimeZone>),
    /// Days of a spreadsheet, in a zone.
    SheetDays(TimeZone),
    /// Date and time; `None` where each bears its offset.
    Local(Order, Option<TimeZone>),
    /// Date and time by a pattern of `strptime`; the zone is `None` where each bears its offset.
    Pattern(String, Option<TimeZone>),
}

/// How the trace is to be read.
#[derive(Debug, Clone, PartialEq)]
pub(in crate::ingest) struct TraceMap {
    pub(in crate::ingest) file: FileMap,
    pub(in crate::ingest) layout: LayoutMap,
    /// What an empty cell means.
    pub(in crate::ingest) holds: Holds,
    /// Words in the place of a rate, and the rates they mean, mL/h; NaN = not known.
    pub(in crate::ingest) rate_words: Vec<(String, f64)>,
    /// Columns that say whether the channel ran, and the words that say so.
    pub(in crate::ingest) running: Vec<(String, Vec<String>)>,
}

/// What an empty cell of a figure means.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub(in crate::ingest) enum Holds {
    /// Nothing was recorded.
    #[default]
    Nothing,
    /// Rate and limit are the ones before.
    RateAndLimit,
    /// Every figure is the one before.
    All,
}

/// What a row holds.
#[derive(Debug, Clone, PartialEq)]
pub(in crate::ingest) enum LayoutMap {
    /// One sample of one channel.
    Row(FieldsMap),
    /// One sample of each of these channels.
    Wide(Vec<(String, FieldsMap)>),
    /// One value.
    Long(LongMap),
}

/// Columns of one channel's figures.
#[derive(Debug, Clone, PartialEq)]
pub(in crate::ingest) struct FieldsMap {
    pub(in crate::ingest) pressure: FieldMap,
    pub(in crate::ingest) rate: FieldMap,
    pub(in crate::ingest) volume: Option<FieldMap>,
    pub(in crate::ingest) limit: Option<FieldMap>,
}

/// A column of figures.
#[derive(Debug, Clone, PartialEq)]
pub(in crate::ingest) struct FieldMap {
    pub(in crate::ingest) column: String,
    pub(in crate::ingest) unit: UnitMap,
    /// Taken off each figure, in its own unit: the air's pressure where pressures are absolute.
    pub(in crate::ingest) zero: f64,
}

/// The unit of a column's figures.
#[derive(Debug, Clone, PartialEq)]
pub(in crate::ingest) enum UnitMap {
    /// Times this gives the contract's unit.
    Factor(f64),
    /// As its header or the row of units says.
    Written,
    /// As another column says in each row.
    Column(String),
}

/// One value a row: its name, the value, its unit.
#[derive(Debug, Clone, PartialEq)]
pub(in crate::ingest) struct LongMap {
    pub(in crate::ingest) parameter: String,
    pub(in crate::ingest) value: String,
    pub(in crate::ingest) unit: Option<String>,
    /// The parameter's name, what it is, and the factor where no column holds the unit.
    pub(in crate::ingest) names: Vec<(String, What, Option<f64>)>,
}

/// What a figure is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(in crate::ingest) enum What {
    Pressure,
    Rate,
    Volume,
    Limit,
}

impl What {
    pub(in crate::ingest) const ALL: [(What, &'static str); 4] = [
        (What::Pressure, "pressure"),
        (What::Rate, "rate"),
        (What::Volume, "volume"),
        (What::Limit, "limit"),
    ];

    /// The keys of its unit and of the column that holds its unit.
    pub(in crate::ingest) fn unit_keys(self) -> (&'static str, &'static str) {
        match self {
            What::Pressure => ("pressure_unit", "pressure_unit_column"),
            What::Rate => ("rate_unit", "rate_unit_column"),
            What::Volume => ("volume_unit", "volume_unit_column"),
            What::Limit => ("limit_unit", "limit_unit_column"),
        }
    }

    pub(in crate::ingest) fn quantity(self) -> Quantity {
        match self {
            What::Pressure | What::Limit => Quantity::Pressure,
            What::Rate => Quantity::Rate,
            What::Volume => Quantity::Volume,
        }
    }
}

/// How the events are to be read.
#[derive(Debug, Clone, PartialEq)]
pub(in crate::ingest) struct EventsMap {
    pub(in crate::ingest) file: FileMap,
    pub(in crate::ingest) event: String,
    pub(in crate::ingest) detail: Option<String>,
    /// The file's words and the contract's.
    pub(in crate::ingest) words: BTreeMap<String, EventKind>,
    /// What words are that are not listed.
    pub(in crate::ingest) unlisted: Option<EventKind>,
}
