//! `cabinwright measure`

use crate::face::{Face, Failure, Outcome};

/// Plays and records through a sound card into a visit.
#[derive(clap::Args)]
pub struct Args {}

/// Runs the command.
pub fn run(_args: Args, _face: &Face) -> Result<Outcome, Failure> {
    Err(Failure::new("measure is not built yet"))
}
