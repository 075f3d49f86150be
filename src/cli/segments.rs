//! `patency segments`: splits one numeric column where it changes.

use crate::error::{Error, Result};

/// Splits one numeric column where its level, spread or slope changes
#[derive(clap::Args)]
pub struct Args {}

/// Runs the command.
pub fn run(_args: &Args) -> Result<()> {
    Err(Error::new("not there yet"))
}
