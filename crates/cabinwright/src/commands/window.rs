//! `cabinwright` without a command: the window.

use crate::face::{Face, Failure, Outcome};

/// Opens the window and returns when it is closed.
pub fn run(_face: &Face) -> Result<Outcome, Failure> {
    workstation::open(workstation::Opening::default())?;
    Ok(Outcome::Done)
}
