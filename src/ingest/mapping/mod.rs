//! The mapping file: which column of an export is what, and how it is written, in TOML.
//!
//! In: its bytes. Out: [`Mapping`]. A mapping is made by `patency map` or by hand; where it still holds a question
//! (`"?"`), reading stops and asks it. Nothing in it is guessed here.

mod text;

pub(super) use text::keys;

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
    /// Date and time; `None` where each bears its offset.
    Local(Order, Option<TimeZone>),
}

/// How the trace is to be read.
#[derive(Debug, Clone, PartialEq)]
pub(in crate::ingest) struct TraceMap {
    pub(in crate::ingest) file: FileMap,
    pub(in crate::ingest) layout: LayoutMap,
    /// Whether an empty rate or limit means that the one before still holds.
    pub(in crate::ingest) holds: bool,
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

/// Columns and factors of one channel's figures.
#[derive(Debug, Clone, PartialEq)]
pub(in crate::ingest) struct FieldsMap {
    pub(in crate::ingest) pressure: (String, f64),
    pub(in crate::ingest) rate: (String, f64),
    pub(in crate::ingest) volume: Option<(String, f64)>,
    pub(in crate::ingest) limit: Option<(String, f64)>,
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
}
