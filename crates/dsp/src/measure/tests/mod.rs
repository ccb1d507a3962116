//! The measuring chain against systems it has never seen.

mod faults;
mod figures;
mod loopback;
mod rig;
