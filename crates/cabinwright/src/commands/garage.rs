//! `cabinwright garage`

use crate::face::{Face, Failure, Outcome};

/// Lists, checks, exports or imports what the garage holds.
#[derive(clap::Args)]
pub struct Args {}

/// Runs the command.
pub fn run(_args: Args, _face: &Face) -> Result<Outcome, Failure> {
    Err(Failure::new("garage is not built yet"))
}
