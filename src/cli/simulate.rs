//! `patency simulate`: a scenario becomes a made record and its truth.

use super::out;
use crate::error::{Error, Result};
use crate::report;
use crate::simulate::{Scenario, run as simulate};
use std::path::PathBuf;

/// Makes a record from a scenario, with the truth beside it
///
/// Writes trace.csv, events.csv, line.toml, truth.json and datapackage.json into the folder. The same scenario and seed give
/// the same bytes. The record is made, not measured: no patient and no pump stands behind it.
///
/// Example: patency simulate sample-traces/clamp-on-one-channel/scenario.toml --out /tmp/made --seed 3
#[derive(clap::Args)]
pub struct Args {
    /// The scenario (TOML): line, pumps, what goes wrong, what staff do
    #[arg(value_name = "SCENARIO.toml")]
    scenario: PathBuf,
    /// Folder for the five files; made where it is missing
    #[arg(long, value_name = "DIR")]
    out: PathBuf,
    /// Seed of the random numbers
    #[arg(long, default_value_t = 1)]
    seed: u64,
}

/// Runs the command.
pub fn run(args: &Args) -> Result<()> {
    let file = &args.scenario;
    let bytes = std::fs::read(file).map_err(|e| {
        Error::in_file(file, format!("cannot be read: {e}")).hint("name a scenario file (TOML)")
    })?;
    let text = String::from_utf8(bytes).map_err(|_| {
        Error::in_file(file, "expected text in UTF-8, found other bytes")
            .hint("a scenario is a TOML file; those in sample-traces show every table")
    })?;
    let scenario = Scenario::from_toml(&text).map_err(|e| e.of_file(file))?;
    let made = simulate(&scenario, args.seed).map_err(|e| e.of_file(file))?;
    let package = report::export::contract_package(
        "patency-simulated",
        "A made record: no patient and no pump stands behind it.",
        &[("trace", &made.trace_csv), ("events", &made.events_csv)],
    );
    out::write_files(
        "--out",
        &args.out,
        &[
            ("datapackage.json", package),
            ("trace.csv", made.trace_csv),
            ("events.csv", made.events_csv),
            ("line.toml", made.line_toml.into_bytes()),
            ("truth.json", made.truth_json.into_bytes()),
        ],
    )?;
    out::print(&format!(
        "Wrote trace.csv, events.csv, line.toml, truth.json and datapackage.json to {}\n",
        args.out.display()
    ))
}
