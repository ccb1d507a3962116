//! `cabinwright` without a command: the window.

use crate::face::{Face, Failure, Outcome};

/// Names the garage or visit that the window opens with, so that it can be started on one from a shortcut.
const GARAGE_VARIABLE: &str = "CABINWRIGHT_GARAGE";

/// Opens the window and returns when it is closed.
pub fn run(_face: &Face) -> Result<Outcome, Failure> {
    let folder = std::env::var_os(GARAGE_VARIABLE).map(Into::into);
    workstation::open(workstation::Opening { folder })?;
    Ok(Outcome::Done)
}
