//! `cabinwright align`

use crate::face::{Face, Failure, Outcome};

/// Works out delays, polarity and levels from impulse responses.
#[derive(clap::Args)]
pub struct Args {}

/// Runs the command.
pub fn run(_args: Args, _face: &Face) -> Result<Outcome, Failure> {
    Err(Failure::new("align is not built yet"))
}
