//! `patency map`: proposes from an export itself how it is to be read.

use super::{Done, open, out};
use crate::error::{Error, Result};
use crate::ingest::{self, Source};
use std::path::{Path, PathBuf};

/// Proposes from an export itself how it is to be read
///
/// Writes a mapping file: which column is what, its unit, the order of the date, the zone. Each line says why; what
/// nothing in the file proves is asked. Answer in the file, or with --set, and give it to the other commands as --map.
///
/// Ends with status 3 where questions are left.
///
/// Example: patency map export.csv --set zone=Europe/Berlin --out export.map.toml
#[derive(clap::Args)]
pub struct Args {
    /// The export with the trace: delimited text, a workbook (.xlsx, .xls, .ods), Parquet or Arrow
    trace: PathBuf,
    /// The export with the events
    #[arg(long, value_name = "FILE")]
    events: Option<PathBuf>,
    /// Answer a question beforehand; may be given again. `events.KEY` answers for the events alone
    #[arg(long, value_name = "KEY=VALUE", value_parser = open::pair)]
    set: Vec<(String, String)>,
    /// Write the mapping into this file instead of to standard output
    #[arg(long, value_name = "FILE")]
    out: Option<PathBuf>,
}

/// Runs the command.
pub fn run(args: &Args) -> Result<Done> {
    let mut trace = open::file(&args.trace)?;
    let mut events = args.events.as_deref().map(open::file).transpose()?;
    let proposal = ingest::propose(
        Source {
            name: &args.trace,
            reader: &mut trace,
        },
        args.events
            .as_deref()
            .zip(events.as_mut())
            .map(|(name, reader)| Source { name, reader }),
        &args.set,
    )?;
    let done = match proposal.questions.is_empty() {
        true => Done::Whole,
        false => Done::Open,
    };
    let Some(path) = &args.out else {
        out::print(&proposal.text)?;
        return Ok(done);
    };
    let name = path.file_name().and_then(|n| n.to_str()).ok_or_else(|| {
        Error::in_file(path, "expected the name of a file")
            .hint("for example --out export.map.toml")
    })?;
    let dir = path
        .parent()
        .filter(|d| !d.as_os_str().is_empty())
        .unwrap_or(Path::new("."));
    out::write_files("--out", dir, &[(name, proposal.text.into_bytes())])?;
    out::print(&written(path, &proposal.questions))?;
    Ok(done)
}

fn written(path: &Path, questions: &[String]) -> String {
    let mut text = match questions.len() {
        0 => format!(
            "{} is written. Look it through, then give it as --map.\n",
            path.display()
        ),
        1 => format!(
            "{} is written. One question is to be answered in it:\n",
            path.display()
        ),
        n => format!(
            "{} is written. {n} questions are to be answered in it:\n",
            path.display()
        ),
    };
    for question in questions {
        text += &format!("  - {question}\n");
    }
    text
}
