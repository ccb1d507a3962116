//! `cabinwright report`

use crate::face::{Face, Failure, Outcome};

/// Writes the customer's document for a visit.
#[derive(clap::Args)]
pub struct Args {}

/// Runs the command.
pub fn run(_args: Args, _face: &Face) -> Result<Outcome, Failure> {
    Err(Failure::new("report is not built yet"))
}
