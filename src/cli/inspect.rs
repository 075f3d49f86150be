//! `patency inspect`: what was understood of the files, without judging.

use crate::error::{Error, Result};

/// Shows what was understood of the files, without judging
#[derive(clap::Args)]
pub struct Args {}

/// Runs the command.
pub fn run(_args: &Args) -> Result<()> {
    Err(Error::new("not there yet"))
}
