//! `cabinwright devices`

use crate::face::{Face, Failure, Outcome};

/// Lists the sound cards with their rates and channels.
#[derive(clap::Args)]
pub struct Args {}

/// Runs the command.
pub fn run(_args: Args, _face: &Face) -> Result<Outcome, Failure> {
    Err(Failure::new("devices is not built yet"))
}
