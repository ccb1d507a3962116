//! `cabinwright apply`

use crate::face::{Face, Failure, Outcome};

/// Runs a tune over a WAV file.
#[derive(clap::Args)]
pub struct Args {}

/// Runs the command.
pub fn run(_args: Args, _face: &Face) -> Result<Outcome, Failure> {
    Err(Failure::new("apply is not built yet"))
}
