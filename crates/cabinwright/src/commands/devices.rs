//! `cabinwright devices`

use crate::face::{Face, Failure, Outcome};

/// Lists the sound devices with their channels and rates.
///
/// The names in the first column are what `measure --output` and `--input` take. On Linux, a name that begins with `hw:` is
/// the device itself; others may convert the rate unseen, so pick a rate that the device is set to. A device that another
/// program holds is not listed.
#[derive(clap::Args)]
pub struct Args {}

/// Runs the command.
pub fn run(_args: Args, face: &Face) -> Result<Outcome, Failure> {
    let devices = job::devices::list()?;
    face.answer(&devices, &devices)?;
    Ok(Outcome::Done)
}
