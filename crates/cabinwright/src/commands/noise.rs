//! `cabinwright noise`

use crate::face::{Face, Failure, Outcome};

/// Measures the noise in a recording: levels, A-weighted, third-octave.
#[derive(clap::Args)]
pub struct Args {}

/// Runs the command.
pub fn run(_args: Args, _face: &Face) -> Result<Outcome, Failure> {
    Err(Failure::new("noise is not built yet"))
}
