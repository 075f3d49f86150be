//! `patency limits`: what other pressure limits would have done in a record.

use super::{open, out};
use crate::error::{Error, Result};
use crate::infer::limits::limits;
use crate::report::{limits_json, limits_text};
use crate::run;
use crate::units::Pressure;
use std::path::PathBuf;

/// Says what other pressure limits would have done in this record
///
/// The record is reviewed first. Then, for each limit: which episodes would have alarmed and how long after their onset, and how
/// often it would have alarmed outside them, with nothing blocked. Above the pressures that the record reached the figure is
/// modelled, and marked so. Retrospective: not for alarm decisions.
///
/// Example: patency limits trace.csv --events events.csv --limit 100 --limit 200
#[derive(clap::Args)]
pub struct Args {
    /// The trace
    trace: PathBuf,
    /// What people and pumps did
    #[arg(long, value_name = "FILE")]
    events: Option<PathBuf>,
    #[command(flatten)]
    reading: open::Reading,
    /// A limit to try, mmHg; may be repeated; without it 50, 100, 150, 200, 300 and 450
    #[arg(long = "limit", value_name = "MMHG")]
    limits: Vec<f64>,
    /// Print one JSON object instead of text
    #[arg(long)]
    json: bool,
}

/// Columns of the printed text.
const WIDTH: usize = 80;
/// What is tried where nothing else was asked, mmHg: from as low as pumps go to above what small catheters should see (common
/// practice, no source).
const USUAL: [f64; 6] = [50.0, 100.0, 150.0, 200.0, 300.0, 450.0];

/// Runs the command.
pub fn run(args: &Args) -> Result<()> {
    let asked = match args.limits.as_slice() {
        [] => &USUAL[..],
        asked => asked,
    };
    let tried: Vec<Pressure> = asked
        .iter()
        .map(|&x| {
            let limit = Pressure::new(x).filter(|p| 0.0 < p.get());
            let what = || Error::new(format!("--limit {x}: expected mmHg above 0"));
            limit.ok_or_else(|| what().hint("for example `--limit 200`"))
        })
        .collect::<Result<_>>()?;
    let settings = args.reading.form.settings()?;
    let (events, line) = (args.events.as_deref(), args.reading.line.as_deref());
    let mut records = open::records(&args.trace, events, line, &settings)?;
    let record = match (records.pop(), records.len()) {
        (Some(record), 0) => record,
        (_, more) => {
            let what = format!("expected one infusion, found {}", more + 1);
            return Err(
                Error::in_file(&args.trace, what).hint("write each into a trace of its own")
            );
        }
    };
    let trials = limits(&record, &run::review(&record), &tried);
    out::print(&if args.json {
        limits_json(&trials)
    } else {
        limits_text(&trials, WIDTH, true)
    })
}
