//! `patency review`: one log in, one review out.

use super::{open, out};
use crate::error::{Error, Result};
use crate::ingest::Settings;
use crate::record::Record;
use crate::{report, run};
use std::path::{Path, PathBuf};

/// Reviews one log: what was blocked, where, and how sure that is.
///
/// Retrospective: not for alarm decisions.
///
/// Example: patency review trace.csv --events events.csv --line line.toml --out review
#[derive(clap::Args)]
pub struct Args {
    /// The trace: a CSV of time, channel, pressure_mmhg, rate_ml_h and more
    trace: PathBuf,
    /// What people and pumps did: a CSV of time, channel, event, detail
    #[arg(long, value_name = "FILE")]
    events: Option<PathBuf>,
    /// What lies between pump and patient: a TOML file
    #[arg(long, value_name = "FILE")]
    line: Option<PathBuf>,
    /// Write report.html, its pictures, review.json and tables into this folder
    #[arg(long, value_name = "DIR")]
    out: Option<PathBuf>,
    /// Print the review as one JSON object, and nothing else
    #[arg(long)]
    json: bool,
    /// Go on although more than 1 % of the rows cannot be used; the report says which
    #[arg(long)]
    keep_going: bool,
    /// The infusion to review, where the trace holds several
    #[arg(long, value_name = "NAME")]
    infusion: Option<String>,
}

/// Runs the command.
pub fn run(args: &Args) -> Result<()> {
    let settings = Settings {
        keep_going: args.keep_going,
    };
    let (events, line) = (args.events.as_deref(), args.line.as_deref());
    let records = open::records(&args.trace, events, line, &settings)?;
    let record = choose(records, args.infusion.as_deref(), &args.trace)?;
    let review = run::review(&record);
    if args.json {
        out::print(&report::review_json(&record, &review))?;
    } else {
        out::print(&report::review_text(&record, &review, 80, true))?;
    }
    Ok(())
}

/// The one record that is meant.
fn choose(records: Vec<Record>, wanted: Option<&str>, trace: &Path) -> Result<Record> {
    let names: Vec<String> = records.iter().filter_map(|r| r.infusion.clone()).collect();
    let listed = names.iter().take(5).cloned().collect::<Vec<_>>().join(", ");
    let mut chosen = match wanted {
        Some(name) => records
            .into_iter()
            .filter(|r| r.infusion.as_deref() == Some(name))
            .collect::<Vec<_>>(),
        None => records,
    };
    match (chosen.pop(), chosen.is_empty()) {
        (Some(record), true) => Ok(record),
        (Some(_), false) => Err(Error::in_file(
            trace,
            format!("expected one infusion, found {}: {listed}", names.len()),
        )
        .hint("name one with --infusion, or review a folder of many with `patency survey`")),
        (None, _) => Err(Error::in_file(trace, "there is no infusion of that name")
            .hint(format!("the trace has: {listed}"))),
    }
}
