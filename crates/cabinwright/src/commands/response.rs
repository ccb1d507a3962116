//! `cabinwright response`

use crate::face::{Face, Failure, Outcome};

/// Works out impulse response, response and facts from a stimulus and its recordings.
#[derive(clap::Args)]
pub struct Args {}

/// Runs the command.
pub fn run(_args: Args, _face: &Face) -> Result<Outcome, Failure> {
    Err(Failure::new("response is not built yet"))
}
