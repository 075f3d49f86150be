//! EDGE: the command line. Opens files, calls the library, writes results; one file per command.
//!
//! Exit status: 0 done, 1 it could not be done (one message on standard error), 2 wrong usage, 3 done and something was found
//! that was looked for (`inspect --privacy`) or is left open (`map` with unanswered questions).

mod clamp_test;
mod completions;
mod expect;
mod export;
mod inspect;
mod limits;
mod man;
mod manual;
mod map;
mod open;
mod out;
mod pdf;
mod review;
mod segments;
mod serve;
mod simulate;
mod stream;
mod survey;

use crate::error::Result;
use clap::{Parser, Subcommand};
use std::process::ExitCode;

/// Stands under the program's help.
const AFTER_HELP: &str = "\
Exit status:
  0  done
  1  it could not be done; one message on standard error says what, where and what to do
  2  wrong usage
  3  done, and something was found that was looked for (inspect --privacy) or is left open (map)

NO_COLOR, set to anything, keeps bold type and colour out of what is printed.

Example: patency review sample-traces/filter-loads/trace.csv --line sample-traces/filter-loads/line.toml";

/// Reads exported infusion-pump logs and says what was blocked, where, and how sure that is.
#[derive(Parser)]
#[command(version, about, max_term_width = 100, after_help = AFTER_HELP)]
struct Args {
    #[command(subcommand)]
    command: Command,
}

#[derive(Subcommand)]
enum Command {
    Review(review::Args),
    Inspect(inspect::Args),
    Expect(expect::Args),
    Export(export::Args),
    ClampTest(clamp_test::Args),
    Limits(limits::Args),
    Map(map::Args),
    Manual(manual::Args),
    Segments(segments::Args),
    Serve(serve::Args),
    Simulate(simulate::Args),
    Survey(survey::Args),
    Completions(completions::Args),
    Man(man::Args),
    /// Started by the program itself
    #[command(name = crate::serve::JOB, hide = true)]
    WorkbenchJob,
    /// Started by the program itself
    #[command(name = pdf::COMMAND, hide = true)]
    PdfPrinter(pdf::PrinterArgs),
}

/// Runs the program with the process's arguments.
pub fn main() -> ExitCode {
    let args = Args::parse(); // wrong usage ends here, with status 2
    match run(args.command) {
        Ok(Done::Whole) => ExitCode::SUCCESS,
        Ok(Done::Open) => ExitCode::from(3),
        Err(error) => {
            out::problem(&error);
            ExitCode::from(1)
        }
    }
}

/// How a command ended that could be done.
enum Done {
    Whole,
    /// Something was found that was looked for, or is left open.
    Open,
}

fn run(command: Command) -> Result<Done> {
    match command {
        Command::Inspect(args) => return inspect::run(&args),
        Command::Map(args) => return map::run(&args),
        Command::Review(args) => review::run(&args),
        Command::Expect(args) => expect::run(&args),
        Command::Export(args) => export::run(&args),
        Command::ClampTest(args) => clamp_test::run(&args),
        Command::Limits(args) => limits::run(&args),
        Command::Manual(args) => manual::run(&args),
        Command::Segments(args) => segments::run(&args),
        Command::Serve(args) => serve::run(&args),
        Command::Simulate(args) => simulate::run(&args),
        Command::Survey(args) => survey::run(&args),
        Command::Completions(args) => completions::run(&args),
        Command::Man(args) => man::run(&args),
        Command::WorkbenchJob => serve::job(),
        Command::PdfPrinter(args) => pdf::printer(&args),
    }?;
    Ok(Done::Whole)
}
