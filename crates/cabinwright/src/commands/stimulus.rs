//! `cabinwright stimulus`

use crate::face::{Face, Failure, Outcome};

/// Writes a signal to play, and beside it how it was made.
#[derive(clap::Args)]
pub struct Args {}

/// Runs the command.
pub fn run(_args: Args, _face: &Face) -> Result<Outcome, Failure> {
    Err(Failure::new("stimulus is not built yet"))
}
