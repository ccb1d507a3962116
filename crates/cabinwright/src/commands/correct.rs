//! `cabinwright correct`

use crate::face::{Face, Failure, Outcome};

/// Proposes a correction towards a target within a processor's limits.
#[derive(clap::Args)]
pub struct Args {}

/// Runs the command.
pub fn run(_args: Args, _face: &Face) -> Result<Outcome, Failure> {
    Err(Failure::new("correct is not built yet"))
}
