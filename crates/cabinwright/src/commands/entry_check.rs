//! `cabinwright entry-check`

use crate::face::{Face, Failure, Outcome};

/// Tells whether a tune was typed in right.
#[derive(clap::Args)]
pub struct Args {}

/// Runs the command.
pub fn run(_args: Args, _face: &Face) -> Result<Outcome, Failure> {
    Err(Failure::new("entry-check is not built yet"))
}
