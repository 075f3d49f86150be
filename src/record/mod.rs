//! Plain data that every layer reads: what one infusion's files said, cleaned but not judged.
//!
//! In: what [`crate::ingest`] (or the simulator) built. Out: [`Record`]. No identity of a patient, a member of
//! staff or a device has a field here. Times are seconds from the record's start (`t_s`); the [`Clock`] turns
//! them back.

mod event;
mod line;
mod priors;
mod rhythm;
mod survivor;
mod trace;

pub use event::{Event, EventKind};
pub use line::{Access, AccessKind, FilterPart, FilterPosition, Fluid, Line, LineChannel, Tail};
pub use priors::{Priors, Unfit};
pub(crate) use rhythm::Rhythm;
pub use survivor::{Looks, Survivor};
pub use trace::{Channel, Conflict, Intake, Notice, RejectedRow, Samples};

use crate::time::Clock;

/// Everything that is known of one infusion before anything is judged.
#[derive(Debug, Clone, PartialEq)]
pub struct Record {
    /// Name of the infusion where the trace has many; `None` where it has one.
    pub infusion: Option<String>,
    /// How the trace writes time.
    pub clock: Clock,
    /// The pump channels, sorted by name; never empty, each with at least one sample.
    pub channels: Vec<Channel>,
    /// Events in order of time; empty where there is no events file (see `events_given`).
    pub events: Vec<Event>,
    /// Whether an events file was given at all: "no event" and "nobody wrote events down" differ.
    pub events_given: bool,
    /// What lies between pump and patient; `None` where no line file was given.
    pub line: Option<Line>,
    /// What is held likely before the record is looked at; the published shares unless a site gave its own.
    pub priors: Priors,
    /// How the reading went.
    pub intake: Intake,
}

impl Record {
    /// The first sample's time over all channels, seconds from the record's start.
    pub fn start_s(&self) -> f64 {
        self.channels
            .iter()
            .filter_map(|c| c.samples.t_s.first())
            .fold(f64::INFINITY, |a, &b| a.min(b))
    }

    /// The record read only up to a moment, seconds from its start: channels that have no sample by then are not there yet.
    pub fn up_to(&self, t_s: f64) -> Self {
        let channels = self.channels.iter().map(|c| c.up_to(t_s));
        let events = self.events.iter().filter(|e| e.t_s <= t_s);
        Self {
            infusion: self.infusion.clone(),
            clock: self.clock.clone(),
            channels: channels.filter(|c| !c.samples.is_empty()).collect(),
            events: events.cloned().collect(),
            events_given: self.events_given,
            line: self.line.clone(),
            priors: self.priors.clone(),
            intake: Intake::default(),
        }
    }

    /// The place of a channel among [`Record::channels`].
    pub fn channel_index(&self, id: &str) -> Option<usize> {
        self.channels.iter().position(|c| c.id == id)
    }

    /// How far apart the pressure is looked at, of the channel that is read most often, seconds; `None` where nobody can say.
    pub fn least_period_s(&self) -> Option<f64> {
        let periods = self.channels.iter().filter_map(Channel::look_s);
        periods.reduce(f64::min)
    }

    /// The last sample's time over all channels, seconds from the record's start.
    pub fn end_s(&self) -> f64 {
        self.channels
            .iter()
            .filter_map(|c| c.samples.t_s.last())
            .fold(f64::NEG_INFINITY, |a, &b| a.max(b))
    }
}
