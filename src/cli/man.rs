//! `patency man`: the pages for `man`, one for the program and one for each command.

use super::out;
use crate::error::{Error, Result};
use clap::CommandFactory;
use std::path::PathBuf;

/// Writes the pages for `man`: one for the program and one for each command
///
/// Example: patency man --out ~/.local/share/man/man1
#[derive(clap::Args)]
pub struct Args {
    /// The folder for the pages
    #[arg(long, value_name = "DIR")]
    out: PathBuf,
}

/// Runs the command.
pub fn run(args: &Args) -> Result<()> {
    let mut program = super::Args::command();
    program.build();
    let commands = program.get_subcommands().filter(|c| !c.is_hide_set());
    let commands = commands.filter(|c| c.get_name() != "help");
    let mut pages = vec![("patency.1".to_string(), page(program.clone())?)];
    for command in commands {
        let file = format!("patency-{}.1", command.get_name());
        pages.push((file, page(command.clone())?));
    }
    let files: Vec<(&str, Vec<u8>)> = pages
        .iter()
        .map(|(name, page)| (name.as_str(), page.clone()))
        .collect();
    out::write_files("--out", &args.out, &files)
}

fn page(command: clap::Command) -> Result<Vec<u8>> {
    let mut page = Vec::new();
    let written = clap_mangen::Man::new(command).render(&mut page);
    written.map_err(|e| Error::new(format!("the page cannot be made: {e}")))?;
    Ok(page)
}
