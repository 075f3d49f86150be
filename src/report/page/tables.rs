//! The page's tables of channels, events and files.

use crate::infer::ChannelReview;
use crate::record::{Record, RejectedRow};
use crate::report::words;
use crate::units::Estimate;

/// Rejected rows shown; the JSON has the first hundred.
pub const REJECTED_SHOWN: usize = 20;
/// Events shown; the events file has all.
const EVENTS_SHOWN: usize = 200;

/// The line as one channel sees it.
pub struct ChannelRow {
    pub id: String,
    pub resistance: String,
    pub outlet: String,
    pub compliance: String,
}

impl ChannelRow {
    pub fn new(c: &ChannelReview) -> Self {
        let or_none = |e: Option<Estimate>, in_words: fn(f64) -> String| {
            e.map_or(words::CANNOT_BE_TOLD.to_string(), |e| {
                words::with_interval(e, in_words, "95 %")
            })
        };
        Self {
            id: words::clip(&c.id),
            resistance: or_none(c.resistance_mmhg_h_per_ml, words::resistance),
            outlet: or_none(c.outlet_pressure_mmhg, words::pressure),
            compliance: or_none(c.compliance_ul_per_mmhg, words::compliance),
        }
    }
}

/// An event.
pub struct EventRow {
    pub when: String,
    pub channel: String,
    pub what: String,
    pub detail: String,
}

/// The events, and how many more there are.
pub fn events(record: &Record) -> (Vec<EventRow>, usize) {
    let row = |e: &crate::record::Event| EventRow {
        when: words::moment(&record.clock, e.t_s),
        channel: e
            .channel
            .as_deref()
            .map_or(words::WHOLE_LINE.into(), words::clip),
        what: words::event_name(e),
        detail: words::clip_to(&e.detail, 80),
    };
    let rows = record.events.iter().take(EVENTS_SHOWN).map(row).collect();
    (rows, record.events.len().saturating_sub(EVENTS_SHOWN))
}

/// A row of a two-column table.
pub struct Fact {
    pub name: String,
    pub value: String,
}

/// How the reading went.
pub fn facts(record: &Record) -> Vec<Fact> {
    words::record_facts(record)
        .into_iter()
        .map(|(name, value)| Fact { name, value })
        .collect()
}

/// A row that was not used.
pub struct RejectedView {
    pub line: u64,
    pub column: String,
    pub value: String,
    pub reason: String,
}

impl RejectedView {
    pub fn new(row: &RejectedRow) -> Self {
        Self {
            line: row.line,
            column: words::clip(&row.column),
            value: words::clip(&row.value),
            reason: words::clip_to(&row.reason, 80),
        }
    }
}
