//! `cabinwright roll-call`

use crate::face::{Face, Failure, Outcome};

/// Tells which channel drives which speaker, and which does not.
#[derive(clap::Args)]
pub struct Args {}

/// Runs the command.
pub fn run(_args: Args, _face: &Face) -> Result<Outcome, Failure> {
    Err(Failure::new("roll-call is not built yet"))
}
