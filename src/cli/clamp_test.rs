//! `patency clamp-test`: a bench record of clamping at known places becomes the compliances of a line file.

use super::{open, out};
use crate::error::{Error, Result};
use crate::infer::clamp_test::clamp_test;
use crate::report::{clamp_test_json, clamp_test_text};
use std::path::PathBuf;

/// Works out the compliances of a line from a bench test
///
/// Prime the line, let the pumps run, and close a clamp until the pressure has climbed well: on each channel at the join, then
/// just below the filter, then at the hub; three times each. Note each closing in the events as `clamp_closed`: with the channel
/// for the first, with `filter` or `hub` in its detail for the others; each opening as `clamp_opened`. Prints the compliances with
/// 95 % intervals and the lines of a line file. With nothing connected to a patient, ever.
///
/// Example: patency clamp-test bench.csv --events bench-events.csv
#[derive(clap::Args)]
pub struct Args {
    /// The trace of the test
    trace: PathBuf,
    /// Its events, with the clamps
    #[arg(long, value_name = "FILE")]
    events: PathBuf,
    #[command(flatten)]
    form: open::Form,
    /// Print one JSON object instead of text
    #[arg(long)]
    json: bool,
}

/// Columns of the printed text.
const WIDTH: usize = 80;

/// Runs the command.
pub fn run(args: &Args) -> Result<()> {
    let settings = args.form.settings()?;
    let mut records = open::records(&args.trace, Some(&args.events), None, &settings)?;
    let record = match (records.pop(), records.len()) {
        (Some(record), 0) => record,
        (_, more) => {
            let what = format!("expected one test, found {} infusions", more + 1);
            return Err(Error::in_file(&args.trace, what).hint("give each test a trace of its own"));
        }
    };
    let test = clamp_test(&record);
    if test.closings.is_empty() {
        let what = match test.unusable.len() {
            0 => "there is no `clamp_closed` among the events".to_string(),
            n => format!("none of the {n} `clamp_closed` events gave a climb"),
        };
        let hint = "write `clamp_closed` with the channel, or with `filter` or `hub` in its detail, and let the pressure climb by \
                    20 mmHg over five readings or more";
        return Err(Error::in_file(&args.events, what).hint(hint));
    }
    out::print(&if args.json {
        clamp_test_json(&record.clock, &test)
    } else {
        clamp_test_text(&record.clock, &test, WIDTH, true)
    })
}
