//! `patency simulate`: a scenario becomes a made record and its truth.

use crate::error::{Error, Result};

/// Makes a record from a scenario, with the truth beside it
#[derive(clap::Args)]
pub struct Args {}

/// Runs the command.
pub fn run(_args: &Args) -> Result<()> {
    Err(Error::new("not there yet"))
}
