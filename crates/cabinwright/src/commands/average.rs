//! `cabinwright average`

use crate::face::{Face, Failure, Outcome};

/// Averages responses over positions, with the uncertainty of the average.
#[derive(clap::Args)]
pub struct Args {}

/// Runs the command.
pub fn run(_args: Args, _face: &Face) -> Result<Outcome, Failure> {
    Err(Failure::new("average is not built yet"))
}
