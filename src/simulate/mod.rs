//! The simulator: a scenario becomes a made record whose truth is known.
//!
//! In: a [`Scenario`] (TOML) and a seed. Out: [`Made`]: the contract's three files and a truth file. The same
//! scenario and seed give the same bytes. The physics is deliberately richer than the model that the analysis
//! fits (pulsation, stick-slip, start-up lag, compliance that falls with pressure, uneven loading, narrowing in
//! fits and starts), so that a score on made records does not flatter. Nothing here reads a file or a clock.

mod agenda;
mod alarms;
mod blocking;
mod can_tell;
mod day;
mod elastic;
mod episodes;
mod files;
mod happenings;
mod network;
mod noise;
mod pump;
mod scenario;
mod sensor;
mod shifts;
mod staff;
mod truth;
mod world;

pub use scenario::{
    Access, Act, Answer, Artefacts, Blocking, Cause, Channel, Do, Episode, Filter, FilterVariant,
    Gap, Given, Line, Place, Position, Pump, Sampling, Scenario, Sensor, Tail, Vein,
};

use crate::error::Result;

/// What the simulator made.
#[derive(Debug, Clone, PartialEq)]
pub struct Made {
    /// The trace, as the contract has it.
    pub trace_csv: Vec<u8>,
    /// The events, as the contract has them.
    pub events_csv: Vec<u8>,
    /// The line file, as the contract has it.
    pub line_toml: String,
    /// What really happened (`patency.truth/1`; its fields are explained in `sample-traces/README.md`).
    pub truth_json: String,
}

/// Runs a scenario.
///
/// A day of two channels at 10 s takes well under a second. Errors where the scenario contradicts itself or
/// asks for more than 20 million rows.
pub fn run(scenario: &Scenario, seed: u64) -> Result<Made> {
    scenario.check()?;
    let clock = scenario.clock()?;
    let day = day::simulate(scenario, seed);
    Ok(Made {
        trace_csv: files::trace(&day.rows, &clock, scenario)?,
        events_csv: files::events(&day.log, &clock)?,
        line_toml: files::line(scenario, seed),
        truth_json: truth::json(scenario, seed, &day, &clock)?,
    })
}

#[cfg(test)]
mod tests;
