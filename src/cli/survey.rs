//! `patency survey`: many infusions in, rates and effects out.

use crate::error::{Error, Result};

/// Says across many infusions how often, where and after what the flow was hindered
#[derive(clap::Args)]
pub struct Args {}

/// Runs the command.
pub fn run(_args: &Args) -> Result<()> {
    Err(Error::new("not there yet"))
}
