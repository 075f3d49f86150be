//! The scenario: what the line is made of, what the pumps are set to, what goes wrong and what staff do.
//!
//! In: TOML; unknown keys are errors. Out: checked data. Every table but `[[channel]]` may be left out; a table
//! that is left out takes the defaults stated at its fields. Ranges that are usual in practice stand in the
//! project's notes on parameter ranges; the scenario may go beyond them.

mod causes;
mod check;
mod parts;

pub use causes::{Blocking, Cause, Episode, FilterVariant, Place};
pub use parts::{
    Access, Artefacts, Channel, Filter, Gap, Given, Line, Position, Pump, Sampling, Sensor, Tail,
    Vein,
};

use crate::error::{Error, Result};
use crate::time::Clock;
use jiff::Timestamp;
use jiff::fmt::temporal::Pieces;
use serde::Deserialize;

/// One made record.
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Scenario {
    /// A name for the truth file.
    #[serde(default)]
    pub name: String,
    /// Length of the record, h.
    pub duration_h: f64,
    /// First moment, RFC 3339 with offset; left out = the trace counts seconds.
    #[serde(default)]
    pub start: Option<String>,
    /// Moments at which the trace's offset from Greenwich changes (summer time): `[[hours, offset minutes]]`.
    #[serde(default)]
    pub offset_changes: Vec<(f64, i32)>,
    /// Whether the pumps have been running for long when the record begins; `false` = they start with it, from rest;
    /// default true.
    #[serde(default = "yes")]
    pub running_before: bool,
    /// How rows are written.
    #[serde(default)]
    pub sampling: Sampling,
    /// How pressure is read.
    #[serde(default)]
    pub sensor: Sensor,
    /// The vein.
    #[serde(default)]
    pub vein: Vein,
    /// Coughs and handling in the background.
    #[serde(default)]
    pub artefacts: Artefacts,
    /// What lies between the pumps and the vein.
    #[serde(default)]
    pub line: Line,
    /// One to three pump channels.
    #[serde(rename = "channel")]
    pub channels: Vec<Channel>,
    /// Minutes until staff answer an alarm that no episode has an answer for; default 5.
    #[serde(default = "five")]
    pub staff_answer_min: f64,
    /// What is done at set times.
    #[serde(default, rename = "act")]
    pub acts: Vec<Act>,
    /// What goes wrong.
    #[serde(default, rename = "episode")]
    pub episodes: Vec<Episode>,
}

fn five() -> f64 {
    5.0
}

/// What people do. The words are the contract's events, and three more that an events file does not know.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Do {
    /// Pauses the channel (or all); with `minutes`, resumes by itself.
    Pause,
    /// Resumes the channel (or all).
    Resume,
    /// Sets `value` mL/h.
    RateChange,
    /// Sets a limit of `value` mmHg.
    LimitChange,
    /// Replaces the filter: all channels stop, the line is open for `minutes`, what had loaded is gone.
    FilterChange,
    /// Replaces a channel's tubing (or container): the channel stops for `minutes`; the start-up lag comes again.
    SetChange,
    /// Replaces the catheter: what had narrowed or moved is gone.
    CatheterChange,
    /// Flushes: takes the share `value` (0 to 1) of the narrowing away.
    Flush,
    /// A medication starts.
    MedicationStart,
    /// A medication ends.
    MedicationEnd,
    /// The patient is moved: a positional obstruction lets go.
    PatientMoved,
    /// A remark.
    Note,
    /// Starts the stopped channels again, nothing else.
    Restart,
    /// Takes the obstruction away: opens the clamp, straightens the kink, restores the supply.
    Relieve,
}

/// Something done at a set time.
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Act {
    /// When, h from the start.
    pub at_h: f64,
    /// What.
    #[serde(rename = "do")]
    pub what: Do,
    /// The channel; left out = all.
    #[serde(default)]
    pub channel: Option<String>,
    /// The rate, the limit or the share, as [`Do`] says.
    #[serde(default)]
    pub value: Option<f64>,
    /// How long it takes, min; default 3 where it takes time. A pause without it lasts until a `resume`.
    #[serde(default)]
    pub minutes: Option<f64>,
    /// Free text for the events file.
    #[serde(default)]
    pub detail: String,
    /// Whether somebody writes it down; default true. What the pump logs itself is always written.
    #[serde(default = "yes")]
    pub logged: bool,
}

/// How staff answer an episode: in order, one for each alarm, or at a set time where nothing alarms.
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Answer {
    /// What.
    #[serde(rename = "do")]
    pub what: Do,
    /// Minutes from the alarm; default [`Scenario::staff_answer_min`].
    #[serde(default)]
    pub after_min: Option<f64>,
    /// At this time instead, h from the start.
    #[serde(default)]
    pub at_h: Option<f64>,
    /// The rate, the limit or the share, as [`Do`] says.
    #[serde(default)]
    pub value: Option<f64>,
    /// How long it takes, min; default 3 where it takes time.
    #[serde(default)]
    pub minutes: Option<f64>,
    /// Free text for the events file.
    #[serde(default)]
    pub detail: String,
    /// Whether somebody writes it down; default true.
    #[serde(default = "yes")]
    pub logged: bool,
}

pub(super) fn yes() -> bool {
    true
}

impl Scenario {
    /// Reads a scenario from TOML and checks it. The error names the line, as `toml` words it.
    pub fn from_toml(text: &str) -> Result<Self> {
        let scenario: Scenario = toml::from_str(text).map_err(|e| {
            let line = e.span().map(|s| 1 + text[..s.start].matches('\n').count());
            let error = Error::new(format!("not a scenario: {}", e.message()));
            match line {
                Some(line) => error.at_line(line as u64),
                None => error,
            }
            .hint("the scenarios in sample-traces show every table")
        })?;
        scenario.check()?;
        Ok(scenario)
    }

    /// The trace's clock.
    pub(super) fn clock(&self) -> Result<Clock> {
        let Some(start) = &self.start else {
            return Ok(Clock::Seconds);
        };
        let wrong = || {
            Error::new(format!(
                "scenario: `start`: expected RFC 3339 with offset, found `{start}`"
            ))
            .hint("write it like 2031-03-04T08:00:00+01:00")
        };
        let moment: Timestamp = start.parse().map_err(|_| wrong())?;
        let pieces = Pieces::parse(start).map_err(|_| wrong())?;
        let offset = pieces.to_numeric_offset().ok_or_else(wrong)?;
        let mut offsets = vec![(0.0, offset.seconds())];
        offsets.extend(
            self.offset_changes
                .iter()
                .map(|&(at_h, minutes)| (at_h * 3600.0, minutes * 60)),
        );
        Ok(Clock::Calendar {
            origin_us: moment.as_microsecond(),
            offsets,
        })
    }

    /// The place of a channel in [`Scenario::channels`].
    pub(super) fn channel_index(&self, id: &str) -> Option<usize> {
        self.channels.iter().position(|c| c.id == id)
    }
}
