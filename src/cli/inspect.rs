//! `patency inspect`: what was understood of the files, without judging.

use super::{Done, open, out};
use crate::error::{Error, Result};
use crate::ingest::{self, Source};
use crate::report;
use std::path::{Path, PathBuf};

/// Widest line of the text, columns.
const WIDTH: usize = 80;

/// Shows what was understood of the files, without judging
///
/// Rows, channels, period, gaps, clock, units, rejected rows, events, and what the line file says. Nothing is written.
///
/// With --privacy, a file or folder is looked through for what may identify somebody instead; status 3 where something is found.
///
/// Example: patency inspect night.csv --events night-events.csv --line line.toml
#[derive(clap::Args)]
pub struct Args {
    /// Look through what is to be given away, a file or a folder, for what may still identify somebody
    #[arg(long, conflicts_with_all = ["events", "map", "line", "keep_going"])]
    privacy: bool,
    /// The trace: `time`, `channel`, `pressure_mmhg`, `rate_ml_h` … as CSV, workbook, Parquet or Arrow, or HL7 v2 messages.
    /// Several exports of the same pumps are put together, and nothing counts twice
    #[arg(required = true)]
    trace: Vec<PathBuf>,
    /// The events: CSV with `time`, `channel`, `event`, `detail`, or HL7 v2 messages; may be given again
    #[arg(long, value_name = "FILE")]
    events: Vec<PathBuf>,
    #[command(flatten)]
    reading: open::Reading,
    /// Print one JSON object instead of text
    #[arg(long)]
    json: bool,
}

/// Runs the command.
pub fn run(args: &Args) -> Result<Done> {
    if args.privacy {
        return privacy(args);
    }
    let settings = args.reading.form.settings()?;
    let records = args.reading.exports(&args.trace, &args.events, &settings)?;
    out::print(&if args.json {
        report::inspection_json(&records)
    } else {
        report::inspection_text(&records, WIDTH, true)
    })?;
    Ok(Done::Whole)
}

/// Looks through a file, or all files of a folder.
fn privacy(args: &Args) -> Result<Done> {
    let mut files = Vec::new();
    for path in &args.trace {
        match path.is_dir() {
            true => files_in(path, &mut files)?,
            false => files.push(path.clone()),
        }
    }
    files.sort();
    let mut found = Vec::new();
    for path in &files {
        found.extend(ingest::survivors(Source {
            name: path,
            reader: &mut open::file(path)?,
        })?);
    }
    out::print(&match args.json {
        true => report::privacy_json(&found, files.len()),
        false => report::privacy_text(&found, files.len()),
    })?;
    Ok(match found.is_empty() {
        true => Done::Whole,
        false => Done::Open,
    })
}

fn files_in(dir: &Path, into: &mut Vec<PathBuf>) -> Result<()> {
    let cannot = |e: std::io::Error| Error::in_file(dir, format!("cannot be listed: {e}"));
    for entry in std::fs::read_dir(dir).map_err(cannot)? {
        let entry = entry.map_err(cannot)?;
        // A link may lead round in a circle.
        let kind = entry.file_type().map_err(cannot)?;
        if kind.is_dir() {
            files_in(&entry.path(), into)?;
        } else if kind.is_file() {
            into.push(entry.path());
        }
    }
    Ok(())
}
