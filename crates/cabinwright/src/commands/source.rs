//! `cabinwright source`

use crate::face::{Face, Failure, Outcome};

/// Finds out what the factory did to the signal, and how to undo it.
#[derive(clap::Args)]
pub struct Args {}

/// Runs the command.
pub fn run(_args: Args, _face: &Face) -> Result<Outcome, Failure> {
    Err(Failure::new("source is not built yet"))
}
