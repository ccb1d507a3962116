//! The measuring chain against systems it has never seen.

mod faults;
mod figures;
mod rig;
