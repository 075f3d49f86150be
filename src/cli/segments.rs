//! `patency segments`: splits one numeric column where it changes.

use super::{open, out};
use crate::error::Result;
use crate::ingest::{Source, read_column};
use crate::report::{segments_json, segments_text};
use crate::signal::segments;
use std::path::PathBuf;

/// Splits one numeric column where its level, spread or slope changes
///
/// Any series will do, no pump needed, and there is nothing to tune. Empty cells are missing values and keep their row.
/// Runs of at most seven wild values are no segment; no segment has fewer than five rows.
///
/// Example: patency segments night.csv --column pressure_mmhg --json
#[derive(clap::Args)]
pub struct Args {
    /// A CSV file with a header
    file: PathBuf,
    /// The column, by its header
    #[arg(long, value_name = "NAME")]
    column: String,
    /// Print one JSON object instead of text
    #[arg(long)]
    json: bool,
}

/// Runs the command.
pub fn run(args: &Args) -> Result<()> {
    let mut file = open::file(&args.file)?;
    let source = Source {
        name: &args.file,
        reader: &mut file,
    };
    let values = read_column(source, &args.column)?;
    let found = segments(&values);
    out::print(&if args.json {
        segments_json(values.len(), &found)
    } else {
        segments_text(&args.column, values.len(), &found)
    })
}
