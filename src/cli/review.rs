//! `patency review`: one log in, one review out.

use crate::error::{Error, Result};

/// Reviews one log: what was blocked, where, and how sure that is
#[derive(clap::Args)]
pub struct Args {}

/// Runs the command.
pub fn run(_args: &Args) -> Result<()> {
    Err(Error::new("not there yet"))
}
