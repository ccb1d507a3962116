//! `cabinwright demo`

use crate::face::{Face, Failure, Outcome};

/// Does the whole job on the virtual car and writes the visit, the summary and the report.
#[derive(clap::Args)]
pub struct Args {}

/// Runs the command.
pub fn run(_args: Args, _face: &Face) -> Result<Outcome, Failure> {
    Err(Failure::new("demo is not built yet"))
}
