//! `patency completions`: a script with which a shell completes commands, options and files.

use super::out;
use crate::error::Result;
use clap::CommandFactory;

/// Prints a script with which a shell completes commands and options
///
/// Example: patency completions bash > ~/.local/share/bash-completion/completions/patency
#[derive(clap::Args)]
pub struct Args {
    /// The shell
    shell: clap_complete::Shell,
}

/// Runs the command.
pub fn run(args: &Args) -> Result<()> {
    let mut script = Vec::new();
    let all = super::Args::command();
    // Commands that the program gives itself are nobody's to complete.
    let shown = all.get_subcommands().filter(|c| !c.is_hide_set()).cloned();
    let mut command = clap::Command::new("patency")
        .version(env!("CARGO_PKG_VERSION"))
        .subcommands(shown);
    clap_complete::generate(args.shell, &mut command, "patency", &mut script);
    out::write(&script)
}
